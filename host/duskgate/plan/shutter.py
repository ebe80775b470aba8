"""How likely an open shutter catches no fire, exactly one, or more, where the flash needs a dead time after each fire.

Events able to fire come as a Poisson process of rate lambda; each fire is followed by a dead time d in which none can
follow (recycle time), which later events do not prolong. Mean time between fires: mu = d + 1/lambda. Times in s, rates
per s. Cox 1962, Renewal Theory; Muller 1974, Nucl. Instrum. Methods 117:401. Fires of one visit are not independent:
for what a log allowed see `keepers`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np


def observed_rate(true_per_s: float, dead_s: float) -> float:
    """Rate of fires that a rate of events leaves: lambda / (1 + lambda d), per s. ValueError below 0."""
    _check(true_per_s, dead_s)
    return true_per_s / (1 + true_per_s * dead_s)


def true_rate(observed_per_s: float, dead_s: float) -> float:
    """Rate of events behind a rate r of fires: r / (1 - r d), per s. ValueError where r d >= 1, which cannot be."""
    _check(observed_per_s, dead_s)
    if observed_per_s * dead_s >= 1:
        raise ValueError("fires cannot come faster than one in each dead time")
    return observed_per_s / (1 - observed_per_s * dead_s)


def p_none(rate_per_s: float, dead_s: float, open_s: Any, charged: bool = False) -> np.ndarray:
    """Chance of no fire while the shutter is open. open_s: array of any shape.

    charged: the flash is known to be ready when the shutter opens; else it opens at a random moment.
    """
    _check(rate_per_s, dead_s)
    t, lam = np.asarray(open_s, float), rate_per_s
    if charged or lam == 0:
        return np.exp(-lam * t)
    mu = dead_s + 1 / lam
    return np.where(t <= dead_s, 1 - np.minimum(t, dead_s) / mu, np.exp(-lam * np.maximum(t - dead_s, 0)) / (lam * mu))


def p_one(rate_per_s: float, dead_s: float, open_s: Any, charged: bool = False) -> np.ndarray:
    """Chance of exactly one fire while the shutter is open; arguments as for `p_none`."""
    _check(rate_per_s, dead_s)
    t, lam, d = np.asarray(open_s, float), rate_per_s, dead_s
    if lam == 0:
        return np.zeros(t.shape)
    past = np.maximum(t - d, 0.0)
    if charged:
        return (1 + lam * past) * np.exp(-lam * past) - np.exp(-lam * t)
    mu = d + 1 / lam
    twice = np.maximum(t - 2 * d, 0.0)
    short = t / mu
    middle = (2 * (1 - np.exp(-lam * past)) / lam + 2 * d - t) / mu
    long = (2 * (np.exp(-lam * twice) - np.exp(-lam * past)) / lam + twice * np.exp(-lam * twice)) / mu
    return np.where(t <= d, short, np.where(t < 2 * d, middle, long))


def p_more(rate_per_s: float, dead_s: float, open_s: Any, charged: bool = False) -> np.ndarray:
    """Chance of two fires or more while the shutter is open; arguments as for `p_none`."""
    none, one = (p(rate_per_s, dead_s, open_s, charged) for p in (p_none, p_one))
    return np.maximum(1 - none - one, 0.0)


def frames_per_h(open_s: Any, pause_s: float) -> np.ndarray:
    """Frames an hour of a shutter that opens again after a pause: 3600 / (T + g)."""
    return 3600.0 / (np.asarray(open_s, float) + pause_s)


def best_open_s(rate_per_s: float, pause_s: float) -> float:
    """Shutter time with the most frames of exactly one fire, no dead time: (-g + sqrt(g^2 + 4 g / lambda)) / 2, s.

    It is where d/dT of lambda T exp(-lambda T) / (T + g) is 0. Without a pause the best is as short as can be: 0.
    ValueError unless the rate is above 0 and the pause not below it.
    """
    _check(rate_per_s, pause_s)
    if rate_per_s == 0:
        raise ValueError("a rate above 0 is needed")
    return (-pause_s + math.sqrt(pause_s**2 + 4 * pause_s / rate_per_s)) / 2


def _check(*values: float) -> None:
    if not all(math.isfinite(v) and v >= 0 for v in values):
        raise ValueError("rates and times must be numbers not below 0")
