"""Several nights: rates, windows, comparisons and trends on nights whose law is known."""

import warnings

import numpy as np
import pytest
from duskgate.analysis import season
from duskgate.analysis.season import NightView

DAY_US = 86_400 * 10**6


def drawn(rng, k: int, rate=lambda h: 12.0, hours=(0.0, 9.0), closed=(), spread=0.3) -> NightView:
    """A night of visits at rate(h) an hour, the whole night more or less busy."""
    lift = rng.lognormal(-0.5 * spread**2, spread) if spread else 1.0
    grid = np.arange(hours[0], hours[1], 1 / 60)
    n = rng.poisson([lift * rate(h) / 60 for h in grid])
    at = np.sort(np.repeat(grid, n) + rng.random(n.sum()) / 60) * 3600
    shut = np.array(closed, float).reshape(-1, 2) * 3600
    for lo, hi in shut:
        at = at[(at < lo) | (at > hi)]
    return NightView(str(k), k * DAY_US, at, (hours[0] * 3600, hours[1] * 3600), shut)


def hump(h: float) -> float:
    return 4 + 40 * np.exp(-0.5 * ((h - 2.5) / 0.8) ** 2)


def test_exposure_of_bins_leaves_out_what_was_dark_or_off():
    night = NightView("a", 0, np.zeros(0), (1800.0, 9000.0), np.array([[3600.0, 5400.0]]))
    assert night.exposure(np.arange(0, 14_401, 3600.0)).tolist() == [1800.0, 1800.0, 1800.0, 0.0]
    assert night.live_s == 5400


def test_dark_hours_do_not_pull_the_rate_down():
    rng = np.random.default_rng(1)
    nights = [drawn(rng, k, closed=[(3.0, 4.5)] if k % 2 else [], spread=0.0) for k in range(40)]
    table = season.rate_by_time(nights)
    dark = table[table["start_s"] == 3 * 3600.0].iloc[0]
    assert dark["n_nights"] == 20 and dark["rate_per_h"] == pytest.approx(12, rel=0.2)
    assert np.mean(table["lo"] <= 12.0) > 0.7 and np.mean(table["hi"] >= 12.0) > 0.7


def test_an_hour_without_a_visit_is_bounded_by_counting_widened_by_the_bouts_of_the_other_hours():
    rng = np.random.default_rng(21)
    nights = []
    for k in range(5):  # bouts of six visits, 20 s apart, in the first five hours only
        bouts = np.sort(rng.uniform(0, 5 * 3600 - 120, 30))
        at = np.sort((bouts[:, None] + 20.0 * np.arange(6)).ravel())
        nights.append(NightView(str(k), k * DAY_US, at, (0.0, 8 * 3600.0), np.zeros((0, 2))))
    table = season.rate_by_time(nights)
    phi = season.dispersion_of(nights)
    assert 4.5 < phi < 7.5  # whole bouts in their bins: variance over mean is the bout's size
    quiet = table[table["start_s"] >= 5 * 3600]
    assert not quiet["n"].to_numpy().any() and not quiet["lo"].to_numpy().any()
    assert quiet["hi"].to_numpy() == pytest.approx(phi * 3.6889 / 5, rel=1e-4)  # Garwood 1936: 3.6889 for none


def test_unequal_and_interrupted_nights_count_by_their_hours():
    rng = np.random.default_rng(2)
    nights = [
        drawn(rng, 0, hours=(0, 3), spread=0),
        drawn(rng, 1, hours=(2, 9), spread=0),
        drawn(rng, 2, closed=[(1, 8)], spread=0),
    ]
    table = season.rate_by_time(nights)
    assert table["n_nights"].tolist() == [2, 1, 2, 1, 1, 1, 1, 1, 2]
    assert sum(table["exposure_s"]) == pytest.approx((3 + 7 + 2) * 3600)
    assert np.isnan(table["lo"]).all()  # never three nights in one bin


def test_best_window_and_its_rivals():
    rng = np.random.default_rng(3)
    held, regret, size = 0, [], []
    for _ in range(60):
        best = season.best_window([drawn(rng, k, hump) for k in range(5)])
        held += [5400.0, 12_600.0] in best["not_beaten"]
        middle = (best["start_s"] + best["end_s"]) / 7200
        regret.append(
            1
            - np.mean([hump(middle + d) for d in np.linspace(-1, 1, 41)])
            / np.mean([hump(2.5 + d) for d in np.linspace(-1, 1, 41)])
        )
        size.append(len(best["not_beaten"]))
    assert held >= 57  # of 60; at 95 % fewer happens in 8 % of runs, but the seed is fixed
    assert np.mean(regret) < 0.02 and np.mean(size) < 8


def test_one_night_ranks_no_windows():
    best = season.best_window([drawn(np.random.default_rng(4), 0, hump)])
    assert len(best["not_beaten"]) == best["n_windows"] and "first hint" in best["text"]
    assert best["rate_per_h"]["value"] is None


def test_a_night_too_short_for_any_window_does_not_count_and_does_not_complain():
    rng = np.random.default_rng(8)
    nights = [drawn(rng, k, hump) for k in range(4)]
    short = NightView("short", 0, np.array([60.0]), (0.0, 600.0), np.zeros((0, 2)))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("default", ResourceWarning)  # what an earlier test left open
        best = season.best_window([*nights, short])
    assert best["start_s"] == season.best_window(nights)["start_s"] and best["n_nights"] == 5


def test_no_nights_or_no_visits_give_no_window():
    assert season.best_window([])["value"] is None
    quiet = [NightView(str(k), 0, np.zeros(0), (0.0, 30_000.0), np.zeros((0, 2))) for k in range(4)]
    assert season.best_window(quiet)["value"] is None


def test_two_sites_are_compared_by_a_ratio_that_holds_the_truth():
    rng, held = np.random.default_rng(5), 0
    for _ in range(300):
        a, b = [drawn(rng, k, lambda h: 18.0) for k in range(6)], [drawn(rng, k, hours=(0, 5)) for k in range(8)]
        e = season.compare_rates(a, b)
        held += e["lo"] <= 1.5 <= e["hi"]
    assert 0.91 <= held / 300 <= 0.985
    assert season.compare_rates(a[:2], b)["value"] is None


def test_trend_over_weeks():
    rng = np.random.default_rng(6)
    rising = [drawn(rng, k, lambda h, k=k: 8 * 1.2 ** (k / 7), spread=0.1) for k in range(28)]
    e = season.trend(rising)
    assert e["lo"] < 1.2 < e["hi"] and e["lo"] > 1.1
    level = season.trend([drawn(rng, k, spread=0.1) for k in range(28)])
    assert level["lo"] < 1 < level["hi"]
    assert season.trend(rising[:4])["value"] is None


def test_spread_of_nights_beyond_counting():
    rng = np.random.default_rng(7)
    even, uneven = ([drawn(rng, k, spread=s) for k in range(30)] for s in (0.0, 0.6))
    assert season.spread(even)["beyond_counting"] < 0.5 < season.spread(uneven)["beyond_counting"]
    cv = season.spread(uneven)["cv"]
    assert cv["lo"] < np.sqrt(np.exp(0.36) - 1) < cv["hi"]
