"""How firmly the best window of several nights leads: against the next one, and when one night is left out."""

from __future__ import annotations

import numpy as np

from duskgate.analysis.season import MOST, NEED_NIGHTS
from duskgate.analysis.stats import lacking


def leader(rate: np.ndarray) -> int:
    """The window with the highest mean rate among those that most nights watched; -1 where there is none."""
    return int(_leaders(rate, np.zeros((1, len(rate)), bool))[0]) if len(rate) else -1


def leaders_without_each(rate: np.ndarray) -> np.ndarray:
    """The leader when each night in turn is left out."""
    return _leaders(rate, np.eye(len(rate), dtype=bool))


def _leaders(rate: np.ndarray, left_out: np.ndarray) -> np.ndarray:
    """Leader for each row of left_out (cases, nights)."""
    known = np.isfinite(rate)
    kept = (~left_out).astype(float)
    n = kept @ known
    total = kept @ np.where(known, rate, 0.0)
    nights = kept.sum(axis=1, keepdims=True)
    enough = (n >= np.maximum(MOST * nights, 1)) & (n > 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(enough, total / n, -1.0)
    if mean.shape[1] == 0:
        return np.full(len(left_out), -1)
    best = mean.argmax(axis=1)
    return np.where(mean[np.arange(len(best)), best] > 0, best, -1)


def next_apart(rate: np.ndarray, start_s: np.ndarray, length_s: float, lead: int) -> int:
    """The best window that does not overlap with the leader; -1 where there is none."""
    far = np.abs(start_s - start_s[lead]) >= length_s
    if not far.any():
        return -1
    at = far.nonzero()[0]
    second = leader(rate[:, at])
    return int(at[second]) if second >= 0 else -1


def duel(rate: np.ndarray, a: int, b: int) -> dict:
    """How sure it is that window a brings more than window b: a paired t over nights, each scaled to the same total.

    {"won", "lost", "n": nights that watched both, "sure": probability, or None below three nights}. `sure` is the
    one-sided level of the t; a window chosen because it leads looks a little surer than it is.
    """
    known = np.isfinite(rate)
    scale = np.where(known, rate, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    gap = (rate[:, a] - rate[:, b]) / np.where(scale > 0, scale, 1.0)
    gap = gap[np.isfinite(gap)]
    k = len(gap)
    out = {"won": int((gap > 0).sum()), "lost": int((gap < 0).sum()), "n": k}
    if k < NEED_NIGHTS:
        return out | {"sure": None} | {"text": lacking(k, NEED_NIGHTS)["text"]}
    from scipy.special import stdtr

    sd = gap.std(ddof=1)
    return out | {"sure": float(stdtr(k - 1, gap.mean() / (sd / np.sqrt(k)))) if sd > 0 else float(gap.mean() > 0)}
