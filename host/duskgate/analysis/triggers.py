"""Which break fired which flash: a lag window learned from the night, then one-to-one matching in time's order.

The nearest flash, or the next one, is wrong whenever a break was missed or the beam chattered; an earliest-unused-break
rule inside a narrow window is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.analysis.lights import Lights
from duskgate.analysis.settings import Settings

BIN_NS = 1_000_000
FEW = 5  # fewer lags in the peak than this: the window is not learned


@dataclass
class Window:
    """Where a light's lag after its break may lie (ns), and how it was found."""

    lo: float
    hi: float
    median: float
    mad: float
    n: int
    learned: bool

    @property
    def half(self) -> float:
        """Half width of the usual lags around their median."""
        return max(6 * self.mad, 0.3e6)

    @property
    def usual(self) -> float:
        """Upper end of the usual lags; later ones are second sendings."""
        return self.median + self.half if self.learned else self.hi


@dataclass
class Matching:
    """event -> break (-1 none) and break -> event; `late` marks events folded into an earlier one of the same break."""

    break_of: np.ndarray
    event_of: np.ndarray
    late_of: np.ndarray  # event -> event it completes, -1 none
    window: Window


def lag_window(starts: np.ndarray, lights: np.ndarray, s: Settings) -> Window:
    """The window of lags (ns), from the peak of the lag histogram over 0..lag_max. Inputs sorted, ns."""
    upper = (s.retry_camera_ms if s.path == "beam_camera" else s.retry_ms) * 1e6
    lags = _all_lags(starts, lights, s.lag_max_ms * 1e6)
    if len(lags) == 0:
        return Window(0, s.lag_max_ms * 1e6 if s.path == "beam_camera" else upper, np.nan, np.nan, 0, False)
    bins = np.bincount((lags // BIN_NS).astype(np.int64), minlength=int(s.lag_max_ms) + 2)
    pairs = bins[:-1] + bins[1:]  # a peak on a bin's edge is still one peak
    peak = int(np.argmax(pairs))
    middle, spread = (peak + 1) * BIN_NS, BIN_NS
    near = lags
    for _ in range(8):
        near = lags[np.abs(lags - middle) <= spread]
        middle = float(np.median(near))
        mad = float(np.median(np.abs(near - middle)))
        wider = max(8 * mad, BIN_NS)
        if wider <= spread:
            break
        spread = wider
    if len(near) < FEW:
        return Window(
            0,
            s.lag_max_ms * 1e6 if s.path == "beam_camera" else max(upper, middle + 0.3e6),
            middle,
            mad,
            len(near),
            False,
        )
    half = max(6 * mad, 0.3e6)
    return Window(max(middle - half, 0), middle + half + upper, middle, mad, len(near), True)


def _all_lags(starts: np.ndarray, lights: np.ndarray, limit: float) -> np.ndarray:
    """Lags of every light after every break within the limit."""
    lo = np.searchsorted(starts, lights - limit)
    hi = np.searchsorted(starts, lights, side="right")
    n = np.minimum(hi - lo, 64)  # beam chatter has thousands of breaks in reach; the latest ones tell enough
    if n.sum() == 0:
        return np.zeros(0)
    first = np.concatenate([[0], np.cumsum(n)[:-1]])
    at = np.arange(n.sum()) - np.repeat(first, n)
    return np.repeat(lights, n) - starts[np.repeat(hi - n, n) + at].astype(float)


def match(starts: np.ndarray, bi: np.ndarray, lights: Lights, s: Settings) -> Matching:
    """Each light, in time's order, gets the earliest unused break in its window.

    A break at the usual lag comes before one that only a second sending would explain.
    """
    window = lag_window(starts, lights.x, s)
    first = np.searchsorted(starts, lights.x - window.hi)
    usual = np.searchsorted(starts, lights.x - window.usual)
    last = np.searchsorted(starts, lights.x - window.lo, side="right")
    boot_of_break, chosen_of, used_to = bi.tolist(), [-1] * len(lights.x), 0
    reach = zip(first.tolist(), np.maximum(first, usual).tolist(), last.tolist(), lights.bi.tolist(), strict=True)
    for event, (a, u, b, boot) in enumerate(reach):  # in lists: each light hangs on the one before it
        chosen = u if u > used_to else used_to
        if chosen >= b:
            chosen = a if a > used_to else used_to
        if chosen < b and boot_of_break[chosen] == boot:
            chosen_of[event] = chosen
            used_to = chosen + 1
    break_of = np.array(chosen_of, np.int64)
    event_of = np.full(len(starts), -1, np.int64)
    found = np.flatnonzero(break_of >= 0)
    event_of[break_of[found]] = found
    return Matching(break_of, event_of, _late(starts, lights, break_of, event_of, window), window)


def _late(starts, lights: Lights, break_of, event_of, window: Window) -> np.ndarray:
    """Unmatched lights of other heads shortly after a matched one: a head that answered late, not a stranger."""
    late_of = np.full(len(lights.x), -1, np.int64)
    for event in np.flatnonzero(break_of < 0).tolist():
        earlier = event - 1
        if earlier < 0 or break_of[earlier] < 0 or lights.bi[earlier] != lights.bi[event]:
            continue
        lag = lights.x[event] - starts[break_of[earlier]]
        apart = not ((lights.rise[event] >= 0) & (lights.rise[earlier] >= 0)).any()
        if apart and window.lo <= lag <= window.hi:
            late_of[event] = earlier
    return late_of
