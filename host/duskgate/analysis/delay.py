"""Trigger delay: medians and 95 % points with their intervals, head against head, late answers, drift in the night."""

from __future__ import annotations

import numpy as np

from duskgate.analysis.stats import estimate, lacking, quantile_estimate, share
from duskgate.analysis.triggers import Window

ENOUGH_FOR_DRIFT = 60


def delay_summary(
    first_us: np.ndarray, per_head_us: np.ndarray, names: list[str], when_s: np.ndarray, window: Window, loss: dict
) -> dict:
    """Delay of one path.

    first_us: lag of the first light of each answered fire (us); per_head_us: (n, heads), NaN dark; when_s: time (s).
    """
    return {
        "first_us": _two(first_us),
        "heads": {name: _two(per_head_us[:, k]) for k, name in enumerate(names)},
        "skew_us": skews(per_head_us, names),
        "modes": modes(first_us, window),
        "drift": drift(first_us, when_s, window),
        "window_us": [window.lo / 1000, window.hi / 1000],
        "window_learned": window.learned,
        "loss": loss,
        "text": "First light shifts with whichever heads answered; compare rigs by head.",
    }


def _two(values: np.ndarray) -> dict:
    values = values[np.isfinite(values)]
    return {"median": quantile_estimate(values, 0.5), "p95": quantile_estimate(values, 0.95)}


def skews(per_head_us: np.ndarray, names: list[str]) -> dict:
    """Median of the paired difference of every two heads, first named minus second."""
    out = {}
    for i, a in enumerate(names):
        for j in range(i):
            both = per_head_us[:, i] - per_head_us[:, j]
            out[f"{a}-{names[j]}"] = quantile_estimate(both[np.isfinite(both)], 0.5)
    return out


def modes(first_us: np.ndarray, window: Window) -> list[dict]:
    """The usual answers and the late ones (second sendings), with their shares."""
    lag = first_us[np.isfinite(first_us)]
    if len(lag) == 0 or not window.learned:
        return []
    late = lag > window.usual / 1000
    found = []
    for what, mask in (("usual", ~late), ("late", late)):
        if mask.any():
            middle = quantile_estimate(lag[mask], 0.5)
            found.append(
                {
                    "what": what,
                    "share": share(int(mask.sum()), len(lag)),
                    "median_us": middle,
                    "seen_us": float(np.median(lag[mask])),
                }
            )
    return found


def drift(first_us: np.ndarray, when_s: np.ndarray, window: Window) -> dict:
    """Median of the last third of the night minus that of the first third (us), usual answers only."""
    ok = np.isfinite(first_us)
    if window.learned:
        ok &= first_us <= window.usual / 1000
    lag, t = first_us[ok], when_s[ok]
    if len(lag) < ENOUGH_FOR_DRIFT:
        return lacking(len(lag), ENOUGH_FOR_DRIFT)
    lag = lag[np.argsort(t, kind="stable")]
    third = len(lag) // 3
    early, late = quantile_estimate(lag[:third], 0.5), quantile_estimate(lag[-third:], 0.5)
    move = late["value"] - early["value"]
    down = np.hypot(late["value"] - late["lo"], early["hi"] - early["value"])
    up = np.hypot(late["hi"] - late["value"], early["value"] - early["lo"])
    return estimate(move, move - down, move + up, len(lag))
