"""Intervals and the two shapes in which an estimate is handed on: a figure with its interval, or what is lacking."""

from __future__ import annotations

import math

import numpy as np

Z95 = 1.959963984540054
LEVEL = 0.95


def estimate(value: float, lo: float, hi: float, n: int, level: float = LEVEL, **more) -> dict:
    """A figure with its interval, the number it rests on and the interval's level."""
    return {"value": float(value), "lo": float(lo), "hi": float(hi), "n": int(n), "level": level, **more}


def lacking(n: int, need: int, **more) -> dict:
    """The same place in a report where the data do not carry a figure."""
    text = f"not enough data, n = {int(n)}, need about {int(need)}"
    return {"value": None, "n": int(n), "need": int(need), "text": text, **more}


def garwood(k, level: float = LEVEL) -> tuple[np.ndarray, np.ndarray]:
    """Exact interval of a Poisson mean from a count k (also non-integer). Garwood 1936, Biometrika 28:437."""
    from scipy.special import gammaincinv

    k = np.asarray(k, float)
    tail = (1 - level) / 2
    lo = np.where(k > 0, gammaincinv(np.maximum(k, 1e-12), tail), 0.0)
    return lo, gammaincinv(k + 1, 1 - tail)


def wilson(x: float, n: float, z: float = Z95) -> tuple[float, float]:
    """Score interval of a proportion. Wilson 1927, JASA 22:209."""
    if n <= 0:
        return 0.0, 1.0
    p = x / n
    mid = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return (0.0 if x == 0 else max(mid - half, 0.0)), (1.0 if x == n else min(mid + half, 1.0))


def share(x: int, n: int) -> dict:
    """A proportion with its score interval."""
    return estimate(x / n, *wilson(x, n), n) if n else lacking(0, 1)


def quantile_ranks(n: int, p: float, level: float = LEVEL) -> tuple[int, int]:
    """Ranks (1-based) of the order statistics that hold the p quantile; 0 or n+1 where there is no such rank.

    Equal tails: P(B < lower) and P(B >= upper) are at most (1-level)/2 for B ~ Binomial(n, p).
    Hahn & Meeker 1991, Statistical Intervals, section 5.2.
    """
    from scipy.special import bdtr

    tail = (1 - level) / 2
    cdf = np.concatenate([[0.0], bdtr(np.arange(n + 1), n, p)])  # cdf[r] = P(B <= r-1) = P(B < r)
    lower = int(np.searchsorted(cdf, tail, side="right")) - 1
    upper = int(np.searchsorted(cdf, 1 - tail, side="left"))
    return lower, upper


def quantile_estimate(values: np.ndarray, p: float, level: float = LEVEL) -> dict:
    """A quantile of a sample with its distribution-free interval; `lacking` where no order statistic bounds it."""
    x = np.sort(np.asarray(values, float))
    n = len(x)
    need = math.ceil(math.log((1 - level) / 2) / math.log(max(p, 1 - p)))
    if n < min(need, 6):
        return lacking(n, need)
    lower, upper = quantile_ranks(n, p, level)
    if lower < 1 or upper > n:
        return lacking(n, need, seen=float(np.quantile(x, p)))
    return estimate(np.quantile(x, p), x[lower - 1], x[upper - 1], n, level)
