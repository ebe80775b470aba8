"""Light pulses: how often the intervals hold the truth, and how rarely the statements on heads are wrong.

Every count is of independent pulses (or pairs of heads), one quantity each. Bounds are those of the binomial law
(`limit`), so that a right estimator fails one of these tests less than once in 1,000 changes of the seeds.
"""

import numpy as np
import pandas as pd
import pytest
from duskgate.analysis import pulse, pulse_charge, pulse_figures, pulse_heads
from scipy.integrate import quad
from scipy.signal import lfilter
from scipy.special import bdtr, bdtri, ndtr

from tests.truth import pulses as truth

LEVEL, RARE = 0.95, 1e-3


def fewest(n, p=LEVEL, rare=RARE):
    """Fewest of n that a share p gives, but for chances below `rare` (binomial law)."""
    k = np.arange(n + 1)
    return int(k[bdtr(k, n, p) >= rare][0])


def most(n, p, rare=RARE):
    """Most of n that a share p gives, but for chances below `rare`."""
    return n - fewest(n, 1 - p, rare)


def test_the_bounds_are_those_of_the_binomial_law():
    # scipy.special.bdtri inverts the law in p: at the bound the chance is what was asked for
    k = fewest(100)
    assert bdtr(k - 1, 100, LEVEL) < RARE <= bdtr(k, 100, LEVEL) and bdtri(
        k, 100, bdtr(k, 100, LEVEL)
    ) == pytest.approx(LEVEL)


def test_the_factor_of_even_errors_is_that_of_the_convolution():
    for part, z in zip(pulse_figures.EVEN_SHARES[1:-1], pulse_figures.Z95_EVEN[1:-1], strict=True):
        half, sd = np.sqrt(3 * part), np.sqrt(1 - part)
        inside = quad(lambda u, z=z, sd=sd: ndtr((z - u) / sd) - ndtr((-z - u) / sd), -half, half)[0] / (2 * half)
        assert inside == pytest.approx(LEVEL, abs=3e-4)
    assert pulse_figures.Z95_EVEN[-1] == pytest.approx(LEVEL * np.sqrt(3), abs=1e-3)


@pytest.mark.parametrize("figure", ["t05_us", "t01_us"])
@pytest.mark.parametrize("shape", truth.SHAPES)
@pytest.mark.parametrize(("t01", "peak", "noise"), [(45, 1500, 1.5), (400, 600, 4.0), (2000, 2500, 0.5)])
def test_durations_are_held_by_their_intervals_as_often_as_stated(shape, t01, peak, noise, figure):
    rng, held, n = np.random.default_rng(7000 + t01), 0, 60
    for _ in range(n):
        true = truth.MAKERS[shape](t01 * rng.uniform(0.9, 1.1))
        codes, start = truth.sample(true, peak * rng.uniform(0.8, 1.25), noise, rng, truth.long_codes(rng))
        found = getattr(pulse.measure(codes, start, 2000), figure)
        held += found["lo"] <= (true.t05 if figure == "t05_us" else true.t01) <= found["hi"]
    assert held >= fewest(n)


def low_passed(true, bandwidth_hz):
    """The pulse behind a first-order low-pass (scipy.signal.lfilter on a grid of 0.05 us)."""
    grid = np.arange(-400.0, 8 * true.t01, 0.05)
    kept = np.exp(-0.05e-6 * 2 * np.pi * bandwidth_hz)
    seen = lfilter([1 - kept], [1, -kept], true.light(grid))
    return truth.Pulse(lambda t: np.interp(t, grid, seen), true.t05, true.t01, true.energy)


@pytest.mark.parametrize("bandwidth_hz", [50_000, 150_000])
def test_a_known_bandwidth_is_undone(bandwidth_hz):
    rng, n = np.random.default_rng(7100), 40
    true = truth.rise_and_decay(150)
    slow = low_passed(true, bandwidth_hz)
    held, off, plain = np.zeros(2, int), [], []
    for _ in range(n):
        codes, start = truth.sample(slow, rng.uniform(1500, 2500), 1.0, rng, truth.long_codes(rng))
        found = pulse.measure(codes, start, 2000, pulse.PulseSensor(bandwidth_hz=bandwidth_hz))
        held += [e["lo"] <= t <= e["hi"] for e, t in ((found.t05_us, true.t05), (found.t01_us, true.t01))]
        off.append(found.t01_us["value"] - true.t01)
        plain.append(pulse.measure(codes, start, 2000).t01_us["value"] - true.t01)
    assert held.min() >= fewest(n)
    assert abs(np.mean(off)) < 0.5 * abs(np.mean(plain)), "the low-pass makes the light look longer"


@pytest.mark.parametrize("t01", [40, 400])
@pytest.mark.parametrize("shape", ["exponential", "cut off"])
@pytest.mark.parametrize("bandwidth_hz", [50_000, 200_000, 470_000])
def test_a_known_bandwidth_is_undone_where_light_begins_at_once(bandwidth_hz, shape, t01):
    rng, n = np.random.default_rng(7150 + t01), 40
    true = truth.MAKERS[shape](t01)
    slow = low_passed(true, bandwidth_hz)
    held, off = np.zeros(2, int), []
    for _ in range(n):
        codes, start = truth.sample(slow, rng.uniform(1500, 2500), 1.0, rng, truth.long_codes(rng))
        found = pulse.measure(codes, start, 2000, pulse.PulseSensor(bandwidth_hz=bandwidth_hz))
        held += [e["lo"] <= t <= e["hi"] for e, t in ((found.t05_us, true.t05), (found.t01_us, true.t01))]
        off.append(found.t01_us["value"] - true.t01)
    assert held.min() >= fewest(n)
    # within one sample or 5 %: the target for t0.1 from 40 us up
    assert np.sqrt(np.mean(np.square(off))) < max(2.0, 0.05 * true.t01)


def head(rng, energy, n, scatter, own):
    """Rows of one head: energies that scatter by a share, each with an interval of its own."""
    value = energy * (1 + rng.normal(0, scatter, n))
    return pulse_rows(value, own * energy)


def pulse_rows(value, half):
    one = {"verdict": "good", "peak": 1500.0, "energy": value, "energy_lo": value - half, "energy_hi": value + half}
    return pd.DataFrame(one | {"energy_sys": 0.0})


@pytest.mark.parametrize("n", [3, 8])
@pytest.mark.parametrize(
    ("ratio", "wrong", "rate"), [(2 ** (1 / 6), "alike", 0.05), (2 ** (1 / 6), "not alike", 0.025)]
)
def test_alike_errs_as_rarely_as_stated_at_the_edge_of_its_band(n, ratio, wrong, rate):
    # at the edge "alike" is wrong in at most 5 % (two one-sided tests), and "not alike" in at most 2.5 %
    rng, times = np.random.default_rng(7200 + n), 120
    band = {"energy": 2 ** (1 / 6)}
    said = [
        pulse_heads.alike(head(rng, 1000, n, 0.03, 0.004), head(rng, 1000 * ratio, n, 0.03, 0.004), band)["what"]
        for _ in range(times)
    ]
    assert said.count(wrong) <= most(times, rate)


def test_alike_finds_equal_heads_alike_and_unequal_ones_not():
    rng, band = np.random.default_rng(7300), {"energy": 2 ** (1 / 6)}
    for ratio, word in ((1.0, "alike"), (1.4, "not alike")):
        pairs = ((head(rng, 1000, 8, 0.03, 0.004), head(rng, 1000 * ratio, 8, 0.03, 0.004)) for _ in range(40))
        assert sum(pulse_heads.alike(a, b, band)["what"] == word for a, b in pairs) >= 36


@pytest.mark.parametrize("scatter", [0.0, 0.01, 0.05])
def test_the_interval_of_a_summary_holds_the_mean_with_little_and_much_scatter(scatter):
    # scatter between pulses, and within each pulse an error of 1 % (half width 1.96 %)
    rng, times, n = np.random.default_rng(7400), 200, 6
    held = 0
    for _ in range(times):
        value = 1000 * (1 + rng.normal(0, scatter, n)) * (1 + rng.normal(0, 0.01, n))
        found = pulse_heads._mean(pulse_rows(value, 19.6), "energy")
        held += found["lo"] <= 1000 <= found["hi"]
    assert held >= fewest(times)


def test_the_interval_of_a_summary_holds_the_light_of_a_head_measured():
    held, times = 0, 60
    for seed in range(times):
        rng = np.random.default_rng(7500 + seed)
        lengths, mean, shots = truth.long_codes(rng), 300.0 * rng.uniform(0.9, 1.1), []
        for _ in range(5):
            true = truth.exponential(mean * (1 + rng.normal(0, 0.01)))
            shots.append(truth.sample(true, 1500 * (1 + rng.normal(0, 0.01)), 1.5, rng, lengths))
        found = pulse_heads.summary(pulse.measure_all(truth.table_of(shots)))["t01_us"]
        held += found["lo"] <= mean <= found["hi"]
    assert held >= fewest(times)


@pytest.mark.parametrize("law", pulse_charge.MODELS)
@pytest.mark.parametrize(("ready", "scatter"), [(1.5, 0.01), (3.0, 0.02), (3.0, 0.05), (5.0, 0.03)])
def test_ready_times_are_held_as_often_as_stated(law, ready, scatter):
    rng, times, held = np.random.default_rng(7600), 60, 0
    gap = np.repeat([0.5, 1.0, 2.0, 4.0, 8.0], 3)
    for _ in range(times):
        energy = 900 * pulse_charge.share(law, gap, ready) * np.exp(rng.normal(0, scatter, len(gap)))
        found = pulse_charge.charge_curve(gap, energy)["ready_s"]
        held += found["value"] is not None and found["lo"] <= ready <= found["hi"]
    assert held >= fewest(times)
