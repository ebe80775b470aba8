"""Recycle time and skew from fires asked for on the bench: the gap counts from each sensor's own last light."""

from __future__ import annotations

import numpy as np
import pandas as pd

from duskgate.analysis.delay import skews
from duskgate.analysis.recycle import estimate_recycle
from duskgate.analysis.recycle_data import Trials


def sensors(fires: pd.DataFrame) -> list[str]:
    """Light sensors that saw at least one of the fires."""
    return [f"FLASH{k}" for k in range(1, 5) if np.isfinite(fires[f"latency{k}_us"].to_numpy()).any()]


def latencies(fires: pd.DataFrame, names: list[str]) -> np.ndarray:
    """(n fires, sensors) delays (us), NaN where a sensor stayed dark."""
    columns = [fires[f"latency{name[-1]}_us"].to_numpy(float) for name in names]
    return np.column_stack(columns) if columns else np.zeros((len(fires), 0))


def skew_summary(fires: pd.DataFrame) -> dict:
    """Median of the paired difference (us) of every two sensors, as in the estimates of a night."""
    names = sensors(fires)
    return skews(latencies(fires, names), names)


def shot_trials(fires: pd.DataFrame) -> Trials:
    """Each shot is a trial of each head; a head's first shot in a boot tests nothing, as its gap is not known."""
    names = sensors(fires)
    lag = latencies(fires, names)
    fired = np.isfinite(lag)
    t, boot = fires["t_us"].to_numpy(float), fires["boot"].to_numpy(np.int64)
    gap, bound, spent = np.full(lag.shape, np.nan), np.ones(lag.shape, bool), np.zeros(lag.shape, np.int64)
    for k in range(len(names)):
        lit = np.flatnonzero(fired[:, k])
        at = np.searchsorted(lit, np.arange(len(t))) - 1
        last = lit[np.maximum(at, 0)]
        known = (at >= 0) & (boot[last] == boot)
        gap[:, k] = np.where(known, (t - t[last] - lag[last, k]) / 1e6 + np.nanmedian(lag[:, k]) / 1e6, np.nan)
        bound[:, k], spent[:, k] = ~known, at + 1
    return Trials(gap, bound, fired, spent, np.zeros(lag.shape, np.int64), np.ones(len(t), bool), names)


def recycle_summary(fires: pd.DataFrame) -> dict:
    """Recycle time of each sensor, as in the estimates of a night; what the gaps do not carry is said instead."""
    return estimate_recycle(shot_trials(fires)).report if len(fires) and sensors(fires) else {}
