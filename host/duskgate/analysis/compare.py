"""Delays of two rigs, or of one rig before and after a change: differences with their intervals, head by head."""

from __future__ import annotations

import numpy as np
import pandas as pd

from duskgate.analysis.stats import estimate, lacking, quantile_estimate

COLUMNS = {"first_us": "latency_us"} | {f"FLASH{k}": f"latency{k}_us" for k in range(1, 5)}


def compare_delays(fires_a: pd.DataFrame, fires_b: pd.DataFrame) -> dict:
    """{head: {"median": difference, "p95": difference}} of two tables of fires, b minus a (us), answered ones only."""
    out = {}
    for name, column in COLUMNS.items():
        a, b = (_values(fires, column) for fires in (fires_a, fires_b))
        if len(a) or len(b):
            out[name] = {"median": difference(a, b, 0.5), "p95": difference(a, b, 0.95)}
    return out


def _values(fires: pd.DataFrame, column: str) -> np.ndarray:
    lag = fires.loc[fires["kind"] == "answered", column].to_numpy(float)
    return lag[np.isfinite(lag)]


def difference(a: np.ndarray, b: np.ndarray, p: float) -> dict:
    """Quantile of b minus that of a; the interval recovers each quantile's own limits.

    Zou & Donner 2008, Stat. Med. 27:1693 (method of variance estimates recovery).
    """
    ea, eb = quantile_estimate(a, p), quantile_estimate(b, p)
    if ea["value"] is None or eb["value"] is None:
        return lacking(min(len(a), len(b)), max(e.get("need", 0) for e in (ea, eb)))
    move = eb["value"] - ea["value"]
    down = np.hypot(eb["value"] - eb["lo"], ea["hi"] - ea["value"])
    up = np.hypot(eb["hi"] - eb["value"], ea["value"] - ea["lo"])
    return estimate(move, move - down, move + up, min(len(a), len(b)))
