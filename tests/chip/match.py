"""Edges in the log against edges played, one by one."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from .scene import TICK_US, Edges

NEAR_TICKS = 3.0  # an edge and its stamp lie within one tick of each other once the offset is known
ANCHORS = 40  # first edges that are tried as the one to which the first stamps belong


@dataclass(frozen=True)
class Match:
    """`error_ticks`: stamp less truth of every edge found, its median taken out. `zero_us`: board time of tick 0."""

    given: int
    lost: np.ndarray  # numbers of the edges without a stamp
    false: int  # stamps of no edge
    error_ticks: np.ndarray
    zero_us: float

    def row(self) -> dict:
        size = np.abs(self.error_ticks)
        return {
            "edges": self.given,
            "lost": len(self.lost),
            "false": self.false,
            "median_ticks": float(np.median(size)),
            "p99_ticks": float(np.quantile(size, 0.99)),
            "max_ticks": float(size.max()),
            "range_ticks": float(np.ptp(self.error_ticks)),
        }


def match(stamps: pd.DataFrame, given: Edges, begin_us: float, zero_us: tuple[float, float]) -> Match:
    """Find each edge in one boot's `edges` table. `begin_us`: board time at which the scene began.

    `zero_us`: bounds of the board time of tick 0, from asking the board; the constant in between is found by trying.
    """
    at = stamps["t_ns"].to_numpy() / 1000.0 / TICK_US
    kind = stamps["channel"].to_numpy().astype(np.int64) * 2 + stamps["level"].to_numpy()
    truth = (begin_us + given.t_us) / TICK_US
    wanted = given.channel * 2 + given.level
    zero = _best_zero(at, kind, truth, wanted, (zero_us[0] / TICK_US, zero_us[1] / TICK_US))
    found = _nearest(at, kind, truth - zero, wanted)
    seen = found >= 0
    error = at[found[seen]] - (truth[seen] - zero)
    inside = (at >= truth[0] - zero - 1000) & (at <= truth[-1] - zero + 1000)
    middle = float(np.median(error))
    return Match(
        len(given), np.flatnonzero(~seen), int(inside.sum() - seen.sum()), error - middle, (zero - middle) * TICK_US
    )


def _best_zero(at: np.ndarray, kind: np.ndarray, truth: np.ndarray, wanted: np.ndarray, bounds) -> float:
    few = slice(0, 400)
    best, most = None, 0
    for first in range(min(ANCHORS, len(truth))):
        zeros = truth[first] - at[kind == wanted[first]]
        for zero in zeros[(zeros >= bounds[0]) & (zeros <= bounds[1])]:
            n = int((_nearest(at, kind, truth[few] - zero, wanted[few]) >= 0).sum())
            if n > most:
                best, most = zero, n
        if most > 0.9 * len(truth[few]):
            break
    if best is None:
        raise AssertionError(f"none of the first {ANCHORS} edges is in the log")
    error = _nearest(at, kind, truth - best, wanted)
    seen = error >= 0
    return float(best - np.median(at[error[seen]] - (truth[seen] - best)))


def _nearest(at: np.ndarray, kind: np.ndarray, truth: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Index of the stamp of the same channel and level within NEAR_TICKS, each used once; -1 where there is none."""
    found = np.full(len(truth), -1)
    for one in np.unique(wanted):
        places = np.flatnonzero(kind == one)
        mine = np.flatnonzero(wanted == one)
        if not len(places):
            continue
        times = at[places]
        right = np.clip(np.searchsorted(times, truth[mine]), 0, len(times) - 1)
        left = np.maximum(right - 1, 0)
        near = np.where(np.abs(times[left] - truth[mine]) < np.abs(times[right] - truth[mine]), left, right)
        good = np.abs(times[near] - truth[mine]) <= NEAR_TICKS
        used, first = np.unique(near[good], return_index=True)
        found[mine[np.flatnonzero(good)[first]]] = places[used]
    return found
