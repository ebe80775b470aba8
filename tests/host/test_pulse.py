"""Light pulses: durations against closed forms and a general-purpose library, intervals, refusals, heads, charging."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from duskgate.analysis import pulse, pulse_charge, pulse_heads
from duskgate.analysis.pulse_night import night_pulses
from duskgate.fields import TABLES
from scipy.signal import peak_widths

from tests.host.sample_night import table
from tests.truth import pulses as truth

STEP_NS = 2000


def read(codes, start, **more):
    return pulse.measure(codes, start, STEP_NS, pulse.PulseSensor(**more))


def test_an_exponential_has_the_ratio_ln_10_to_ln_2_of_its_durations():
    # maths: t0.1 / t0.5 = ln 10 / ln 2 = 3.3219281; energy = peak x tau
    rng = np.random.default_rng(1)
    found = read(*truth.sample(truth.exponential(800), 2000, 0.5, rng, base=100.0), step_lengths=(0, 0))
    assert found.verdict == "good" and found.shape == "exponential"
    assert found.t01_us["value"] / found.t05_us["value"] == pytest.approx(3.3219281, rel=0.005)
    assert found.energy["value"] == pytest.approx(2000 * 800 / np.log(10), rel=0.01)
    assert found.peak["value"] == pytest.approx(2000, rel=0.003)


@pytest.mark.parametrize("t01", [60, 300, 1500])
def test_widths_agree_with_a_general_purpose_library(t01):
    # scipy.signal.peak_widths at rel_height 0.5 and 0.9, on a pulse whose peak the samples resolve
    rng = np.random.default_rng(2)
    codes, start = truth.sample(truth.rise_and_decay(t01), 3000, 0.3, rng, base=50.0)
    found = read(codes, start, step_lengths=(0, 0))
    y = np.maximum(codes.astype(float) - 50, 0)
    top = int(np.argmax(y))
    prominence = (np.array([y[top]]), np.array([0]), np.array([len(y) - 1]))
    for share, est in ((0.5, found.t05_us), (0.9, found.t01_us)):
        width = peak_widths(y, [top], rel_height=share, prominence_data=prominence)[0][0] * 2
        assert est["value"] == pytest.approx(width, rel=0.02, abs=0.6)


@pytest.mark.parametrize("shape", truth.SHAPES)
@pytest.mark.parametrize("t01", [40, 200, 1000])
def test_durations_are_right_and_their_intervals_hold_the_truth(shape, t01):
    rng, true = np.random.default_rng(t01), truth.MAKERS[shape](t01)
    off, held = [], []
    for _ in range(20):
        peak, long_by = rng.uniform(900, 3000), rng.uniform(0, 9)
        found = read(*truth.sample(true, peak, 1.5, rng, long_by))
        assert found.verdict == "good"
        off.append(found.t01_us["value"] - true.t01)
        held.append([e["lo"] <= t <= e["hi"] for e, t in ((found.t05_us, true.t05), (found.t01_us, true.t01))])
    assert np.max(np.abs(off)) <= max(0.05 * true.t01, 2.0)
    # 40 intervals of 95 %: fewer than 31 would be less likely than 1 in 10,000
    assert np.sum(held) >= 31


def test_the_shape_is_told():
    rng = np.random.default_rng(4)
    for shape, word in zip(truth.SHAPES, ("exponential", "cut off", "exponential"), strict=True):
        assert read(*truth.sample(truth.MAKERS[shape](300), 2000, 1.5, rng)).shape == word


def test_what_cannot_be_measured_is_refused_with_advice():
    rng = np.random.default_rng(5)
    codes, start = truth.sample(truth.rise_and_decay(200), 1500, 1.0, rng, base=100.0)
    twice = codes.astype(float)
    twice[60:] += (codes - 100.0)[:-60]
    cases = {
        "saturated": np.minimum(codes * 3, 4095),
        "weak": 100 + (codes - 100.0) / 30,
        "cut": codes[:100],
        "none": codes[:60],
        "several": twice,
    }
    for verdict, seen in cases.items():
        found = read(np.round(seen), start)
        assert found.verdict == verdict and found.t01_us["value"] is None and found.advice
    assert read(codes[62:], start).verdict == "cut", "the window began in the light"


def test_several_heads_by_the_mask_and_missing_records_are_refused():
    rng = np.random.default_rng(6)
    rows = truth.table_of([truth.sample(truth.exponential(200), 1500, 1.0, rng) for _ in range(3)])
    rows.loc[1, "flash"], rows.loc[2, "complete"] = 3, False
    found = pulse.measure_all(rows)
    assert list(found["verdict"]) == ["good", "several", "none"] and "missing" in found["advice"][2]
    assert np.isnan(found["t01_us"][1]) and list(found.columns) == pulse.columns()
    assert pulse.measure_all(rows, light_ok=[False, True, True])["verdict"].tolist()[0] == "several"


def test_long_codes_and_bandwidth_widen_the_interval():
    rng = np.random.default_rng(7)
    codes, start = truth.sample(truth.rise_and_decay(100), 1500, 1.0, rng)
    plain, long = (read(codes, start, step_lengths=s).t01_us for s in ((0, 0), (0, 9)))
    slow = read(codes, start, step_lengths=(0, 0), bandwidth_hz=50_000).t01_us
    assert plain["sys"] == 0 < long["sys"] and long["hi"] - long["lo"] > plain["hi"] - plain["lo"]
    assert slow["sys"] > 0


def rows_of(t01, n, seed, peak=1500.0, scatter=0.01):
    rng = np.random.default_rng(seed)
    true = truth.rise_and_decay(t01)
    made = [truth.sample(true, peak * (1 + rng.normal(0, scatter)), 1.5, rng) for _ in range(n)]
    return pulse.measure_all(truth.table_of(made))


def test_a_summary_counts_what_it_left_out_and_does_not_shrink_below_what_all_share():
    rows = rows_of(200, 12, 8)
    rows.loc[3, "verdict"] = "weak"
    found = pulse_heads.summary(rows)
    assert found["n"] == 11 and found["left_out"] == {"weak": 1}
    t01 = found["t01_us"]
    assert t01["lo"] <= truth.rise_and_decay(200).t01 <= t01["hi"] and (t01["hi"] - t01["lo"]) / 2 >= t01["sys"] > 0


def test_heads_are_alike_not_alike_or_not_known():
    a = rows_of(200, 8, 9)
    assert pulse_heads.alike(a, rows_of(205, 8, 10))["what"] == "alike"
    apart = pulse_heads.alike(a, rows_of(300, 8, 11))
    assert apart["what"] == "not alike" and apart["figure"]["lo"] > 2 ** (1 / 6)
    assert pulse_heads.alike(a, rows_of(205, 2, 12))["what"] == "not known"


def test_ready_times_of_both_laws_are_found():
    # maths: a capacitor charged through a resistor has 90 % of its energy after 2.970 tau; half of it after 1.228
    assert abs(pulse_charge.READY_TAUS - 2.970) < 5e-4
    assert pulse_charge.share("resistor", 1.228, pulse_charge.READY_TAUS) == pytest.approx(0.5, abs=5e-4)
    gap, held = np.repeat([0.5, 1.0, 2.0, 4.0, 8.0], 3), 0
    for seed in range(40):
        rng, law = np.random.default_rng(seed), pulse_charge.MODELS[seed % 2]
        found = pulse_charge.charge_curve(
            gap, 900 * pulse_charge.share(law, gap, 3.0) * np.exp(rng.normal(0, 0.02, 15))
        )
        assert found["model"] == law and found["ready_s"]["value"] == pytest.approx(3.0, rel=0.06)
        held += found["ready_s"]["lo"] <= 3.0 <= found["ready_s"]["hi"]
    assert held >= 33


def test_gaps_that_do_not_carry_a_ready_time_say_so():
    gap = np.repeat([0.5, 1.0, 2.0, 4.0], 3)
    rng = np.random.default_rng(15)
    noise = np.exp(rng.normal(0, 0.02, 12))
    always = pulse_charge.charge_curve(gap, 900 * noise)
    never = pulse_charge.charge_curve(gap, 900 * pulse_charge.share("constant power", gap, 40.0) * noise)
    few = pulse_charge.charge_curve(gap[:3], noise[:3])
    assert always["ready_s"]["value"] is None and "shortest gap" in always["text"]
    assert never["ready_s"]["value"] is None and "longer gaps" in never["text"]
    assert few["ready_s"]["value"] is None and "n = 3" in few["text"]


def test_a_night_counts_pulses_and_measures_heads_that_fired_alone():
    rng = np.random.default_rng(16)
    rows = truth.table_of([truth.sample(truth.exponential(200), 1500, 1.0, rng) for _ in range(5)])
    rows["flash"] = [1, 1, 2, 7, 7]
    said = {"boot": [0, 0, 0], "t_ns": [10**9, 2 * 10**9, 2 * 10**9], "value": [1, 4, 2_500_000], "index": [0, 0, 0]}
    readings = pd.DataFrame(said | {"kind": ["pulses_dropped", "pulses_dropped", "pulse_blind_us"]})
    clock = SimpleNamespace(utc_us=lambda boot, t_ns: 10**15 + np.asarray(t_ns) // 1000)
    fires = table("fires", {"fire_id": [7], "boot": [0], "t_us": [3_000_400.0]})
    found, est = night_pulses(SimpleNamespace(pulses=rows, readings=readings), clock, fires)
    assert list(found.columns) == list(TABLES["pulses"]) and list(found["fire_id"]) == [-1, -1, 7, -1, -1]
    assert list(found["flash"]) == ["FLASH1", "FLASH1", "FLASH2", *["FLASH1+FLASH2+FLASH3"] * 2]
    assert est["by_verdict"]["good"] == 3 and est["by_verdict"]["several"] == 2
    assert est["dropped"]["commit_due"] == 4 and est["blind_s"] == 2.5 and set(est["heads"]) == {"FLASH1", "FLASH2"}
    assert max(est["heads"]["FLASH1"]["typical"]["share"]) == pytest.approx(1, abs=0.1)
