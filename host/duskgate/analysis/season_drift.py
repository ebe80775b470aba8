"""Whether a number of each night (a delay, a recycle time) moves over the weeks."""

from __future__ import annotations

import numpy as np

from duskgate.analysis.stats import estimate, lacking

NEED_DRIFT = 5  # nights below which a straight line says next to nothing


def weekly(day: np.ndarray, value: np.ndarray) -> dict:
    """Change a week from a straight line through one value a night, with its t interval over nights; n nights.

    day: days since any start; value: NaN where the night gives none. Least squares, every night of equal weight: how
    nights differ outweighs how well each one is known.
    """
    ok = np.isfinite(value)
    x, y = np.asarray(day, float)[ok], np.asarray(value, float)[ok]
    if len(y) < NEED_DRIFT:
        return lacking(len(y), NEED_DRIFT)
    x = x - x.mean()
    if not (x @ x) > 0:
        return lacking(len(y), NEED_DRIFT)
    from scipy.special import stdtrit

    slope = (x @ y) / (x @ x)
    rest = y - y.mean() - slope * x
    half = float(stdtrit(len(y) - 2, 0.975)) * np.sqrt((rest @ rest) / (len(y) - 2) / (x @ x))
    return estimate(7 * slope, 7 * (slope - half), 7 * (slope + half), len(y))
