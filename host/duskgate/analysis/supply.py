"""The logger's own supply: voltage through the night, and how long it may last."""

from __future__ import annotations

import numpy as np

from duskgate.analysis.stats import Z95, estimate, lacking

NEED = 60  # readings, about one a minute
FALL_SIGNIFICANCE = 3.0


def logger_supply(t_s: np.ndarray, mv: np.ndarray, cutoff_mv: float) -> dict:
    """State and forecast of the logger's cells from readings at t_s (s, rising)."""
    if len(mv) == 0:
        return {
            "start_mv": None,
            "end_mv": None,
            "cutoff_mv": cutoff_mv,
            "hours_left": lacking(0, NEED),
            "text": "no supply reading",
        }
    edge = max(1, min(10, len(mv) // 4))
    out = {"start_mv": float(np.median(mv[:edge])), "end_mv": float(np.median(mv[-edge:])), "cutoff_mv": cutoff_mv}
    if len(mv) < NEED:
        return out | {"hours_left": lacking(len(mv), NEED), "text": "too few readings for a forecast"}
    return out | _forecast(t_s, mv, cutoff_mv)


def _forecast(t_s: np.ndarray, mv: np.ndarray, cutoff_mv: float) -> dict:
    late = t_s >= t_s[0] + (t_s[-1] - t_s[0]) / 2
    t, v = (t_s[late] - t_s[-1]) / 3600, mv[late]
    slope, level = np.polyfit(t, v, 1)
    rest = v - slope * t - level
    n = len(v)
    rho = float(np.clip(np.corrcoef(rest[:-1], rest[1:])[0, 1], 0, 0.98)) if rest.std() > 0 else 0.0
    n_eff = max(n * (1 - rho) / (1 + rho), 3)
    se = rest.std(ddof=2) / (t.std() * np.sqrt(n_eff)) if t.std() > 0 else np.inf
    fall, room = -slope, level - cutoff_mv
    text = f"at this night's load, down to {cutoff_mv:.0f} mV"
    if fall <= FALL_SIGNIFICANCE * se:
        worst = max(fall + Z95 * se, 1e-6)
        return {"hours_left": {"at_least_h": max(room, 0) / worst}, "text": text + "; too flat to foretell its end"}
    hours = max(room, 0) / fall
    return {
        "hours_left": estimate(hours, max(room, 0) / (fall + Z95 * se), max(room, 0) / (fall - Z95 * se), n),
        "text": text,
    }
