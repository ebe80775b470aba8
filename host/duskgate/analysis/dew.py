"""Near a long darkness: which breaks are the flicker of drops on the optics, and which passed the beam all the same.

Flicker comes singly, about as often now as a moment before: a Poisson process whose rate is what is counted around.
A visitor breaks the beam several times, with the pauses that visits of this night have elsewhere. Each group of breaks
goes to the likelier of the two; drops and small insects are shorter than flicker is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.analysis import spans
from duskgate.analysis.bouts import Criterion
from duskgate.analysis.settings import Settings

PASSES = 3  # groups taken for visits no longer count as flicker around the others
USUAL_LN_S, USUAL_SD, USUAL_STAY = -1.7, 0.6, 0.6  # pauses and breaks of visits where the night shows too few


@dataclass(frozen=True)
class Habits:
    """Visits of the night away from the darkness: their rate (1/s), ln of pauses (s) inside, share that comes back."""

    rate: float
    mean_ln: float
    sd_ln: float
    stay: float


def habits(gaps: Criterion, n_visits: int, seconds: float) -> Habits:
    """Habits from the pauses fitted and the visits counted in `seconds` away from the darkness."""
    rate = (n_visits + 0.5) / max(seconds, 1.0)
    if gaps.source != "fitted":
        return Habits(rate, USUAL_LN_S, USUAL_SD, USUAL_STAY)
    return Habits(rate, gaps.mean_ln[0], max(gaps.sd_ln[0], 0.2), min(gaps.weight, 0.9))


def near_darkness(start: np.ndarray, end: np.ndarray, dark: np.ndarray, s: Settings) -> np.ndarray:
    """Which breaks lie within the reach of a long darkness (spans, s)."""
    wide = np.column_stack([dark[:, 0] - s.dew_near_s, dark[:, 1] + s.dew_near_s]) if len(dark) else dark
    return spans.touching(start, end, wide)


def flicker(start: np.ndarray, end: np.ndarray, dark: np.ndarray, usual: Habits, s: Settings) -> np.ndarray:
    """Which of these breaks (s, rising, all near the darkness) are flicker and no visitor's, drop's or insect's."""
    at = np.flatnonzero(end - start >= s.dew_short_ms / 1000)
    out = np.zeros(len(start), bool)
    if len(at):
        out[at[~_of_visits(start[at], end[at], dark, usual, s)]] = True
    return out


def _of_visits(start: np.ndarray, end: np.ndarray, dark: np.ndarray, usual: Habits, s: Settings) -> np.ndarray:
    """Breaks of groups that a visit explains better than flicker of the density around does."""
    pause = start[1:] - end[:-1]
    ln_pause = np.log(np.maximum(pause, 1e-4))
    # ln density of coming back after such a pause
    back = -0.5 * ((ln_pause - usual.mean_ln) / usual.sd_ln) ** 2 - np.log(usual.sd_ln * np.sqrt(2 * np.pi)) - ln_pause
    back += np.log(usual.stay)
    seen = _clear_time(start, end, dark, s.dew_density_s)
    taken = np.zeros(len(start), bool)
    for _ in range(PASSES):
        ln_density = np.log(_others(start, end, ~taken, s.dew_density_s) / seen)
        parted = (pause > s.visit_gap_s) | (back < ln_density[1:])
        group = np.concatenate([[0], np.cumsum(parted)])
        first = np.searchsorted(group, np.arange(group[-1] + 1))
        n = np.diff(np.append(first, len(group)))
        visit = np.log(usual.rate * (1 - usual.stay)) + np.bincount(group[1:], np.where(parted, 0, back), len(n))
        # visitors come in bouts: another one near makes this one likelier
        come = np.isin(np.arange(len(start)), first) & taken
        visit += np.log(np.maximum(usual.rate, (_others(start, end, come, s.dew_density_s) - 1) / seen) / usual.rate)[
            first
        ]
        own = _own_density(start, end, taken, group, first, n, seen, s.dew_density_s)
        drops = n * np.log(own) - own * (end[first + n - 1] - start[first])
        taken = ((n >= 2) & (visit > drops + np.log(s.dew_odds)))[group]
    return taken


def _clear_time(start: np.ndarray, end: np.ndarray, dark: np.ndarray, reach_s: float) -> np.ndarray:
    """Seconds around each break, dark time left out."""
    edges = zip(start - reach_s, end + reach_s, strict=True)
    return np.array([max(b - a - spans.total(spans.clip(dark, a, b)), 1.0) for a, b in edges])


def _others(start: np.ndarray, end: np.ndarray, counted: np.ndarray, reach_s: float) -> np.ndarray:
    """One more than the number of counted breaks, but for itself, that begin around each break."""
    at = start[counted]
    return np.searchsorted(at, end + reach_s) - np.searchsorted(at, start - reach_s) - counted + 1.0


def _own_density(start, end, taken, group, first, n, seen, reach_s: float) -> np.ndarray:
    """Breaks a second around each group, those of the group and of visits left out."""
    last = first + n - 1
    at = start[~taken]
    around = np.searchsorted(at, end[last] + reach_s) - np.searchsorted(at, start[first] - reach_s)
    inside = np.bincount(group, ~taken, len(n))
    return (around - inside + 1.0) / np.maximum(seen[first], 1.0)
