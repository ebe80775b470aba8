"""Figures of one light pulse with their errors: times between crossings, energy, and the interval they make up."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from duskgate.analysis import pulse_shape as shape
from duskgate.analysis.pulse_steps import Steps
from duskgate.analysis.stats import Z95, estimate

# half width of the middle 95 %, in standard deviations, of a normal and an even error together, by the even one's
# share of the variance (0, 0.1 .. 1): maths, by quadrature
Z95_EVEN = np.array([1.960, 1.959, 1.955, 1.948, 1.936, 1.917, 1.892, 1.857, 1.810, 1.744, 1.645])
EVEN_SHARES = np.linspace(0, 1, 11)
# a rise and a peak of few samples: sd (samples) of t0.1 grows as (this / samples above a tenth)^2; set on invented
# pulses (tests/benchmarks/truth_pulse.py)
FEW_SAMPLES = 5.5


@dataclass(frozen=True)
class Figure:
    """`value`; `sd` of its normal errors; `even`: sds of even ones; `shift`: by a code on each long code, (m,)."""

    value: float
    sd: float
    even: tuple[float, ...]
    shift: np.ndarray


def up_at(up: shape.Place, peak: shape.Peak) -> float:
    """Where the light began, samples: a crossing, or the middle of the sample within which it rose."""
    return peak.at if peak.sharp else up.at


def width_of(q: float, up, down, peak: shape.Peak, base_sd: float, dark: np.ndarray, step_us: float) -> Figure:
    """Time for which the light is above q of its peak; dark: shares of the long codes below the baseline."""
    own = q * peak.over + (1 - q) * dark
    shift = (down.over - own) / down.slope
    lean = 1 / down.slope
    if not peak.sharp:
        shift, lean = shift + (up.over - own) / up.slope, lean + 1 / up.slope
    level = math.hypot(q * peak.sd, (1 - q) * base_sd) * lean
    # a rise between two samples moves start and peak together: for an exponential both moves cancel
    start = shape.UNIFORM * abs(q * peak.decay / down.slope - 1) if peak.sharp else 0.0
    samples = max(down.at - up_at(up, peak), 1.0)
    few = 0.0 if peak.sharp else (FEW_SAMPLES / samples) ** 2 * (q < 0.5)
    sd = math.hypot(level, down.sd, 0.0 if peak.sharp else up.sd, few) * step_us
    even = (start * step_us, down.uniform * step_us)
    return Figure((down.at - up_at(up, peak)) * step_us, sd, even, shift * step_us)


def rise_of(low, high, peak: shape.Peak, dark: np.ndarray, step_us: float) -> Figure | None:
    """Time from 10 to 90 % of the peak; None where the samples do not resolve it."""
    if peak.sharp or low is None or high is None or high.at - low.at < 1:
        return None
    sd = math.hypot(low.sd, high.sd, 0.9 * peak.sd / high.slope) * step_us
    shift = (low.over - 0.1 * peak.over - 0.9 * dark) / low.slope
    shift = shift - (high.over - 0.9 * peak.over - 0.1 * dark) / high.slope
    return Figure((high.at - low.at) * step_us, sd, (), shift * step_us)


def energy_of(light: shape.Light, peak: shape.Peak, fall, base_sd: float, dark: np.ndarray, step_us: float) -> Figure:
    """The whole light above the baseline, code us."""
    y, sigma = light.y, light.sigma
    begin = max(int((y > 0.1 * peak.value).argmax()) * 3 // 4 - 2, 0)
    part = y[begin:]
    jump = float(np.max(np.diff(y))) if len(y) > 1 else 0.0
    end = float(part[-min(5, len(part)) :].mean())
    rest = max(end, 0.0) * (0.1 * peak.value / fall.slope) if end > 3 * sigma else 0.0
    sd = math.hypot(sigma * math.sqrt(len(part)), base_sd * len(part), 0.5 * rest)
    shift = (light.above[:, begin:] - dark[:, None]).sum(axis=1) if len(dark) else dark
    return Figure(float(part.sum() + rest) * step_us, sd * step_us, (jump * shape.UNIFORM * step_us,), shift * step_us)


def estimate_of(name: str, own: Figure, steps: Steps, slow: float) -> dict:
    """An estimate with its interval; slow: sd of the bandwidth's share."""
    # the four may be equally long or not: the larger of both sums
    each = own.shift * steps.common
    long = max(abs(float(each.sum())), math.hypot(*each.tolist(), 0.0))
    seen = own.shift * steps.own
    common = math.hypot(long, slow)
    whole = math.hypot(own.sd, common, *own.even, *seen.tolist())
    z = float(np.interp((max(long, *own.even, 0.0) / whole) ** 2, EVEN_SHARES, Z95_EVEN)) if whole else Z95
    low = own.value - z * whole if name == "delay_us" else max(own.value - z * whole, 0.0)
    return estimate(own.value, low, own.value + z * whole, 1, sys=z * common)
