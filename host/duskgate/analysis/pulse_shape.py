"""Where the light of one pulse rises, peaks and falls: positions in samples, levels in codes above the baseline.

Around each place sought a parabola is fitted to as many samples as it suits within their noise; where it suits none,
two neighbouring samples decide. Nothing is assumed of the pulse as a whole.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

SHRINK = 0.7  # each next window is this much narrower
LEAST_HALF = 2  # samples to each side
NARROW = 1.3  # the window is chosen by the same samples: its noise alone would be too little
NOISE_DOUBT = 0.04  # relative variance of a variance that some 50 samples gave
FOOT = 0.03  # of the peak: still dark
STEEP = 4  # times the noise between two samples: these two alone tell where the level lies
SHARP_SHARE = 0.5  # of the peak within one sample: a rise that the converter cannot resolve
UNIFORM = 1 / math.sqrt(12)  # sd of a place that is known to lie between two samples
SECOND_SHARE = 0.08  # of the peak: a second rise as high as this is a light of its own
TAIL = (0.7, 0.5, 0.35, 0.25, 0.18, 0.12)
STEADY, ABRUPT = 1.6, 3.0  # ratio of the decay's pace along the tail: at most this, at least this
FLAT_FALL = 1.5  # a fall from 90 to 10 % shorter than this many times the time above 90 %
SHORTEST_FALL = 0.25  # samples


@dataclass(frozen=True)
class Place:
    """A crossing: `at` (samples), `sd` (samples), `slope` (codes a sample, always positive)."""

    at: float
    sd: float
    slope: float


@dataclass(frozen=True)
class Peak:
    """Highest light: `value` and `sd` (codes), `at` (samples); `sharp`: rose within one sample, `decay` after it."""

    value: float
    sd: float
    at: float
    sharp: bool = False
    decay: float = 0.0


def smooth(y: np.ndarray, width: int) -> np.ndarray:
    """Running mean over an odd number of samples; the ends keep fewer."""
    width = max(1, min(int(width) | 1, len(y) | 1))
    if width == 1:
        return y.astype(float)
    ends = np.concatenate([[0.0], np.cumsum(y, dtype=float)])
    i = np.arange(len(y))
    lo, hi = np.maximum(i - width // 2, 0), np.minimum(i + width // 2 + 1, len(y))
    return (ends[hi] - ends[lo]) / (hi - lo)


def rough_width(y: np.ndarray) -> int:
    """Samples above half of the highest: how broad the pulse is, roughly."""
    return int((y > 0.5 * np.max(y)).sum())


def find_peak(y: np.ndarray, sigma: float) -> Peak:
    """Peak of y (codes above the baseline, noise sd sigma)."""
    width = rough_width(y)
    soft = smooth(y, width // 8)
    top = float(soft.max())
    lit = np.flatnonzero(y > 0.1 * top)
    rise = int(np.flatnonzero(y > 0.9 * top)[0] - lit[0])
    soft = smooth(y, min(width // 8, rise))
    k = int(np.argmax(soft))
    on = int(np.flatnonzero(y[: k + 1] > 0.5 * top)[0])
    last = y[on - 1] if on else 0.0
    highest_near = y[on + 1 : on + 4].max() if on + 1 < len(y) else top
    if on and y[on] - last > SHARP_SHARE * top and y[on] >= highest_near - 3 * sigma and last < 0.3 * top:
        return _sharp_peak(y, on, sigma, width)
    half = max(LEAST_HALF, 0.3 * width)
    while True:
        # the rise is often much quicker than the fall: the window must not reach down it
        lo, hi = max(0, math.ceil(k - min(half, 0.7 * (k - on) + 1))), min(len(y), math.floor(k + half) + 1)
        fit = _parabola(y, lo, hi, k, sigma)
        if fit is not None and fit[0][2] < 0:
            (a, b, c), cov = fit
            x = -b / (2 * c)
            if lo - k <= x <= hi - 1 - k:
                row = np.array([1.0, x, x * x])
                return Peak(a + b * x + c * x * x, NARROW * math.sqrt(row @ cov @ row), k + x)
        if half <= LEAST_HALF:
            return _three_point_peak(y, int(np.argmax(y)), sigma)
        half = max(LEAST_HALF, half * SHRINK)


def _sharp_peak(y: np.ndarray, on: int, sigma: float, width: int) -> Peak:
    """The decay drawn back to the middle of the sample within which the light rose."""
    half = max(3.0, 0.6 * width)
    while True:
        hi = min(len(y), on + math.floor(half) + 1)
        fit = _parabola(y, on, hi, on, sigma)
        if fit is not None or half <= 3:
            break
        half = max(3.0, half * SHRINK)
    if fit is None:
        decay = max(float(y[on] - y[on + 1]), 0.0) if on + 1 < len(y) else 0.0
        return Peak(float(y[on] + decay / 2), math.hypot(1.3 * sigma, decay / 4), on - 0.5, True, decay)
    (a, b, c), cov = fit
    row = np.array([1.0, -0.5, 0.25])
    return Peak(a - b / 2 + c / 4, NARROW * math.sqrt(row @ cov @ row), on - 0.5, True, max(-(b - c), 0.0))


def _three_point_peak(y: np.ndarray, k: int, sigma: float) -> Peak:
    if not 0 < k < len(y) - 1:
        return Peak(float(y[k]), sigma, float(k))
    before, at, after = (float(v) for v in y[k - 1 : k + 2])
    bend = before - 2 * at + after
    x = 0.5 * (before - after) / bend if bend < 0 else 0.0
    rise = -0.25 * (before - after) * x if bend < 0 else 0.0
    return Peak(at + rise, math.hypot(sigma, max(rise, -bend / 16) / 2), k + x)


def crossing(y: np.ndarray, level: float, peak: Peak, sigma: float, falling: bool) -> Place | None:
    """Where y crosses the level on the way up to the peak, or down from it; None where it never does."""
    k = int(np.clip(round(peak.at), 0, len(y) - 1))
    if peak.sharp:
        k = min(k + 1, len(y) - 1) if peak.at > k else k
    bounds = _bracket(y, level, k, falling)
    if bounds is None:
        return None
    guess = sum(bounds) / 2
    reach = 0.35 * abs(guess - peak.at)
    first, last = (k, len(y)) if falling else (0, k + 1)
    half = max(LEAST_HALF, reach)
    while True:
        lo, hi = max(first, math.ceil(guess - half)), min(last, math.floor(guess + half) + 1)
        found = _on_parabola(_parabola(y, lo, hi, guess, sigma), guess, level, half, falling)
        if found is not None:
            return found
        if half <= LEAST_HALF:
            break
        half = max(LEAST_HALF, half * SHRINK)
    return _from_few(y, level, guess, (first, last, reach), peak.value, sigma, falling)


def _from_few(y, level: float, guess: float, window: tuple, peak: float, sigma: float, falling: bool) -> Place | None:
    """Two neighbours where the light is steep there; else a parabola that counts what it leaves as noise."""
    first, last, reach = window
    found = _between_two(y, level, guess, peak, sigma, falling)
    half = max(LEAST_HALF, 0.5 * reach)
    if (found is None or found.slope < STEEP * sigma) and half > LEAST_HALF:
        lo, hi = max(first, math.ceil(guess - half)), min(last, math.floor(guess + half) + 1)
        return _on_parabola(_parabola(y, lo, hi, guess, sigma, rough=True), guess, level, half, falling) or found
    return found


def _bracket(y: np.ndarray, level: float, k: int, falling: bool) -> tuple[float, float] | None:
    """First and last crossing beside the peak, which noise sets apart; None where there is none."""
    side = y[k:] if falling else y[k::-1]
    below = np.flatnonzero(side < level)
    if not len(below):
        return None
    first = int(below[0])
    soft = smooth(side, max(1, first // 8))  # a spike far behind is not the crossing
    dark = np.flatnonzero(soft < level)
    reach = min(len(side), 2 * max(int(dark[0]) if len(dark) else first, first) + 3)
    above = np.flatnonzero(side[:reach] >= level)
    last = int(above[-1]) if len(above) else first - 1
    sign = 1 if falling else -1
    return k + sign * (first - 0.5), k + sign * (max(last, first - 1) + 0.5)


def _parabola(y: np.ndarray, lo: int, hi: int, centre: float, sigma: float, rough: bool = False):
    """(coefficients, covariance) of a parabola about the centre, None where it leaves more than noise.

    rough: what it leaves counts as noise instead.
    """
    n = hi - lo
    if n < 4:
        return None
    x = np.arange(lo, hi) - centre
    design = np.column_stack([np.ones(n), x, x * x])
    inverse = np.linalg.pinv(design.T @ design)
    part = inverse @ (design.T @ y[lo:hi])
    rest = float(((y[lo:hi] - design @ part) ** 2).sum()) / sigma**2
    free = n - 3
    if rest > free * (1 + 1.3 * math.sqrt(2 / free + NOISE_DOUBT)):
        if not rough:
            return None
        sigma *= math.sqrt(rest / free)
    return part, inverse * sigma**2


def _on_parabola(fit, guess: float, level: float, half: float, falling: bool) -> Place | None:
    if fit is None:
        return None
    (a, b, c), cov = fit
    x = 0.0
    for _ in range(8):
        slope = b + 2 * c * x
        if slope == 0:
            return None
        x -= (a + b * x + c * x * x - level) / slope
    slope = b + 2 * c * x
    if not abs(x) <= half or (slope < 0) != falling or slope == 0:
        return None
    row = np.array([1.0, x, x * x])
    return Place(guess + x, NARROW * math.sqrt(row @ cov @ row) / abs(slope), abs(slope))


def _between_two(y: np.ndarray, level: float, guess: float, peak: float, sigma: float, falling: bool) -> Place | None:
    """Straight line between the two samples, nearest to the guess, that hold the level between them."""
    pairs = (y[:-1] >= level) & (y[1:] < level) if falling else (y[:-1] < level) & (y[1:] >= level)
    found = np.flatnonzero(pairs)
    if not len(found):
        return None
    i = int(found[np.argmin(np.abs(found + 0.5 - guess))])
    slope = abs(float(y[i + 1] - y[i]))
    at = i + (level - float(y[i])) / float(y[i + 1] - y[i])
    share = min(slope / peak, 1.0)
    if falling or i + 2 >= len(y) or y[i] > FOOT * peak + 3 * sigma:
        return Place(at, math.hypot(sigma / slope, share * UNIFORM), slope)
    # the light began between these two: it lies between the straight line and the next piece drawn backwards
    onward, next_one = float(y[i + 2] - y[i + 1]), float(y[i + 3] - y[i + 2]) if i + 3 < len(y) else 0.0
    onward = max(onward, 2 * onward - next_one if next_one > 0 else 0.0, 1e-9)  # a rise that slackens began steeper
    back = max(i + 1 - (float(y[i + 1]) - level) / onward, float(i))
    late = max(back, at)
    early = min(back, at)
    return Place((early + late) / 2, math.hypot(sigma / slope, max(late - early, 0.5 * share) * UNIFORM), slope)


def second_rise(y: np.ndarray, peak: Peak, sigma: float, width: int) -> bool:
    """Whether the light rises again after its peak, or falls before it: more than one light."""
    span = max(1, width // 10) | 1
    soft = smooth(y, span)
    least = max(SECOND_SHARE * peak.value, 7 * sigma / math.sqrt(span))
    k = int(np.argmax(soft))
    after = soft[k:] - np.minimum.accumulate(soft[k:])
    before = soft[k::-1] - np.minimum.accumulate(soft[k::-1])
    return bool(after.max() > least or before.max() > least)


def shape_of(y: np.ndarray, peak: Peak, sigma: float) -> str:
    """Which of "exponential", "cut off" (the tail quenched) or "other", from the pace of the decay along the tail."""
    places = [crossing(y, q * peak.value, peak, sigma, True) for q in TAIL]
    up, ninety, ten = (
        crossing(y, q * peak.value, peak, sigma, falling) for q, falling in ((0.9, False), (0.9, True), (0.1, True))
    )
    if any(p is None for p in (*places, ninety, ten)):
        return "other"
    at = np.array([p.at for p in places if p is not None])
    pace = -np.diff(np.log(TAIL)) / np.maximum(np.diff(at), SHORTEST_FALL)
    top = ninety.at - (up.at if up else peak.at)  # type: ignore[union-attr]
    if ten.at - ninety.at < FLAT_FALL * top or pace.max() >= ABRUPT * pace[: np.argmax(pace) + 1].min():  # type: ignore[union-attr]
        return "cut off"
    if pace.max() <= STEADY * pace.min():
        return "exponential"
    return "other"
