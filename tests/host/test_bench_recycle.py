"""Recycle time and skew from shots, on invented fires."""

import numpy as np
import pandas as pd
import pytest
from duskgate.analysis.bench_recycle import recycle_summary, sensors, shot_trials, skew_summary


def fires(t_s: np.ndarray, recycle_s: tuple[float, ...], boot: np.ndarray | None = None, sigma: float = 0.0):
    """Heads that fire once their recycle time has passed, which varies from fire to fire with `sigma` of its logarithm.

    The delay is 2400 us, and each head fires 50 us after the one before it.
    """
    rng = np.random.default_rng(2)
    n = len(t_s)
    columns = {f"latency{k}_us": np.full(n, np.nan) for k in range(1, 5)}
    for k, r in enumerate(recycle_s, 1):
        last = -np.inf
        for i, t in enumerate(t_s):
            if t - last >= r * np.exp(sigma * rng.standard_normal()):
                columns[f"latency{k}_us"][i], last = 2400.0 + 50 * (k - 1), t
    return pd.DataFrame({"boot": np.zeros(n, int) if boot is None else boot, "t_us": t_s * 1e6, **columns})


def test_gaps_count_from_each_head_s_own_last_light():
    found = shot_trials(fires(np.array([0.0, 1.0, 1.4, 3.0]), (0.5, 0.3)))
    assert found.names == ["FLASH1", "FLASH2"]
    assert np.isnan(found.gap[0]).all() and found.bound[0].all()
    assert found.gap[1:, 0] == pytest.approx([1.0, 0.4, 2.0]) and found.gap[1:, 1] == pytest.approx([1.0, 0.4, 1.6])
    assert found.fired[2].tolist() == [False, True] and found.spent[3].tolist() == [2, 3]


def test_a_restart_in_between_makes_a_gap_unknown():
    found = shot_trials(fires(np.array([0.0, 1.0]), (0.5,), boot=np.array([0, 1])))
    assert found.bound[:, 0].tolist() == [True, True]


def test_a_ladder_of_gaps_finds_the_recycle_time():
    rng = np.random.default_rng(1)
    t = np.cumsum(rng.choice([0.3, 0.5, 0.7, 0.9, 1.2], 300))
    found = recycle_summary(fires(t, (0.8, 0.6), sigma=0.1))
    for name, right in (("FLASH1", 0.8), ("FLASH2", 0.6)):
        r50 = found[name]["r50_s"]
        assert r50["value"] == pytest.approx(right, rel=0.15) and r50["lo"] < r50["value"] < r50["hi"]


def test_gaps_that_are_all_long_claim_nothing():
    found = recycle_summary(fires(np.arange(20) * 3.0, (0.8,)))
    assert found["FLASH1"]["r50_s"]["value"] is None


def test_skew_and_sensors():
    table = fires(np.arange(30) * 3.0, (0.8, 0.8, 0.8))
    assert sensors(table) == ["FLASH1", "FLASH2", "FLASH3"]
    assert skew_summary(table)["FLASH3-FLASH1"]["value"] == pytest.approx(100.0)


def test_no_light_at_all_is_nothing():
    table = fires(np.arange(5) * 3.0, ())
    assert sensors(table) == [] and recycle_summary(table) == {} and skew_summary(table) == {}
