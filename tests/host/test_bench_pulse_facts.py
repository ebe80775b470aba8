"""Bench steps on light pulses: which pulses count, what is said and saved. Pulses here are computed, not measured."""

import json

import numpy as np
import plotly.graph_objects as go
import pytest
from duskgate.analysis.bench_pulse import Step, bench_facts, lights_ns, step_facts, step_rows
from duskgate.fields import FLASH1
from duskgate.logfile.recording import table
from duskgate.plots import describe_bench
from duskgate.report import bench_pulse_said as said
from duskgate.report.numbers import plain
from duskgate.report.page import bench_pulse_page

from tests.host.made_recording import made

STEP_US, BEFORE = 2.0, 64


def codes(peak: float, tau_us: float, seed: int, clip: float = 4095) -> np.ndarray:
    """An exponential pulse with noise and a free phase, as the converter would tell it."""
    rng = np.random.default_rng(seed)
    phase = rng.uniform(0, STEP_US)
    t = (np.arange(BEFORE + int(7 * tau_us / STEP_US)) - BEFORE) * STEP_US + phase
    light = np.where(t < 0, 0.0, peak * np.exp(-np.maximum(t, 0) / tau_us))
    return np.clip(np.round(100 + light + rng.normal(0, 1, len(t))), 0, clip).astype(np.uint16)


def recording(pulses):
    """pulses: (second, channel of the sensor, peak, tau_us); peak 0: header without samples; None: no pulse at all."""
    rows, edges = [], []
    for k, (at_s, channel, peak, tau) in enumerate(pulses):
        t = int(at_s * 1e9)
        edges += [(0, t, channel, 1), (0, t + 200_000, channel, 0)]
        if peak is not None:
            c = codes(peak, tau, k) if peak else np.zeros(0, np.uint16)
            rows.append((t, 1 << (channel - FLASH1), k, int(c.max()) if len(c) else 9, c))
    rec = made([(1, 0, 10**13, 0)], edges)
    n = len(rows)
    rec.pulses = table(
        "pulses", boot=np.zeros(n), t_ns=[r[0] for r in rows], number=[r[2] for r in rows],
        flash=[r[1] for r in rows], start_ns=np.full(n, -BEFORE * 2000), step_ns=np.full(n, 2000),
        peak=[r[3] for r in rows], cut=np.zeros(n, bool), complete=np.ones(n, bool), codes=[r[4] for r in rows],
    )  # fmt: skip
    return rec


def build_bench(name: str, facts: dict):
    """Every property checked by plotly itself."""
    return go.Figure(describe_bench(name, facts))


def step(head="left", power=1 / 16, gaps=(3.0,), shots=8, from_s=0.0, to_s=1000.0) -> Step:
    return Step(head, power, gaps, shots, 0, int(from_s * 1e9), int(to_s * 1e9))


def series(begin_s: float, n: int, gap_s: float, peak=1500.0, tau=100.0, channel=FLASH1):
    return [(begin_s + gap_s * k, channel, peak, tau) for k in range(n)]


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


def charged(gap_s: float, ready_s: float) -> float:
    """Share of the energy of a capacitor charged through a resistor; 90 % at ready_s: (1 - exp(-gap / tau))^2."""
    return (1 - np.exp(gap_s / ready_s * np.log(1 - np.sqrt(0.9)))) ** 2


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
    pulses, at = [], 0.0
    for head in range(2):
        at = 1000.0 * head
        for gap in np.repeat([0.5, 1.0, 2.0, 4.0], 6):
            at += gap
            pulses.append((at, FLASH1, 2000 * charged(gap, 1.5), 100.0 + head))
    gaps = (0.5, 1.0, 2.0, 4.0)
    heads = enumerate(("left", "<right>"))
    steps = [step(h, gaps=gaps, shots=24, from_s=1000 * k, to_s=1000 * k + 99) for k, h in heads]
    facts = said.worded(plain(bench_facts(recording(pulses), steps)) | {"log": "x.dgl", "site": "a garden"})
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
