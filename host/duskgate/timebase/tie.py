"""Ties a steady clock to UTC by a few readings of a host's clock: a line through them, a constant if there is one."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

CLUSTER_US = 600e6  # readings closer together than this say nothing about rate: they count as one
WANDER = 1e-6  # how far the rate of a compensated clock chip strays from a straight line in a night, s/s


@dataclass
class Tie:
    """Offset of UTC from a steady clock, as knots over that clock (us, relative to `origin_us`)."""

    origin_us: int
    x_us: np.ndarray
    offset_us: np.ndarray
    unc_us: np.ndarray
    slope: float
    slope_unc: float
    wander: float = WANDER
    notes: list[str] = field(default_factory=list)

    def at(self, clock_us: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Offset and its uncertainty (half width), both us, at clock readings in us."""
        x = (np.asarray(clock_us, np.int64) - self.origin_us).astype(float)
        before, after = np.minimum(x - self.x_us[0], 0), np.maximum(x - self.x_us[-1], 0)
        offset = np.interp(x, self.x_us, self.offset_us) + self.slope * (before + after)
        nearest = np.searchsorted(self.x_us, x).clip(1, len(self.x_us)) - 1
        right = np.minimum(nearest + 1, len(self.x_us) - 1)
        inside = np.minimum(np.abs(x - self.x_us[nearest]), np.abs(x - self.x_us[right]))
        outside = after - before
        unc = np.interp(x, self.x_us, self.unc_us) + np.where(
            outside > 0, outside * self.slope_unc, inside * self.wander
        )
        return offset, unc


def tie(clock_us: np.ndarray, utc_us: np.ndarray, unc_us: np.ndarray, drift: float, wander: float = WANDER) -> Tie:
    """Fit the offset. clock_us, utc_us: int64 readings at the same instants, at least one; unc_us: half widths.

    drift: how far the clock's rate may be off, s/s (half width); rates beyond four times that are not believed.
    wander: how far that rate changes meanwhile, s/s.
    """
    origin = int(clock_us[0])
    x = (clock_us - origin).astype(float)
    start = int(utc_us[0] - clock_us[0])
    y = (utc_us - clock_us - start).astype(float)
    x, y, unc = _cluster(x, y, np.asarray(unc_us, float))
    notes: list[str] = []
    if len(x) > 1:
        x, y, unc = _believable(x, y, unc, drift, notes)
    slope, slope_unc = _slope(x, y, unc, drift, wander)
    if len(x) > 2:
        # many readings: a line where they allow one, because each of them is noisy
        w = 1 / unc**2
        middle = np.sum(w * x) / np.sum(w)
        line = np.sum(w * y) / np.sum(w) + slope * (x - middle)
        if np.all(np.abs(y - line) <= 2 * unc + wander * (x[-1] - x[0])):
            y = line
    return Tie(origin, x, y + start, unc, slope, slope_unc, wander, notes)


def _cluster(x: np.ndarray, y: np.ndarray, unc: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    order = np.argsort(x, kind="stable")
    x, y, unc = x[order], y[order], unc[order]
    starts = np.flatnonzero(np.diff(x, prepend=-np.inf) > CLUSTER_US)
    out = []
    for together in np.split(np.arange(len(x)), starts[1:]):
        # readings close together share their error (one host, one line): the best of them bounds it
        best = float(unc[together].min())
        near = together[np.abs(y[together] - np.median(y[together])) <= 3 * unc[together]]
        part = near if len(near) else together
        w = 1 / unc[part] ** 2
        spread = float(np.ptp(y[part])) / 2 / np.sqrt(len(part))
        out.append((np.sum(w * x[part]) / np.sum(w), np.sum(w * y[part]) / np.sum(w), max(best, spread)))
    columns = np.array(out).T
    return columns[0], columns[1], columns[2]


def _believable(
    x: np.ndarray, y: np.ndarray, unc: np.ndarray, drift: float, notes: list[str]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Leaves out host readings that no drift of the clock explains; of two that contradict, the surer one counts."""
    if len(x) == 2:
        room = 4 * drift * (x[1] - x[0]) + 2 * (unc[0] + unc[1])
        gap = abs(y[1] - y[0])
        if gap <= room:
            return x, y, unc
        best = 0 if unc[0] < unc[1] else 1
        notes.append(
            f"two host clock readings contradict each other by {gap / 1e6:.1f} s; only one of them can be right"
        )
        return x[[best]], y[[best]], np.array([max(unc[best], gap / 2)])
    span = x[-1] - x[0]
    off = np.abs(y - np.median(y))
    good = off <= 4 * drift * span + 3 * unc + np.median(off)
    if not good.all():
        notes.append(f"{int((~good).sum())} host clock readings lie far from the others and were left out")
    return x[good], y[good], unc[good]


def _slope(x: np.ndarray, y: np.ndarray, unc: np.ndarray, drift: float, wander: float) -> tuple[float, float]:
    """Rate of the offset, drawn towards 0 by what is known of the clock, and its half width."""
    if len(x) < 2:
        return 0.0, drift
    w = 1 / unc**2
    middle = np.sum(w * x) / np.sum(w)
    information = np.sum(w * (x - middle) ** 2)
    prior = 1 / drift**2
    slope = np.sum(w * (x - middle) * y) / (information + prior)
    return float(slope), float(min(1 / np.sqrt(information + prior) + wander, drift))
