"""Bench steps on light pulses: which pulses count, what is said and saved. Pulses here are computed, not measured."""

import json

import numpy as np
import plotly.graph_objects as go
import pytest
from duskgate import sitefile
from duskgate.analysis.bench_pulse import bench_facts, lights_ns, step_facts, step_rows
from duskgate.analysis.pulse import sensor_of
from duskgate.fields import FLASH1
from duskgate.plots import describe_bench
from duskgate.report import bench_pulse_said as said
from duskgate.report.numbers import plain
from duskgate.report.page import bench_pulse_page

from tests.host.bench_pulses import charged, charging_facts, recording, series, step
from tests.host.test_pulse_intervals import low_passed
from tests.truth import pulses as truth


def build_bench(name: str, facts: dict):
    """Every property checked by plotly itself."""
    return go.Figure(describe_bench(name, facts))


def test_an_exponential_pulse_gives_its_closed_form_and_its_step_is_good():
    """t0.5 = tau ln 2, t0.1 = tau ln 10, energy = peak tau: integral of the exponential."""
    rec = recording(series(1, 8, 3))
    found, full = step_facts(rec, step())
    assert (found["verdict"], found["good"], found["lights"], len(full)) == ("good", 8, 8, 7)
    for key, true in (("t05_us", 100 * np.log(2)), ("t01_us", 100 * np.log(10)), ("energy", 1500 * 100.0)):
        assert found[key]["value"] == pytest.approx(true, rel=0.05) and found[key]["n"] == 7
        assert found[key]["lo"] < found[key]["value"] < found[key]["hi"]
    assert np.isnan(step_rows(rec, step())["gap_s"].iloc[0])
    assert step_rows(rec, step())["gap_s"].iloc[1:].to_numpy() == pytest.approx(3.0)
    assert said.step_line(plain(found)).startswith("left at 1/16: 8 of 8 shots good; t0.5 ")


def test_only_the_pulses_of_the_step_count_and_two_sensors_are_one_light():
    both = [(5.0, FLASH1, 1500, 100), (5.0001, FLASH1 + 1, None, 0)]
    rec = recording(series(1, 1, 3) + both + series(500, 3, 3))
    inside = step(from_s=4, to_s=400)
    assert lights_ns(rec, inside).tolist() == [5_000_000_000] and len(step_rows(rec, inside)) == 1


@pytest.mark.parametrize(
    ("pulses", "verdict", "advice"),
    [
        (series(1, 8, 3, peak=50.0), "weak", "nearer"),
        (series(1, 8, 3, peak=5000.0), "saturated", "grey film"),
        (series(1, 8, 3, peak=0.0), "weak", "nearer"),
        (series(1, 8, 3, peak=None), "no pulse", "photodiode on PULSE"),
        ([], "no light", "head on and charged"),
        (series(1, 5, 3) + series(20, 3, 3, peak=5000.0), "saturated", "grey film"),
        (series(1, 2, 3), "no pulse", "0.5 s or more"),
    ],
)
def test_a_step_that_is_not_good_says_what_to_change(pulses, verdict, advice):
    found, _ = step_facts(recording(pulses), step())
    line = said.step_line(plain(found))
    assert found["verdict"] == verdict and advice in line and f"{found['good']} of 8 shots good" in line
    assert sum(found["left_out"].values()) + found["good"] == found["pulses"]


def test_several_lights_in_one_pulse_are_flagged():
    rec = recording(series(1, 8, 3))
    rec.pulses["flash"] = np.int8(3)
    found, _ = step_facts(rec, step())
    assert found["verdict"] == "several" and "one head alone" in said.step_line(plain(found))


def test_gaps_tell_the_charge_curve_and_the_sum_rests_on_the_longest():
    pulses, at = [(1.0, FLASH1, 2000.0, 100.0)], 1.0
    gaps = np.repeat([0.5, 1.0, 2.0, 4.0], 8)
    for gap in gaps:
        at += gap
        pulses.append((at, FLASH1, 2000 * charged(gap, 1.5), 100.0))
    found, full = step_facts(recording(pulses), step(gaps=(0.5, 1.0, 2.0, 4.0), shots=33))
    ready = found["charge"]["ready_s"]
    assert ready["lo"] <= 1.5 <= ready["hi"] and ready["n"] == 32 and len(full) == 8
    assert found["peak"]["value"] == pytest.approx(2000, rel=0.03)
    rows = said.rows_to_save({"steps": [plain(found)]})
    assert rows[0]["recycle_s"] == pytest.approx(1.5, rel=0.1) and rows[0]["fires"] == 8


def test_heads_alike_not_alike_and_not_known_at_the_same_power_alone():
    rec = recording(series(1, 12, 3) + series(101, 12, 3) + series(201, 12, 3, tau=150.0) + series(301, 2, 3))
    heads = [("left", 1 / 16), ("right", 1 / 16), ("back", 1 / 16), ("back", 1.0)]
    steps = [step(h, p, shots=12, from_s=100 * k, to_s=100 * k + 99) for k, (h, p) in enumerate(heads)]
    facts = said.worded(plain(bench_facts(rec, steps)) | {"log": "x.dgl", "site": "a garden"})
    told = {tuple(pair["heads"]): pair["duration"]["what"] for pair in facts["alike"]}
    assert told == {("left", "right"): "alike", ("left", "back"): "not alike", ("right", "back"): "not alike"}
    assert facts["n_good"] == 38 and [s["verdict"] for s in facts["steps"]] == ["good"] * 3 + ["no pulse"]
    text = "\n".join(said.lines(facts))
    assert "left and right at 1/16" in text and "factor of 1.12" in text and "same distance" in text
    assert facts["answer"][0] == "3 steps of 4 gave good pulses." and len(facts["partial"]) == 1
    assert json.loads(json.dumps(facts)) == facts
    few = [step("left", 1.0, shots=2, from_s=301, to_s=302), step("right", 1.0, shots=2, from_s=303, to_s=305)]
    assert bench_facts(rec, few)["alike"][0]["duration"]["what"] == "not known"


def test_nothing_good_saves_nothing():
    facts = plain(bench_facts(recording(series(1, 8, 3, peak=50.0)), [step()]))
    assert said.rows_to_save(facts) == [] and "nearer" in said.why_nothing(facts)


def test_the_page_says_what_the_facts_say_and_each_figure_has_its_table():
    facts = charging_facts([("left", 100.0), ("<right>", 101.0)])
    page = bench_pulse_page(facts)
    assert set(facts["figures"]) == {"pulses_0", "charge_0"} and "<right>" not in page and "&lt;right&gt;" in page
    for figure in facts["figures"].values():
        rows, wide = figure["table"]["rows"], len(figure["table"]["columns"])
        assert rows and all(len(row) == wide for row in rows)
    for name in facts["figures"]:
        drawn = build_bench(name, facts)
        assert len(drawn.data) == 4 and "&lt;right&gt;" in drawn.data[2].name
    ready = facts["steps"][0]["charge"]["ready_s"]
    assert f"left 90 % after {ready['value']:.2f} s" in facts["figures"]["charge_0"]["title"]
    assert ready["value"] == pytest.approx(1.5, rel=0.03) and "never open" in page.lower()


def test_the_bandwidth_of_the_site_file_is_undone():
    # light that begins at once and decays, behind one pole: too long unless the pole is known (maths)
    plain_t05 = np.log(2) * 330 / np.log(10)
    rng, site = np.random.default_rng(31), sitefile.parse("photodiode_khz = 100\n", "site.toml")
    slow = low_passed(truth.exponential(330), 100_000)
    rec = recording(series(1, 8, 3))
    for i in range(8):
        rec.pulses.at[i, "codes"], rec.pulses.at[i, "start_ns"] = truth.sample(slow, 1500, 1.0, rng)
    known = step_facts(rec, step(), sensor_of(site))[0]["t05_us"]
    unknown = step_facts(rec, step(), sensor_of(None))[0]["t05_us"]
    assert known["lo"] <= plain_t05 <= known["hi"]
    assert abs(known["value"] - plain_t05) < 0.5 * abs(unknown["value"] - plain_t05)
