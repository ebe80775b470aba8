"""Where the light of one pulse rises, peaks and falls: positions in samples, levels in codes above the baseline.

Around each place sought a parabola is fitted to as many samples as it suits within their noise; where it suits none,
two neighbouring samples decide. Nothing is assumed of the pulse as a whole.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

NEAR = 64  # samples to each side within which two neighbours are looked for
SHRINK = 0.6  # each next window is this much narrower
LEAST_HALF = 2  # samples to each side
SAFER = 0.75  # of the widest window that suits: what is left over there may still lean one way
REACH = 0.3  # of the way to the peak: the widest window to each side of a crossing
NARROW = 1.16  # the window is chosen by the same samples: its noise alone would be too little
FOOT = 0.03  # of the peak: still dark
STEEP = 4  # times the noise between two samples: these two alone tell where the level lies
ABRUPT_FALL = 6.0  # times the fall before it: the light was cut within one sample
SHARP_SHARE = 0.5  # of the peak within one sample: a rise that the converter cannot resolve
UNIFORM = 1 / math.sqrt(12)  # sd of a place that is known to lie between two samples
SECOND_SHARE = 0.08  # of the peak: a second rise as high as this is a light of its own
TAIL = (0.7, 0.5, 0.35, 0.25, 0.18, 0.12)
STEADY, ABRUPT = 1.6, 3.0  # ratio of the decay's pace along the tail: at most this, at least this
FLAT_FALL = 1.5  # a fall from 90 to 10 % shorter than this many times the time above 90 %
SHORTEST_FALL = 0.25  # samples

NO_STEPS = np.zeros((0, 0))


@dataclass(frozen=True)
class Place:
    """A crossing: `at` (samples), `sd` (samples), `slope` (codes a sample, always positive).

    over: share of each long code that lies below it. uniform: sd (samples) of a part that is even between two samples.
    """

    at: float
    sd: float
    slope: float
    over: np.ndarray = field(default_factory=lambda: np.zeros(0))
    uniform: float = 0.0


@dataclass(frozen=True)
class Peak:
    """Highest light: `value` and `sd` (codes), `at` (samples); `sharp`: rose within one sample, `decay` after it.

    first: of a sharp one, the first sample with all of its light.
    """

    value: float
    sd: float
    at: float
    sharp: bool = False
    decay: float = 0.0
    over: np.ndarray = field(default_factory=lambda: np.zeros(0))
    first: int = 0


@dataclass(frozen=True)
class Light:
    """Codes above the baseline `y` (n,), noise sd `sigma`, shares of long codes below each sample `above` (m, n).

    doubt: relative variance of sigma squared. lag: time constant, in samples, of a low-pass that was undone in y; 0
    where none was.
    """

    y: np.ndarray
    sigma: float
    above: np.ndarray
    doubt: float = 0.04
    lag: float = 0.0

    def over(self, i: int, part: float = 0.0) -> np.ndarray:
        """Shares at a place between samples i and i + 1."""
        if not len(self.above):
            return np.zeros(0)
        nxt = min(i + 1, self.above.shape[1] - 1)
        return (1 - part) * self.above[:, i] + part * self.above[:, nxt]


@lru_cache(maxsize=256)
def _basis(n: int) -> tuple[np.ndarray, float, float, float]:
    """Orthonormal polynomials of degree 0, 1, 2 over n even places about 0, (3, n), and what they are scaled by."""
    x = np.arange(n) - (n - 1) / 2
    square = (n * n - 1) / 12
    one, two = math.sqrt(n * square), float(np.sqrt((((x * x) - square) ** 2).sum()))
    return np.array([np.full(n, 1 / math.sqrt(n)), x / one, (x * x - square) / two]), square, one, two


class Parabola:
    """a + b u + c u^2 about the middle of samples lo .. hi - 1, by least squares; `rest`: squares left over."""

    def __init__(self, light: Light, lo: int, hi: int):
        self.lo, self.hi, self.sigma, self.doubt, self.n = lo, hi, light.sigma, light.doubt, hi - lo
        self.middle = (lo + hi - 1) / 2
        basis, self._square, self._one, self._two = _basis(self.n)
        seen = light.y[lo:hi]
        p0, p1, p2 = (basis @ seen).tolist()
        self.rest = max(float(seen @ seen) - p0 * p0 - p1 * p1 - p2 * p2, 0.0)
        self.c = p2 / self._two
        self.b = p1 / self._one
        self.a = p0 / math.sqrt(self.n) - self.c * self._square

    def suits(self) -> bool:
        """Whether it leaves no more than noise."""
        free = self.n - 3
        return self.rest <= self.sigma**2 * free * (1 + 1.3 * math.sqrt(2 / free + self.doubt))

    def value(self, u: float) -> float:
        """Codes at u."""
        return self.a + u * (self.b + u * self.c)

    def _row(self, u: float) -> tuple[float, float, float]:
        return 1 / math.sqrt(self.n), u / self._one, (u * u - self._square) / self._two

    def sd(self, u: float) -> float:
        """Standard deviation of the value at u, codes."""
        return NARROW * self.sigma * math.hypot(*self._row(u))

    def share(self, above: np.ndarray, u: float) -> np.ndarray:
        """How much of a shift of some samples (m, all samples) the value at u takes."""
        if not len(above):
            return np.zeros(0)
        return above[:, self.lo : self.hi] @ (np.array(self._row(u)) @ _basis(self.n)[0])

    def crossing(self, level: float, falling: bool) -> float | None:
        """Place u where it crosses the level in the direction asked."""
        inner = self.b * self.b - 4 * self.c * (self.a - level)
        if inner <= 0:
            return None
        slope = -math.sqrt(inner) if falling else math.sqrt(inner)
        if self.b * slope > 0:
            return 2 * (level - self.a) / (self.b + slope)
        return (slope - self.b) / (2 * self.c) if self.c else None


def smooth(y: np.ndarray, width: int) -> np.ndarray:
    """Running mean over an odd number of samples; the ends keep fewer."""
    width = max(1, min(int(width) | 1, len(y) | 1))
    if width == 1:
        return y.astype(float)
    n, half = len(y), width // 2
    ends = np.zeros(n + 1)
    np.cumsum(y, out=ends[1:])
    if width >= n:
        i = np.arange(n)
        lo, hi = np.maximum(i - half, 0), np.minimum(i + half + 1, n)
        return (ends[hi] - ends[lo]) / (hi - lo)
    out = np.empty(n)
    out[half : n - half] = (ends[width:] - ends[:-width]) / width
    some = np.arange(half + 1, width)
    out[:half] = ends[some] / some
    out[n - half :] = ((ends[n] - ends[n - some]) / some)[::-1]
    return out


def rough_width(y: np.ndarray) -> int:
    """Samples above half of the highest: how broad the pulse is, roughly."""
    return int((y > 0.5 * np.max(y)).sum())


def find_peak(light: Light) -> Peak:
    """Peak of the light."""
    y, sigma = light.y, light.sigma
    width = rough_width(y)
    soft = smooth(y, width // 8)
    top = float(soft.max())
    lit = int((y > 0.1 * top).argmax())
    rise = int((y > 0.9 * top).argmax()) - lit
    soft = smooth(y, rise) if rise < width // 8 else soft
    k = int(np.argmax(soft))
    on = int((y[: k + 1] > 0.5 * top).argmax())
    last = float(y[on - 1]) if on else 0.0
    highest_near = y[on + 1 : on + 4].max() if on + 1 < len(y) else top
    if on and y[on] - last > SHARP_SHARE * top and y[on] >= highest_near - 3 * sigma and last < 0.3 * top:
        return _sharp_peak(light, on, width)
    if light.lag and (full := _full_after_part(light, on, top)):
        return _begun_within(light, full, _sharp_peak(light, full, width))
    half = max(LEAST_HALF, 0.3 * width)
    while True:
        # the rise is often much quicker than the fall: the window must not reach down it
        lo, hi = max(0, math.ceil(k - min(half, 0.7 * (k - on) + 1))), min(len(y), math.floor(k + half) + 1)
        if hi - lo >= 4:
            fit = Parabola(light, lo, hi)
            u = -fit.b / (2 * fit.c) if fit.c < 0 else math.inf
            if abs(u) <= (hi - lo - 1) / 2 and fit.suits():
                return Peak(fit.value(u), fit.sd(u), fit.middle + u, over=fit.share(light.above, u))
        if half <= LEAST_HALF:
            return _three_point_peak(light, int(np.argmax(y)))
        half = max(LEAST_HALF, half * SHRINK)


def _full_after_part(light: Light, on: int, top: float) -> int:
    """First sample with all the light, where the one before it holds a part and the one before that is dark; else 0.

    A jump behind a low-pass that was undone looks so: what is left of a sample is the mean of the light since the
    sample before it.
    """
    y, sigma = light.y, light.sigma
    full = on + 1 if on + 1 < len(y) and y[on + 1] > y[on] + 3 * sigma else on
    if full < 2 or y[full] - y[full - 2] < SHARP_SHARE * top or y[full - 2] > FOOT * top + 3 * sigma:
        return 0
    return full if y[full] >= y[full + 1 : full + 4].max(initial=0.0) - 3 * sigma else 0


def _begun_within(light: Light, full: int, peak: Peak) -> Peak:
    """The peak drawn back to where the light began, by the part of it that the sample before `full` holds."""
    at = full - 1.0
    for _ in range(2):
        value = peak.value + peak.decay * (peak.at - at)
        part = min(max(float(light.y[full - 1]) / value, 0.0), 1.0)
        at = full - 1 + light.lag * math.log(1 - part * (1 - math.exp(-1 / light.lag)))
    return replace(peak, value=peak.value + peak.decay * (peak.at - at), at=at)


def _sharp_peak(light: Light, on: int, width: int) -> Peak:
    """The decay drawn back to the middle of the sample within which the light rose."""
    y, sigma = light.y, light.sigma
    half, suited = max(3.0, 0.6 * width), None
    while True:
        hi = min(len(y), on + math.floor(half) + 1)
        fit = Parabola(light, on, hi) if hi - on >= 4 else None
        if half <= 3 or suited:
            break
        suited = fit if fit is not None and fit.suits() else None
        half = max(3.0, half * (SAFER if suited else SHRINK))
    fit = suited if fit is None else fit
    if fit is None or not (suited or fit.suits()):
        decay = max(float(y[on] - y[on + 1]), 0.0) if on + 1 < len(y) else 0.0
        sd = math.hypot(1.3 * sigma, decay / 4)
        return Peak(float(y[on] + decay / 2), sd, on - 0.5, True, decay, light.over(on), on)
    u = on - 0.5 - fit.middle
    decay = max(-(fit.b + 2 * fit.c * u), 0.0)
    return Peak(fit.value(u), fit.sd(u), on - 0.5, True, decay, fit.share(light.above, u), on)


def _three_point_peak(light: Light, k: int) -> Peak:
    y, sigma = light.y, light.sigma
    if not 0 < k < len(y) - 1:
        return Peak(float(y[k]), sigma, float(k), over=light.over(k))
    before, at, after = (float(v) for v in y[k - 1 : k + 2])
    bend = before - 2 * at + after
    x = 0.5 * (before - after) / bend if bend < 0 else 0.0
    rise = -0.25 * (before - after) * x if bend < 0 else 0.0
    return Peak(at + rise, math.hypot(sigma, max(rise, -bend / 16) / 2), k + x, over=light.over(k))


def crossing(light: Light, level: float, peak: Peak, falling: bool) -> Place | None:
    """Where the light crosses the level on the way up to the peak, or down from it; None where it never does."""
    y = light.y
    k = int(min(max(round(peak.at), 0), len(y) - 1))
    if peak.sharp:
        k = peak.first
    bounds = _bracket(y, level, k, falling)
    if bounds is None:
        return None
    guess = sum(bounds) / 2
    reach = REACH * abs(guess - peak.at)
    first, last = (k, len(y)) if falling else (0, k + 1)
    spread = abs(bounds[1] - bounds[0])
    least = max(LEAST_HALF, 0.5 * spread)  # narrower than the noise sets the crossings apart nothing is told
    half = max(least, reach)
    suited = None
    while True:
        lo, hi = max(first, math.ceil(guess - half)), min(last, math.floor(guess + half) + 1)
        fit = Parabola(light, lo, hi) if hi - lo >= 4 else None
        if fit is not None and (suited or fit.suits()):
            found = _on_parabola(light, fit, guess, level, half, falling)
            if suited or (found and half <= least):
                return found or suited
            suited = found
        if half <= least:
            window = (first, last, max(least, 0.5 * reach), spread)
            return suited or _from_few(light, level, guess, window, peak, falling)
        half = max(least, half * (SAFER if suited else SHRINK))


def _from_few(light: Light, level: float, guess: float, window: tuple, peak: Peak, falling: bool) -> Place | None:
    """Two neighbours where the light is steep there; else a parabola that counts what it leaves as noise."""
    first, last, half, spread = window
    found = _between_two(light, level, guess, peak.value, falling)
    steep = found is not None and found.slope >= STEEP * light.sigma and spread <= LEAST_HALF
    lo, hi = max(first, math.ceil(guess - half)), min(last, math.floor(guess + half) + 1)
    if steep or half <= LEAST_HALF or hi - lo < 4:
        return found
    fit = Parabola(light, lo, hi)
    fit.sigma = max(light.sigma, math.sqrt(fit.rest / (fit.n - 3)))
    return _on_parabola(light, fit, guess, level, half, falling) or found


def _bracket(y: np.ndarray, level: float, k: int, falling: bool) -> tuple[float, float] | None:
    """First and last crossing beside the peak, which noise sets apart; None where there is none."""
    side = y[k:] if falling else y[k::-1]
    low = side < level
    first = int(low.argmax())
    if not low[first]:
        return None
    reach = min(len(side), 2 * first + 3)
    if first >= 16:  # a spike far behind is not the crossing
        soft = smooth(side[: 4 * first + 16], first // 8) < level
        dark = int(soft.argmax())
        reach = min(len(side), 2 * max(dark if soft[dark] else first, first) + 3)
    above = ~low[:reach]
    last = reach - 1 - int(above[::-1].argmax()) if above.any() else first - 1
    sign = 1 if falling else -1
    return k + sign * (first - 0.5), k + sign * (max(last, first - 1) + 0.5)


def _on_parabola(light: Light, fit: Parabola, guess: float, level: float, half: float, falling: bool) -> Place | None:
    u = fit.crossing(level, falling)
    if u is None or not abs(fit.middle + u - guess) <= half:
        return None
    slope = abs(fit.b + 2 * fit.c * u)
    return Place(fit.middle + u, fit.sd(u) / slope, slope, fit.share(light.above, u)) if slope > 0 else None


def _between_two(light: Light, level: float, guess: float, peak: float, falling: bool) -> Place | None:
    """Straight line between the two samples, nearest to the guess, that hold the level between them."""
    y, sigma = light.y, light.sigma
    near = max(int(guess) - NEAR, 0)
    over = y[near : int(guess) + NEAR + 2] >= level
    found = np.flatnonzero(over[:-1] & ~over[1:] if falling else ~over[:-1] & over[1:]) + near
    if not len(found):
        return None
    i = int(found[np.argmin(np.abs(found + 0.5 - guess))])
    slope = abs(float(y[i + 1] - y[i]))
    part = (level - float(y[i])) / float(y[i + 1] - y[i])
    at, share, over = i + part, min(slope / peak, 1.0), light.over(i, part)
    dark = FOOT * peak + 3 * sigma
    if falling and i and y[i + 1] < dark and slope > ABRUPT_FALL * max(float(y[i - 1] - y[i]), sigma):
        return Place(i + 0.5, 0.0, slope, over, UNIFORM)  # cut anywhere between the two
    if falling or i + 2 >= len(y) or y[i] > dark:
        return Place(at, math.hypot(sigma / slope, share * UNIFORM), slope, over)
    # the light began between these two: it lies between the straight line and the next piece drawn backwards
    onward, next_one = float(y[i + 2] - y[i + 1]), float(y[i + 3] - y[i + 2]) if i + 3 < len(y) else 0.0
    onward = max(onward, 2 * onward - next_one if next_one > 0 else 0.0, 1e-9)  # a rise that slackens began steeper
    back = max(i + 1 - (float(y[i + 1]) - level) / onward, float(i))
    late = max(back, at)
    early = min(back, at)
    sd = math.hypot(sigma / slope, max(late - early, 0.5 * share) * UNIFORM)
    return Place((early + late) / 2, sd, slope, over)


def second_rise(light: Light, peak: Peak, width: int) -> bool:
    """Whether the light rises again after its peak, or falls before it: more than one light."""
    span = max(1, width // 10) | 1
    soft = smooth(light.y, span)
    least = max(SECOND_SHARE * peak.value, 7 * light.sigma / math.sqrt(span))
    k = int(np.argmax(soft))
    after = soft[k:] - np.minimum.accumulate(soft[k:])
    before = soft[k::-1] - np.minimum.accumulate(soft[k::-1])
    return bool(after.max() > least or before.max() > least)


def shape_of(light: Light, peak: Peak, width: int, rose_at: float) -> str:
    """Which of "exponential", "cut off" (the tail quenched) or "other", from the pace of the decay along the tail.

    rose_at: where the light rose through 90 % of the peak, samples.
    """
    k = max(math.ceil(peak.at), 0)
    soft = smooth(light.y[k:], max(1, width // 12))
    shares = np.array([0.9, *TAIL, 0.1])
    lowest = np.minimum.accumulate(soft)
    i = np.searchsorted(-lowest, -shares * peak.value, side="right")  # first below
    if i[-1] >= len(soft) or not i[-1]:
        return "other"
    before = np.maximum(i - 1, 0)
    fall = np.maximum(soft[before] - soft[i], 1e-9)
    at = np.where(i > 0, before + np.clip((soft[before] - shares * peak.value) / fall, 0, 1), 0.0)
    pace = -np.diff(np.log(TAIL)) / np.maximum(np.diff(at[1:-1]), SHORTEST_FALL)
    top = k + at[0] - (peak.at if peak.sharp else rose_at)
    if at[-1] - at[0] < FLAT_FALL * top or pace.max() >= ABRUPT * pace[: np.argmax(pace) + 1].min():
        return "cut off"
    return "exponential" if pace.max() <= STEADY * pace.min() else "other"
