"""The light pulse of a flash head, from the codes of one photodiode: how long, how strong, of what shape.

t0.5 and t0.1 are the times for which the light is above a half and above a tenth of its PEAK (common practice, no
source). Each figure comes with a 95 % interval that holds the converter's noise and steps, the place of the samples,
and the sensor's bandwidth where it is known. What the samples do not carry is refused, with what to change.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from duskgate.analysis import pulse_shape as shape
from duskgate.analysis.pulse_dark import LEAST, baseline, middle, noise_of
from duskgate.analysis.pulse_figures import Figure, energy_of, estimate_of, rise_of, up_at, width_of
from duskgate.analysis.pulse_steps import Steps, straighten
from duskgate.analysis.stats import Z95, estimate

VERDICTS = ("good", "weak", "saturated", "cut", "several", "none")
FIGURES = ("t05_us", "t01_us", "peak", "energy", "rise_us", "delay_us")
SHAPES = ("exponential", "cut off", "other")
FULL_CODE = 4095
WEAK_CODES, WEAK_NOISES = 64, 40  # peak below this many codes, or this many times the noise: a tenth of it is lost
LEAST_LIGHT = 16  # codes above the baseline
STEP_LENGTHS = (0.0, 9.0)  # by how many codes they are too long: none on an RP2350, about 9 at most on an RP2040
STEEP_DOUBT = 0.8  # samples: where the light begins within one, its place is less sure once the bandwidth is undone
BANDWIDTH_DOUBT = 1.5  # a bandwidth stated may be out by as much (a factor): sd of its share of a figure

ADVICE = {
    "good": "",
    "weak": "Too little light for a tenth of the peak: bring the photodiode nearer, or take grey film away.",
    "saturated": "Too much light, the top is clipped: move the photodiode away, or add grey film.",
    "cut": "The light was not dark again, or began, outside of what was kept: one head alone, less room light.",
    "several": "More than one light in this pulse: fire one head alone.",
    "none": "No light was kept with this pulse: look whether the photodiode is wired and sees the head.",
}
INCOMPLETE = "Part of this pulse's records is missing in the log: fire once more."


@dataclass(frozen=True)
class PulseSensor:
    """What is known of the photodiode, its amplifier and the converter.

    bandwidth_hz: of the amplifier, None where not known (its share of the figures is then left out). full_code: the
    highest code. clip_margin: codes below it from which an amplifier may be clipped. step_lengths: least and most
    codes by which the converter's long codes are too long.
    """

    bandwidth_hz: float | None = None
    full_code: int = FULL_CODE
    clip_margin: int = 48
    step_lengths: tuple[float, float] = STEP_LENGTHS


UNSTATED = PulseSensor()


def sensor_of(site: Any) -> PulseSensor:
    """The sensor as a site file states it; site: its object, or None."""
    khz = getattr(site, "photodiode_khz", None)
    return PulseSensor(bandwidth_hz=1000 * khz if khz else None)


@dataclass(frozen=True)
class PulseFound:
    """One pulse measured. Times in us since the edge, light in codes above the baseline; figures as estimates.

    A figure that cannot be given has value None and says why in "text". Estimates hold "sys" too: the half width of
    their interval that is the same for all pulses of one sensor.
    """

    verdict: str
    advice: str
    baseline: dict = field(default_factory=dict)
    noise: float = math.nan
    peak: dict = field(default_factory=dict)
    peak_at_us: float = math.nan
    rise_us: dict = field(default_factory=dict)
    t05_us: dict = field(default_factory=dict)
    t01_us: dict = field(default_factory=dict)
    energy: dict = field(default_factory=dict)
    delay_us: dict = field(default_factory=dict)
    shape: str = ""
    marks_us: dict = field(default_factory=dict)  # where the light crosses: "rise50", "fall50", "rise10", "fall10"


@dataclass(frozen=True)
class _Read:
    """What one way to read the codes gives; figures None where the samples do not resolve them."""

    figures: dict[str, Figure | None]
    marks: dict[str, float]
    peak: shape.Peak
    light: shape.Light
    baseline: tuple[float, float, float, int]
    rose_at: float


def measure(codes: Any, start_ns: int, step_ns: int, sensor: PulseSensor = UNSTATED) -> PulseFound:
    """Measure one pulse of one head.

    codes: samples (codes of the converter), step_ns apart; start_ns: first sample relative to the edge.
    """
    c = np.asarray(codes, float)
    first = _dark(c, step_ns, sensor)
    if isinstance(first, str):
        return refused(first)
    level, level_sd, *noise = first
    noise, n = noise_of(c, *noise)
    even, steps = straighten(c, noise, sensor.step_lengths)
    above = steps.above(c)
    start_us, step_us = start_ns / 1000, step_ns / 1000
    first = (level + steps.below(level, even, c), level_sd, noise, n)
    main = _read(even, above, first, start_us, step_us, sensor.bandwidth_hz)
    if isinstance(main, str):
        return refused(main)
    width = shape.rough_width(main.light.y)
    if shape.second_rise(main.light, main.peak, width):
        return refused("several")
    other = BANDWIDTH_DOUBT * sensor.bandwidth_hz if sensor.bandwidth_hz else None
    quick = _read(even, above, first, start_us, step_us, other) if other else None
    kind = shape.shape_of(main.light, main.peak, width, main.rose_at)
    return _found(main, None if isinstance(quick, str) else quick, steps, kind, start_us, step_us)


def _dark(c: np.ndarray, step_ns: int, sensor: PulseSensor) -> tuple[float, float, float, int] | str:
    """`baseline` of the codes, or the verdict that refuses them before anything is fitted."""
    if len(c) < LEAST or step_ns <= 0:
        return "none"
    top = float(c.max())
    if top - middle(c[:LEAST]) < LEAST_LIGHT:
        return "none"
    if top >= sensor.full_code - sensor.clip_margin:
        return "saturated"
    return baseline(c) or "cut"


def refused(verdict: str, advice: str = "") -> PulseFound:
    """A pulse that gives no figures; advice in place of the verdict's own."""
    text = advice or ADVICE[verdict]
    none = {name: {"value": None, "n": 0, "text": text} for name in ("baseline", *FIGURES)}
    return PulseFound(verdict, text, **none)


def _read(c: np.ndarray, above: np.ndarray, first: tuple, start_us: float, step_us: float, bandwidth_hz: float | None):
    """`_Read` of codes set straight, or the verdict that refuses them; above: `Steps.above`, first: `_baseline`."""
    base, base_sd, noise, n = first
    sigma = math.sqrt(noise**2 + 1 / 12)
    y, lag = c - base, 0.0
    if bandwidth_hz:
        lag = 1 / (2 * math.pi * bandwidth_hz) / (step_us * 1e-6)
        # what a first-order low-pass forgets from one sample to the next: no overshoot where the light jumps
        kept = math.exp(-1 / lag)
        y = (y - kept * np.concatenate([y[:1], y[:-1]])) / (1 - kept)
        sigma *= math.sqrt(1 + kept**2) / (1 - kept)
    light = shape.Light(y, sigma, above, 2 / n, lag)
    peak = shape.find_peak(light)
    if peak.value < max(WEAK_CODES, WEAK_NOISES * noise):
        return "weak"
    sides = {(q, f): shape.crossing(light, q * peak.value, peak, f) for q in (0.5, 0.1) for f in (False, True)}
    low = sides[0.1, False]
    if any(p is None for p in sides.values()) or low is None or low.at < 1:
        return "cut"
    dark = above[:, 0] if len(above) else np.zeros(0)
    figures: dict[str, Figure | None] = {"peak": Figure(peak.value, math.hypot(peak.sd, base_sd), (), peak.over - dark)}
    marks = {}
    for q, name, figure in ((0.5, "50", "t05_us"), (0.1, "10", "t01_us")):
        up, down = sides[q, False], sides[q, True]
        assert up is not None and down is not None
        figures[figure] = width_of(q, up, down, peak, base_sd, dark, step_us)
        marks |= {f"rise{name}": start_us + up_at(up, peak) * step_us, f"fall{name}": start_us + down.at * step_us}
    up = sides[0.5, False]
    assert up is not None
    lean = 0.0 if peak.sharp else step_us / up.slope
    moved = -lean * (up.over - 0.5 * peak.over - 0.5 * dark)
    normal = 0.0 if peak.sharp else math.hypot(up.sd * step_us, math.hypot(0.5 * peak.sd, 0.5 * base_sd) * lean)
    figures["delay_us"] = Figure(marks["rise50"], normal, (shape.UNIFORM * step_us,) if peak.sharp else (), moved)
    high = None if peak.sharp else shape.crossing(light, 0.9 * peak.value, peak, False)
    figures["rise_us"] = rise_of(low, high, peak, dark, step_us)
    figures["energy"] = energy_of(light, peak, sides[0.1, True], base_sd, dark, step_us)
    return _Read(figures, marks, peak, light, first, high.at if high else peak.at)


def _found(main: _Read, quick: _Read | None, steps: Steps, kind: str, start_us: float, step_us: float) -> PulseFound:
    out: dict[str, dict] = {}
    rise = main.figures["rise_us"]
    steep = rise is None or rise.value < 3 * step_us
    for name in FIGURES:
        own = main.figures[name]
        if own is None:
            out[name] = {"value": None, "n": 1, "text": f"shorter than one sample of {step_us:g} us"}
            continue
        other = quick.figures[name] if quick else None
        slow = abs(other.value - own.value) if other else 0.0
        if quick and steep and name.endswith("_us"):
            slow = math.hypot(slow, STEEP_DOUBT * step_us)
        out[name] = estimate_of(name, own, steps, slow)
    base, base_sd, noise, n = main.baseline
    return PulseFound(
        "good",
        "",
        baseline=estimate(base, base - Z95 * base_sd, base + Z95 * base_sd, n),
        noise=noise,
        peak_at_us=start_us + main.peak.at * step_us,
        shape=kind,
        marks_us=main.marks,
        **out,
    )


def heads_in(flash: int) -> list[int]:
    """Numbers of the FLASH inputs in a mask, from 1."""
    return [k + 1 for k in range(4) if int(flash) >> k & 1]


def measure_one(row: Any, sensor: PulseSensor = UNSTATED, alone: bool = True) -> PulseFound:
    """Measure one row of `Recording.pulses`. alone: False where other light is known to have fallen into it."""
    if not bool(row.complete):
        return refused("none", INCOMPLETE)
    if not len(row.codes):
        return refused("weak" if row.peak > 0 else "none")
    if not alone or len(heads_in(row.flash)) > 1:
        return refused("several")
    found = measure(row.codes, int(row.start_ns), int(row.step_ns), sensor)
    return refused("cut") if bool(row.cut) and found.verdict == "good" and found.t01_us["value"] is None else found


def measure_all(pulses: pd.DataFrame, sensor: PulseSensor = UNSTATED, light_ok: Any = None) -> pd.DataFrame:
    """A row a pulse of `Recording.pulses`.

    Columns boot, t_ns, number, flash, verdict, advice, shape, noise, and for each figure its value under its name
    (t05_us, t01_us, peak, energy, rise_us, delay_us), `_lo` and `_hi` (t05_lo ..), and `_sys`, the half width that all
    pulses of one sensor have in common; NaN where refused. light_ok: a bool a row, False where other light is known
    to have fallen into it.
    """
    ok = np.ones(len(pulses), bool) if light_ok is None else np.asarray(light_ok, bool)
    rows = []
    for row, alone in zip(pulses.itertuples(index=False), ok, strict=True):
        found = measure_one(row, sensor, bool(alone))
        one = {"boot": row.boot, "t_ns": row.t_ns, "number": row.number, "flash": row.flash}
        one |= {"verdict": found.verdict, "advice": found.advice, "shape": found.shape, "noise": found.noise}
        for name in FIGURES:
            one |= _cells(name, getattr(found, name))
        rows.append(one)
    return pd.DataFrame(rows, columns=columns())


def columns() -> list[str]:
    """Columns of `measure_all`, in order."""
    each = [c for name in FIGURES for c in _cells(name, {"value": None})]
    return ["boot", "t_ns", "number", "flash", "verdict", "advice", "shape", "noise", *each]


def _cells(name: str, est: dict) -> dict[str, float]:
    stem = name.removesuffix("_us")
    known = est["value"] is not None
    keys = {name: "value", f"{stem}_lo": "lo", f"{stem}_hi": "hi", f"{stem}_sys": "sys"}
    return {column: float(est[key]) if known else math.nan for column, key in keys.items()}
