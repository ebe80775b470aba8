"""Figures of several curves at once, each with the weight that the data give it.

One night seldom says which curve its cells follow. The interval of the curve that fits best alone is too narrow: it
leaves out that another one fits nearly as well. Weights: Akaike, as in Burnham & Anderson 2002, Model Selection
and Multimodel Inference, chapter 4; the interval is that of the mixture of the curves' own (normal on either side).
"""

from __future__ import annotations

import numpy as np

from duskgate.analysis.recycle_fit import Fit, Flat, Steps, at_reference, profile
from duskgate.analysis.stats import Z95, estimate

SLIGHT = 0.02  # a curve of less weight moves nothing
Z_95_POINT = 1.6448536269514722
# A free shape is smoothed, and its own interval does not know what smoothing hid: at the end of nights whose cells gave
# out suddenly it held the truth in .90 of cases (450 invented nights, seeds not reported). The start holds as it is.
SMOOTHED_WIDER = 1.35

Blend = list[tuple[Fit, float]]


def akaike_share(gain: float, more: int) -> float:
    """Weight of the larger of two models: gain, twice its log likelihood ratio; more, its further parameters."""
    return float(1 / (1 + np.exp(np.clip(more - gain / 2, -50, 50))))


def of_two(smaller: Fit, larger: Fit, more: int) -> Blend:
    """Two nested curves with their weights; one alone where the other's is slight."""
    share = akaike_share(2 * (larger.loglik - smaller.loglik), more)
    if share < SLIGHT:
        return [(smaller, 1.0)]
    return [(larger, 1.0)] if share > 1 - SLIGHT else [(smaller, 1 - share), (larger, share)]


def r50(blend: Blend, unit: int, u: float, n: int) -> dict:
    """R50 of a unit (s) at u fires/1000, by profile likelihood."""
    return _mixed([_r50(fit, unit, u) for fit, _ in blend], blend, n)


def r95(blend: Blend, unit: int, u: float, n: int) -> dict:
    """R95 of a unit (s) at u fires/1000."""
    return _mixed([_r95(fit, unit, u) for fit, _ in blend], blend, n)


def _at(fit: Fit, u: float) -> Fit:
    return fit if isinstance(fit.curve, Flat) else at_reference(fit, u)


def _r50(fit: Fit, unit: int, u: float) -> tuple[float, float, float]:
    moved = _at(fit, u)
    lo, hi = profile(moved, unit)
    value = float(moved.theta[unit])
    wider = SMOOTHED_WIDER if isinstance(fit.curve, Steps) and u > 0 else 1.0
    return value, value - wider * max(value - lo, 0.0), value + wider * max(hi - value, 0.0)


def _r95(fit: Fit, unit: int, u: float) -> tuple[float, float, float]:
    moved = _at(fit, u)
    i, sigma = moved.i_sigma, moved.sigma
    value = float(moved.theta[unit] + Z_95_POINT * sigma)
    slope = np.zeros(len(moved.theta))
    slope[unit], slope[i] = 1.0, Z_95_POINT * sigma
    half = Z95 * float(np.sqrt(slope @ moved.cov @ slope))
    return value, value - half, value + half


def _mixed(parts: list[tuple[float, float, float]], blend: Blend, n: int) -> dict:
    """Weighted mean and 2.5 and 97.5 % points of the mixture, from ln to seconds."""
    weight = np.array([w for _, w in blend])
    value, lo, hi = np.array(parts).T
    if len(parts) > 1:
        ends = [_quantile(value, lo, hi, weight, p) for p in (0.025, 0.975)]
    else:
        ends = [lo[0], hi[0]]
    return estimate(np.exp(weight @ value), np.exp(ends[0]), np.exp(ends[1]), n)


def _quantile(value: np.ndarray, lo: np.ndarray, hi: np.ndarray, weight: np.ndarray, p: float) -> float:
    from scipy.special import ndtr

    below, above = np.maximum(value - lo, 1e-9) / Z95, np.maximum(hi - value, 1e-9) / Z95
    a, b = float(lo.min()), float(hi.max())
    a, b = a - (b - a), b + (b - a)
    for _ in range(50):
        x = (a + b) / 2
        share = weight @ ndtr((x - value) / np.where(x < value, below, above))
        a, b = (x, b) if share < p else (a, x)
    return (a + b) / 2
