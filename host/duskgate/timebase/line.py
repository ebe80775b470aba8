"""A monotone piecewise-linear map from the board time of one boot to a clock, in integers at both ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

STEEPEST = 0.01  # a clock that ran more than 1 % off would be no clock: keeps the map monotone whatever the data


@dataclass
class Line:
    """clock = base_us + t_ns / 1000 + deviation; the deviation is interpolated between knots."""

    base_us: int
    knots_ns: np.ndarray
    deviation_us: np.ndarray
    slope_in: float
    slope_out: float

    def at(self, t_ns: np.ndarray) -> np.ndarray:
        """Clock readings in us (int64) at board times in ns."""
        t_ns = np.asarray(t_ns, np.int64)
        whole = t_ns // 1000
        rest = (t_ns - whole * 1000) / 1000
        return self.base_us + whole + np.rint(self.deviation(t_ns) + rest).astype(np.int64)

    def deviation(self, t_ns: np.ndarray) -> np.ndarray:
        """How far the line lies from the straight rate at board times t_ns, ns."""
        t = np.asarray(t_ns).astype(float)
        out = np.interp(t, self.knots_ns, self.deviation_us)
        before, after = np.minimum(t - self.knots_ns[0], 0), np.maximum(t - self.knots_ns[-1], 0)
        return out + (self.slope_in * before + self.slope_out * after) / 1000


def line(t_ns: np.ndarray, clock_us: np.ndarray, slope_in: float, slope_out: float) -> Line:
    """A line through anchors: t_ns increasing (equal times: the first counts), clock_us int64."""
    t_ns, first = np.unique(np.asarray(t_ns, np.int64), return_index=True)
    clock_us = np.asarray(clock_us, np.int64)[first]
    base = int(clock_us[0]) - int(t_ns[0]) // 1000
    deviation = (clock_us - base - t_ns // 1000).astype(float) - (t_ns % 1000) / 1000
    steps = np.diff(deviation)
    room = STEEPEST * np.diff(t_ns) / 1000
    if np.any(np.abs(steps) > room):
        deviation = np.concatenate([[0.0], np.cumsum(np.clip(steps, -room, room))])
    slope_in, slope_out = (float(np.clip(s, -STEEPEST, STEEPEST)) for s in (slope_in, slope_out))
    return Line(base, t_ns.astype(float), deviation, slope_in, slope_out)


def straight(t_ns: int, clock_us: int, rate: float = 0.0) -> Line:
    """A line through one point with a given rate above nominal."""
    return line(np.array([t_ns]), np.array([clock_us]), rate, rate)
