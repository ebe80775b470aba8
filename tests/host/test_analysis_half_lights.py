"""Lights known only in part, heads seen together, and a camera quicker than stated: how misses are explained then."""

import numpy as np
import pytest
from duskgate.analysis import frames
from duskgate.analysis.light_ends import ends_alone, of_head
from duskgate.analysis.night import analyse
from duskgate.analysis.recycle import estimate_recycle
from duskgate.analysis.recycle_data import Trials, trials
from duskgate.analysis.traces import cut
from duskgate.analysis.unseen_heads import after_full_light
from duskgate.fields import FLASH1

from tests.host.analysis_recordings import ExactClock, pulses, recording


def night(lost_rise_s=(), lost_end_s=(), blind=()):
    """A break every 10 s, each lit 3 ms later by one head; some edges of the light are not in the log."""
    at = np.arange(10.0, 600.0, 10.0)
    light = [
        edge
        for t in at
        for edge in pulses((t + 0.003, t + 0.0035))
        if not (edge[1] == 1 and t in lost_rise_s) and not (edge[1] == 0 and t in lost_end_s)
    ]
    return recording({"BEAM": pulses(*((t, t + 0.1) for t in at)), "FLASH1": light}, length_s=700.0, blind=list(blind))


def test_an_end_without_a_beginning_is_found_and_a_lost_end_is_not_one():
    t = cut(night(lost_rise_s=(100.0,), lost_end_s=(300.0,)), ExactClock())
    x, bi = ends_alone(t, FLASH1)
    assert x.tolist() == [round(100.0035e9)] and bi.tolist() == [0]
    # another sensor of the same head saw the beginning: one light, not two
    assert len(of_head(t, [0], np.array([round(100.003e9)]))[0]) == 0
    assert len(of_head(t, [0], np.array([round(90.003e9)]))[0]) == 1


def test_a_break_whose_light_lost_its_beginning_is_not_laid_to_the_radio():
    found = analyse(night(lost_rise_s=(100.0,)), ExactClock())
    missed = found.tables["misses"]
    assert len(missed) == 1 and missed["cause"].iat[0] == "unknown"
    assert "beginning of the light" in missed["reason"].iat[0]
    assert found.parts.trials.gap[10, 0] == pytest.approx(10.0, abs=0.01)  # from that light, not from the one before


def test_after_blind_time_the_gap_is_a_lower_limit():
    start = np.array([10, 20, 30], np.int64) * 10**9
    light = (np.array([5], np.int64) * 10**9, np.array([0]))
    blind = np.array([[15, 18]], np.int64) * 10**9
    t = trials(
        start, np.zeros(3, int), np.zeros(1, np.int64), [light], np.zeros((3, 1), bool), ["FLASH1"], 0.0,
        [np.zeros(0)], 0.06e9, np.ones(3, bool), [blind],
    )  # fmt: skip
    assert t.gap[:, 0].tolist() == [5.0, 2.0, 12.0]
    assert t.bound[:, 0].tolist() == [False, True, True]


def together(rng, r, n=900, sigma=0.07):
    """Heads of known law seen by one sensor: trials of the group, breaks and lights (ns)."""
    start = np.cumsum(np.where(rng.random(n) < 0.65, rng.uniform(0.2, 0.9, n), rng.lognormal(2.5, 0.7, n)) + 0.1)
    last, gap, fired, light = np.full(len(r), -99.0), np.zeros(n), np.zeros(n, bool), []
    for k, t in enumerate(start):
        ready = np.log(t - last) > np.log(r) + sigma * rng.normal(size=len(r))
        gap[k] = t - (light[-1] if light else -99.0)
        fired[k] = ready.any()
        if fired[k]:
            last[ready] = t
            light.append(t)
    spent = np.cumsum(fired) - fired
    none = np.zeros((n, 1), int)
    t = Trials(gap[:, None], gap[:, None] > 90, fired[:, None], spent[:, None], none, np.ones(n, bool), ["all"])
    boot = np.zeros(len(light), int)
    return t, np.round(start * 1e9), np.zeros(n, int), np.round(np.array(light) * 1e9), boot


def test_heads_seen_together_are_fitted_after_a_light_of_all():
    sharp, blunt = [], []
    for seed in range(6):
        t, *where = together(np.random.default_rng(seed), np.array([0.9, 0.95, 0.88]))
        kept = after_full_light(t, *where)
        assert kept.union and 0.3 < kept.trial.mean() < 0.95
        found = estimate_recycle(kept).report["all"]
        # where the product of the three heads' (1 - Phi) is one half: 0.852 s
        assert found["r50_s"]["value"] == pytest.approx(0.852, rel=0.05)
        sharp.append(found["sigma"])
        blunt.append(estimate_recycle(t).report["all"]["sigma"])
    assert max(sharp) < 0.12 and np.mean(blunt) > 2 * np.mean(sharp)


def test_one_head_alone_keeps_all_its_trials():
    t, *where = together(np.random.default_rng(7), np.array([0.9]))
    kept = after_full_light(t, *where)
    assert not kept.union and kept.trial.all()


def test_a_camera_quicker_than_stated_is_learned_and_a_slower_one_is_not_assumed():
    rng = np.random.default_rng(1)
    since, stated = rng.uniform(0, 2, 400), np.full(400, 0.5)
    after = np.ones(400, bool)
    assert frames.busy_for(since, since > 0.35, after, stated) == pytest.approx(np.full(400, 0.35), abs=0.02)
    assert frames.busy_for(since, since > 0.8, after, stated) == pytest.approx(stated)
