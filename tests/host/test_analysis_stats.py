"""Intervals against printed figures and against other people's code."""

import numpy as np
import pytest
from duskgate.analysis import rates, season
from duskgate.analysis.stats import garwood, lacking, quantile_estimate, quantile_ranks, share, wilson
from scipy import stats
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

# Exact Poisson limits, 95 %. k = 0: the documentation of R's epitools prints 3.689; k = 10: a printed calculator page
# gives 4.80 - 18.39; k = 25: GraphPad's FAQ prints 16.18 - 36.90. The rest was computed with scipy's chi2.
POISSON_95 = {
    0: (0.0, 3.6889), 1: (0.0253, 5.5716), 2: (0.2422, 7.2247), 5: (1.6235, 11.6683), 10: (4.7954, 18.3904),
    25: (16.1787, 36.9049), 100: (81.3640, 121.6268),
}  # fmt: skip


@pytest.mark.parametrize("k", POISSON_95)
def test_poisson_limits_are_those_of_the_tables(k):
    assert np.allclose([float(v) for v in garwood(k)], POISSON_95[k], atol=5e-4)  # the tables have four decimals


@pytest.mark.parametrize("k", [0, 1, 3, 7, 20, 77])
def test_poisson_limits_agree_with_statsmodels(k):
    # statsmodels 0.15, method exact-c
    assert np.allclose(garwood(k), confint_poisson(k, 1, method="exact-c"), rtol=1e-9)


def test_rate_interval_without_dispersion_is_that_of_r():
    # Welsh nickel workers: 137 events in 24.19893, documentation of R's poisson.test (remembered): 4.753125 - 6.692709
    lo, hi = rates.interval(137, 24.19893 * 3600, 1.0)
    assert (float(lo), float(hi)) == pytest.approx((4.753125, 6.692709), abs=1e-6)


def test_coal_mining_disasters_before_and_after_1891():
    # Jarrett 1979: 127 in 41 years and 64 in 71 years; limits computed with scipy and statsmodels
    assert np.allclose(rates.interval(127, 41 * 3600, 1.0), (2.5823, 3.6855), atol=1e-4)
    assert np.allclose(rates.interval(64, 71 * 3600, 1.0), (0.6942, 1.1511), atol=1e-4)


# Newcombe 1998, Stat. Med. 17:857, table I (remembered): score intervals
@pytest.mark.parametrize(
    ("x", "n", "lo", "hi"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_shares_have_the_score_interval_of_newcombes_table(x, n, lo, hi):
    assert wilson(x, n) == pytest.approx((lo, hi), abs=5e-5)
    assert wilson(x, n) == pytest.approx(proportion_confint(x, n, method="wilson"), abs=1e-12)
    assert share(x, n)["value"] == x / n and share(x, n)["n"] == n


# Ranks of the order statistics that hold a quantile, 95 %; computed, and scipy's quantile_test agrees
@pytest.mark.parametrize(
    ("n", "p", "ranks"),
    [
        (6, 0.5, (1, 6)),
        (10, 0.5, (2, 9)),
        (20, 0.5, (6, 15)),
        (100, 0.5, (40, 61)),
        (100, 0.9, (84, 96)),
        (50, 0.9, (41, 50)),
    ],
)
def test_quantile_ranks(n, p, ranks):
    assert quantile_ranks(n, p) == ranks


@pytest.mark.parametrize(("n", "p"), [(25, 0.5), (100, 0.5), (100, 0.9), (400, 0.95)])
def test_quantile_limits_agree_with_scipy(n, p):
    x = np.random.default_rng(n).normal(size=n)
    other = stats.quantile_test(x, p=p).confidence_interval(0.95)
    own = quantile_estimate(x, p)
    assert (own["lo"], own["hi"]) == pytest.approx((other.low, other.high))


def test_too_few_values_for_a_quantile_say_so():
    # P(all 5 on one side of the median) = 2 / 32 > 5 %
    assert quantile_estimate(np.arange(5.0), 0.5)["value"] is None
    few = quantile_estimate(np.arange(30.0), 0.95)
    assert few["value"] is None and few["need"] > 30 and "not enough data, n = 30" in few["text"]
    assert lacking(3, 12)["text"] == "not enough data, n = 3, need about 12"


def test_dispersion_of_poisson_counts_is_near_one_and_of_bursts_is_not():
    rng = np.random.default_rng(3)
    full = np.full(3000, 600.0)
    assert rates.dispersion(rng.poisson(4, 3000), full, 600.0) == pytest.approx(1.0, abs=0.06)
    bursts = rng.poisson(0.8, 3000) * 5  # variance over mean is 5
    assert rates.dispersion(bursts, full, 600.0) == pytest.approx(5.0, rel=0.1)


def test_dispersion_ignores_a_slow_rise_and_bins_that_were_dark():
    rng = np.random.default_rng(4)
    mean = np.linspace(1, 60, 400)
    assert rates.dispersion(rng.poisson(mean), np.full(400, 600.0), 600.0) < 1.2
    counts, seen = rng.poisson(50, 400), np.full(400, 600.0)
    counts[100:150], seen[100:150] = 0, 60.0
    assert rates.dispersion(counts, seen, 600.0) < 1.3


def test_rate_over_nights_holds_the_mean_of_uneven_nights_about_19_times_in_20():
    # gamma-mixed counts, nights of 4 to 10 h; +-3 sd of 1200 trials at 95 % is +-1.9 points
    rng, held, trials = np.random.default_rng(11), 0, 1200
    for _ in range(trials):
        hours = rng.uniform(4, 10, 6)
        n = rng.poisson(12 * hours * rng.gamma(4, 1 / 4, 6))
        e = season.rate_over_nights(n, hours * 3600)
        held += e["lo"] <= 12 <= e["hi"]
    assert 0.92 <= held / trials <= 0.98


def test_rate_over_nights_of_few_visits_does_not_hold_far_too_often():
    # one visit a night on average: what counting alone gives is no guess from 4 nights, and needs no wide t
    rng, held, trials = np.random.default_rng(12), 0, 1500
    for _ in range(trials):
        e = season.rate_over_nights(rng.poisson(rng.gamma(6, 1 / 6, 4)), np.full(4, 3600.0))
        held += e["lo"] <= 1 <= e["hi"]
    assert 0.93 <= held / trials <= 0.985


@pytest.mark.parametrize("hours", [[10.0, 10.0, 10.0], [4.0, 9.5, 6.0, 8.0]])
def test_nights_without_a_visit_have_the_exact_limit_of_a_poisson_count(hours):
    e = season.rate_over_nights(np.zeros(len(hours), int), np.array(hours) * 3600)
    assert (e["value"], e["lo"], e["n"]) == (0, 0, len(hours))
    # statsmodels 0.15, method exact-c; scipy: half the 97.5 % point of chi square with two degrees of freedom
    assert e["hi"] == pytest.approx(confint_poisson(0, sum(hours), method="exact-c")[1], rel=1e-9)
    assert e["hi"] == pytest.approx(stats.chi2.ppf(0.975, 2) / 2 / sum(hours), rel=1e-9)
    wide = season.rate_over_nights(np.zeros(len(hours), int), np.array(hours) * 3600, dispersion=4.0)
    assert wide["hi"] == pytest.approx(4 * e["hi"])


def test_two_nights_are_not_enough_for_a_rate_over_nights():
    e = season.rate_over_nights(np.array([3, 9]), np.array([3600.0, 3600.0]))
    assert e["value"] is None and e["n"] == 2 and e["seen"] == 6.0


HOUR_US, NO_GAPS = 3_600_000_000, np.zeros((0, 2), np.int64)


def setting_up_by_day() -> np.ndarray:
    """Ten hours: sixty breaks while the rig is set up in the first two, from the fourth on twelve visits an hour."""
    return np.sort(np.concatenate([np.arange(60) * 110, 4 * 3600 + np.arange(36) * 300])).astype(np.int64) * 1_000_000


def test_the_best_window_keeps_to_the_hours_of_the_visitor():
    starts, hours = setting_up_by_day(), (3 * HOUR_US, 10 * HOUR_US)
    free = rates.best_window(starts, NO_GAPS, 0, 10 * HOUR_US, 7200, 1800, 1.0)
    kept = rates.best_window(starts, NO_GAPS, 0, 10 * HOUR_US, 7200, 1800, 1.0, hours)
    assert free["start_utc_us"] == 0 and free["hours_kept"] is None
    assert kept["start_utc_us"] >= 4 * HOUR_US and kept["hours_kept"] is True
    assert all(a >= hours[0] and b <= hours[1] for a, b in kept["not_beaten"])
    beside = rates.best_window(starts, NO_GAPS, 0, 10 * HOUR_US, 7200, 1800, 1.0, (9 * HOUR_US, 20 * HOUR_US))
    assert beside["hours_kept"] is False and beside["start_utc_us"] == 0  # one hour is no window: all were searched


def test_the_best_window_has_sight_at_both_ends():
    starts = np.arange(36, dtype=np.int64) * 300_000_000 + 4 * HOUR_US
    closed = np.array([[3 * HOUR_US, 4 * HOUR_US], [7 * HOUR_US, 9 * HOUR_US]], np.int64)
    best = rates.best_window(starts, closed, 0, 10 * HOUR_US, 7200, 1800, 1.0)
    for a, b in best["not_beaten"]:
        assert not (3 * HOUR_US <= a < 4 * HOUR_US - 1_800_000_000 + 1 and b > 4 * HOUR_US)
        assert not (7.5 * HOUR_US <= b <= 9 * HOUR_US)
