"""Recycle time: the likelihood against published fits, the curve against known truth, and what is not claimed."""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from duskgate.analysis import recycle_blend, recycle_fit
from duskgate.analysis.forecast import Stretched, head_forecasts, template_of
from duskgate.analysis.recycle import estimate_recycle
from duskgate.analysis.recycle_data import Trials, rough_threshold, trials
from duskgate.analysis.recycle_fit import Data, Flat, Power, Steps, at_reference, evaluate, profile, solve
from scipy import stats

from tests.truth.kinds import PLANS
from tests.truth.night import make
from tests.truth.score import run

FEW_LAPSES = -12.0  # logit: what published fits without a lapse correspond to


def plain(x, fired, weight=None) -> Data:
    n = len(x)
    zero = np.zeros(n, int)
    return Data(
        np.asarray(x, float),
        np.asarray(fired, bool),
        np.zeros(n),
        zero,
        zero,
        np.ones(n) if weight is None else weight,
        1,
        1,
    )


def test_likelihood_and_slope_at_a_published_kind_of_staircase():
    # Made-up staircase of 60 trials; its probit fit by scipy and statsmodels: m 5.016323, s 0.604957, -logL 32.657601.
    counts = {4.0: (0, 3), 4.5: (3, 12), 5.0: (12, 11), 5.5: (11, 4), 6.0: (4, 0)}
    x = np.repeat(list(counts), 2)
    weight = np.array([n for pair in counts.values() for n in pair], float)
    data = plain(x, np.tile([True, False], 5), weight)
    loglik, *_ = evaluate(np.array([5.016323, np.log(0.604957), FEW_LAPSES]), data, Flat(), 0.0)
    assert loglik == pytest.approx(-32.657601, abs=0.01)  # the floor of 2e-4 costs that much
    for move in (0.03, -0.03):
        worse, *_ = evaluate(np.array([5.016323 + move, np.log(0.604957), FEW_LAPSES]), data, Flat(), 0.0)
        assert worse < loglik


def test_beetle_mortality_gives_the_published_median_dose():
    # Bliss 1935, as in Dobson's GLM text (remembered): probit -34.935 + 19.728 x, so the median dose is 1.7708
    dose = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
    n, dead = np.array([59, 60, 62, 56, 63, 59, 62, 60]), np.array([6, 13, 18, 28, 52, 53, 61, 60])
    weight = np.column_stack([dead, n - dead]).ravel().astype(float)
    fit = solve(
        plain(np.repeat(dose, 2), np.tile([True, False], 8), weight), Flat(), np.array([1.77, np.log(0.05), -6.0])
    )
    assert fit.theta[0] == pytest.approx(1.7708, abs=0.0038)  # its standard error; our fit has priors and a lapse
    lo, hi = profile(fit, 0)
    assert lo < 1.7708 < hi and (hi - lo) / 2 / 1.96 == pytest.approx(0.0038, rel=0.25)


def test_without_lapses_the_fit_agrees_with_a_probit_of_statsmodels():
    rng = np.random.default_rng(8)
    x = rng.normal(0, 0.3, 3000)
    fired = x + 0.1 * rng.normal(size=3000) > 0
    other = sm.GLM(
        fired.astype(float), sm.add_constant(x), family=sm.families.Binomial(sm.families.links.Probit())
    ).fit()
    fit = solve(plain(x, fired), Flat(), np.array([0.0, np.log(0.2), -5.0]))
    assert fit.theta[0] == pytest.approx(-other.params[0] / other.params[1], abs=0.004)
    assert fit.sigma == pytest.approx(1 / other.params[1], rel=0.06)


def test_shuttle_seals_have_the_published_probit_as_their_maximum():
    # Dalal, Fowlkes & Hoadley 1989, 23 flights (remembered); probit by statsmodels: 8.77495 - 0.135096 x, so 64.9532
    degrees = [66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79, 75, 76, 58]
    damaged = [0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1]
    data = plain(degrees, np.logical_not(damaged))
    best = np.array([64.9532, np.log(1 / 0.135096), FEW_LAPSES])
    top, *_ = evaluate(best, data, Flat(), 0.0)
    for move in ([0.3, 0, 0], [-0.3, 0, 0], [0, 0.05, 0], [0, -0.05, 0]):
        assert evaluate(best + move, data, Flat(), 0.0)[0] < top


def test_without_lapses_the_fit_agrees_with_censored_data_of_scipy():
    """A gap that fired is above its head's threshold, one that missed below: thresholds censored on either side."""
    rng = np.random.default_rng(11)
    x = rng.normal(0, 0.3, 3000)
    fired = x + 0.12 * rng.normal(size=3000) > 0.05
    middle, width = stats.norm.fit(stats.CensoredData(left=x[fired], right=x[~fired]))
    fit = solve(plain(x, fired), Flat(), np.array([0.0, np.log(0.2), -5.0]))
    assert fit.theta[0] == pytest.approx(middle, abs=0.004)
    assert fit.sigma == pytest.approx(width, rel=0.05)


@pytest.mark.parametrize(
    "curve",
    [
        Flat(),
        Power(),
        Steps(np.array([0.0, 0.2, 0.5, 1.0])),
        Stretched(np.array([0, 0.5, 1.5]), np.array([0, 0.2, 0.9])),
    ],
)
def test_gradient_is_that_of_the_posterior(curve):
    rng = np.random.default_rng(3)
    n = 200
    data = Data(
        rng.normal(0, 0.4, n),
        rng.random(n) < 0.5,
        rng.random(n),
        rng.integers(0, 2, n),
        rng.integers(0, 2, n),
        np.ones(n),
        2,
        2,
    )
    theta = np.concatenate([[0.05, -0.1], curve.prior_mean + 0.3, [np.log(0.3)], [-2.0, -3.0]])
    gradient = evaluate(theta, data, curve, 0.4)[2]
    for i in range(len(theta)):
        step = np.zeros(len(theta))
        step[i] = 1e-5
        up, down = (evaluate(theta + s, data, curve, 0.4)[1] for s in (step, -step))
        assert gradient[i] == pytest.approx((up - down) / 2e-5, rel=2e-3, abs=2e-3)


def drawn(rng, n=2500, r=(0.9, 1.1), growth=0.0, lapse=0.02, sigma=0.09, gaps=None) -> Trials:
    """Trials of heads whose law is known; fires counted as they come."""
    h = len(r)
    gap, fired, spent = np.zeros((n, h)), np.zeros((n, h), bool), np.zeros((n, h), int)
    since, count = np.zeros(h), np.zeros(h, int)
    for k in range(n):
        step = rng.lognormal(-1.2, 0.5) if rng.random() < 0.75 else rng.lognormal(2.5, 1) if gaps is None else gaps
        since += step
        gap[k], spent[k] = since, count
        now = np.array(r) * (1 + growth * (count / 1000) ** 1.3)
        fired[k] = (np.log(since) > np.log(now) + sigma * rng.normal(size=h)) & (rng.random(h) >= lapse)
        count += fired[k]
        since[fired[k]] = 0.0
    whole = np.zeros((n, h), int)
    return Trials(
        gap, np.zeros((n, h), bool), fired, spent, whole, np.ones(n, bool), [f"FLASH{i + 1}" for i in range(h)]
    )


def test_constant_recycle_is_found_with_honest_limits():
    held, errors = 0, []
    for seed in range(30):
        found = estimate_recycle(drawn(np.random.default_rng(seed)))
        for name, true in (("FLASH1", 0.9), ("FLASH2", 1.1)):
            e = found.report[name]["r50_s"]
            errors.append(e["value"] / true - 1)
            held += e["lo"] <= true <= e["hi"]
        assert found.report["FLASH1"]["lapse"]["lo"] < 0.02 < found.report["FLASH1"]["lapse"]["hi"] * 1.5
    assert np.sqrt(np.mean(np.square(errors))) < 0.02
    assert held >= 51  # of 60 at 95 %: fewer happens once in a thousand


def test_sagging_cells_are_followed_and_told():
    found = estimate_recycle(drawn(np.random.default_rng(1), n=4000, growth=0.8))
    end = found.u_last[(0, 0)]
    report = found.report["FLASH1"]
    assert found.sags and report["growth"]["lo"] > 1.1 and "grows" in report["note"]
    assert report["r50_end_s"]["value"] == pytest.approx(0.9 * (1 + 0.8 * end**1.3), rel=0.05)
    assert report["r50_start_s"]["value"] == pytest.approx(0.9, rel=0.05)


def test_without_misses_only_a_bound_is_given():
    t = drawn(np.random.default_rng(2), n=300, r=(0.01,), lapse=0.0)
    report = estimate_recycle(t).report["FLASH1"]
    assert report["r50_s"]["value"] is None and report["below_s"] == pytest.approx(t.gap[t.fired].min())
    assert "less than" in report["note"]


def test_separated_gaps_give_the_bracket_and_no_fit():
    # gaps 1..6, fired from 4 on: no finite maximum exists, the bracket is (3, 4)
    gap = np.arange(1.0, 7.0)[:, None]
    t = Trials(gap, gap < 0, gap >= 4, np.zeros((6, 1), int), np.zeros((6, 1), int), np.ones(6, bool), ["FLASH1"])
    report = estimate_recycle(t).report["FLASH1"]
    assert report["r50_s"]["value"] is None and report["bracket_s"] == [3.0, 4.0]


def test_a_head_that_never_fired_says_so():
    gap = np.arange(1.0, 7.0)[:, None]
    t = Trials(gap, gap < 0, gap < 0, np.zeros((6, 1), int), np.zeros((6, 1), int), np.ones(6, bool), ["FLASH1"])
    assert "no light" in estimate_recycle(t).report["FLASH1"]["note"]


def test_lost_commands_at_long_gaps_alone_make_no_recycle_time():
    rng = np.random.default_rng(10)
    for _ in range(40):
        gap = np.sort(rng.lognormal(5, 1.2, 120))[:, None]
        fired = rng.random((120, 1)) > 0.06
        none = np.zeros((120, 1), int)
        t = Trials(gap, gap < 0, fired, none, none, np.ones(120, bool), ["FLASH1"])
        assert estimate_recycle(t).report["FLASH1"]["r50_s"]["value"] is None


def test_changed_cells_begin_a_new_curve():
    rng = np.random.default_rng(6)
    old, new = drawn(rng, n=2500, r=(1.5,)), drawn(rng, n=2500, r=(0.9,))
    parts = [np.concatenate([getattr(old, a), getattr(new, a)]) for a in ("gap", "bound", "fired", "spent")]
    cells = np.repeat([[0], [1]], 2500, axis=0)
    found = estimate_recycle(Trials(*parts, cells, np.ones(5000, bool), ["FLASH1"]))
    assert found.report["FLASH1"]["r50_s"]["value"] == pytest.approx(0.9, rel=0.04)
    assert found.report["FLASH1"]["earlier_cells"][0]["r50_s"]["value"] == pytest.approx(1.5, rel=0.04)


def test_gap_counts_from_the_heads_own_light_in_the_same_boot():
    start = np.array([10.0, 20.0, 20.03, 105.0]) * 1e9
    bi = np.array([0, 0, 0, 1])
    light = (np.array([10.003e9, 15e9]), np.array([0, 0]))  # the second one is a stranger's
    t = trials(
        start.astype(np.int64), bi, np.array([0, 100_000_000_000]), [light], np.zeros((4, 1), bool), ["FLASH1"], 3e6,
        [np.zeros(0)], 0.06e9, np.ones(4, bool),
    )  # fmt: skip
    assert t.gap[:, 0] == pytest.approx([10.003, 5.003, 5.033, 5.003])
    assert t.bound[:, 0].tolist() == [True, False, False, True]
    assert t.trial.tolist() == [True, True, False, True]
    assert t.spent[:, 0].tolist() == [0, 2, 2, 2]


def test_rough_threshold_splits_with_fewest_mistakes():
    gap = np.array([0.3, 0.5, 0.8, 1.0, 1.2, 2.0])
    assert 0.8 < rough_threshold(gap, gap > 0.9) < 1.0
    assert np.isnan(rough_threshold(gap, gap > 0))


def test_the_reference_point_moves_no_curve():
    rng = np.random.default_rng(4)
    found = estimate_recycle(drawn(rng, n=3000, growth=0.7))
    moved = at_reference(found.fit, 0.5)
    u = np.linspace(0, 1, 7)
    assert moved.ln_r(np.zeros(7, int), u) == pytest.approx(found.fit.ln_r(np.zeros(7, int), u))
    assert moved.logpost == pytest.approx(found.fit.logpost)
    _, logpost, _, info = evaluate(moved.theta, moved.data, moved.curve, 0.5)
    assert logpost == pytest.approx(moved.logpost)
    assert moved.cov == pytest.approx(np.linalg.inv(info), rel=1e-6, abs=1e-9)


def test_a_step_taken_unlooked_moves_no_limit(monkeypatch):
    for growth in (0.0, 0.8):
        fit = estimate_recycle(drawn(np.random.default_rng(8), n=3000, growth=growth)).fit
        sd = np.sqrt(fit.cov[0, 0])
        quick = profile(fit, 0)
        with monkeypatch.context() as patch:
            patch.setattr(recycle_fit, "FORESEEN", 0.0)
            assert quick == pytest.approx(profile(fit, 0), abs=0.01 * sd)


def test_rows_joined_where_there_are_many_move_no_figure(monkeypatch):
    trials_of_a_night = drawn(np.random.default_rng(9), n=12_000, growth=0.2)
    whole = estimate_recycle(trials_of_a_night)
    monkeypatch.setattr(recycle_fit, "MANY", 0)
    few = estimate_recycle(trials_of_a_night)
    assert len(few.fit.data.u) < 0.8 * len(whole.fit.data.u)
    assert few.fit.data.weight.sum() == pytest.approx(whole.fit.data.weight.sum())
    for name, found in whole.report.items():
        for key in ("r50_s", "r95_s", "lapse"):
            a, b = few.report[name][key], found[key]
            width = b["hi"] - b["lo"]
            assert [a[k] for k in ("value", "lo", "hi")] == pytest.approx(
                [b[k] for k in ("value", "lo", "hi")], abs=0.05 * width
            )


def test_forecast_alone_and_along_an_earlier_night():
    earlier = estimate_recycle(drawn(np.random.default_rng(20), n=5000, growth=0.8))
    tonight = estimate_recycle(drawn(np.random.default_rng(21), n=1900, growth=0.8))
    needed, now = 0.9 * (1 + 0.8 * 0.9**1.3), 1000 * tonight.u_last[(0, 0)]
    assert 550 < now < 800
    for template in (None, template_of(earlier)):
        e = head_forecasts(tonight, ["FLASH1", "FLASH2"], needed, template)["FLASH1"]
        assert e["fires_left"]["value"] + now == pytest.approx(900, rel=0.25)
        assert e["fires_left"]["lo"] + now <= 900 * 1.02 and e["fires_left"]["hi"] + now >= 900 * 0.98
    assert "knee" in head_forecasts(tonight, ["FLASH1"], needed, None)["FLASH1"]["text"]


def test_a_night_without_sag_foretells_nothing():
    found = estimate_recycle(drawn(np.random.default_rng(22), n=1500))
    assert template_of(found) is None
    assert head_forecasts(found, ["FLASH1"], 3.0, None)["FLASH1"]["fires_left"]["value"] is None


def test_tired_cells_of_a_quiet_night_are_not_called_fresh_with_too_much_confidence():
    """Few breaks do not show a slow growth; the interval must still hold the recycle time of the start and the end."""
    plan = replace(PLANS["calm"], name="weary", growth=0.8)
    held = []
    for seed in range(700, 725):
        night = make(plan, seed)
        found = run(night)[0]
        held += [v for k, v in found.items() if k.startswith(("r50_start_cover", "r50_end_cover"))]
    assert len(held) >= 190 and np.mean(held) >= 0.9


def test_a_mixture_of_two_curves_lies_between_and_spans_both():
    one, other = (-0.1, -0.2, 0.0), (0.1, 0.0, 0.2)
    same = recycle_blend._mixed([one, one], [(None, 0.5), (None, 0.5)], 9)
    assert np.log([same["value"], same["lo"], same["hi"]]) == pytest.approx(one, abs=1e-6)
    both = recycle_blend._mixed([one, other], [(None, 0.5), (None, 0.5)], 9)
    assert np.log(both["value"]) == pytest.approx(0, abs=1e-9)
    # of 1e6 draws of the two normals, numpy's quantiles
    rng = np.random.default_rng(1)
    draws = np.concatenate([rng.normal(m, 0.1 / 1.959964, 500_000) for m in (-0.1, 0.1)])
    assert np.log([both["lo"], both["hi"]]) == pytest.approx(np.quantile(draws, [0.025, 0.975]), abs=2e-3)
    assert recycle_blend.akaike_share(4.0, 2) == pytest.approx(0.5)  # AIC of both the same
