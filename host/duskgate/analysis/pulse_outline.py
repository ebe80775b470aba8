"""The outline of one light pulse for a figure: few points, each the mean of the samples about it."""

from __future__ import annotations

from typing import Any

import numpy as np

from duskgate.analysis.pulse import PulseFound

POINTS = 140
BEFORE, AFTER = 0.2, 0.35  # of t0.1, drawn before the rise and after the fall to a tenth


def outline(codes: Any, start_ns: int, step_ns: int, found: PulseFound, points: int = POINTS) -> dict:
    """{"t_us": times since the edge, "share": light as share of the peak, "marks_us"} of a pulse measured as good."""
    share = (np.asarray(codes, float) - found.baseline["value"]) / found.peak["value"]
    t = (start_ns + step_ns * np.arange(len(share))) / 1000
    begin, end = found.marks_us["rise10"], found.marks_us["fall10"]
    inside = (t >= begin - BEFORE * (end - begin) - step_ns / 1000) & (t <= end + AFTER * (end - begin))
    parts = max(1, -(-int(inside.sum()) // points))
    bins = np.arange(int(inside.sum())) // parts
    n = np.bincount(bins)
    means = [np.bincount(bins, weights=v[inside]) / n for v in (t, share)]
    return {
        "t_us": [round(float(v), 2) for v in means[0]],
        "share": [round(float(v), 4) for v in means[1]],
        "marks_us": {k: float(v) for k, v in found.marks_us.items()},
    }
