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
from duskgate.analysis.stats import Z95, estimate

VERDICTS = ("good", "weak", "saturated", "cut", "several", "none")
FIGURES = ("t05_us", "t01_us", "peak", "energy", "rise_us", "delay_us")
SHAPES = ("exponential", "cut off", "other")
FULL_CODE = 4095
WEAK_CODES, WEAK_NOISES = 64, 40  # peak below this many codes, or this many times the noise: a tenth of it is lost
LEAST_BASELINE = 8  # samples
STEP_CODES = (512, 1536, 2560, 3584)  # the converter's long codes: RP2040 data sheet, erratum RP2040-E11
STEP_LENGTHS = (0.0, 9.0)  # by how many codes they are too long: none on an RP2350, about 9 at most on an RP2040
RISE_OF_BANDWIDTH = 0.35  # rise time 10 to 90 % times bandwidth; common practice, maths: ln 9 / (2 pi)

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
    """Figures of one way to read the codes: figure -> (value, sd of what differs from pulse to pulse) or None."""

    figures: dict[str, tuple[float, float] | None]
    marks: dict[str, float]
    peak: shape.Peak
    y: np.ndarray
    sigma: float
    baseline: tuple[float, float, int]


def measure(codes: Any, start_ns: int, step_ns: int, sensor: PulseSensor = PulseSensor()) -> PulseFound:
    """Measure one pulse of one head.

    codes: samples (codes of the converter), step_ns apart; start_ns: first sample relative to the edge.
    """
    c = np.asarray(codes, float)
    if len(c) < LEAST_BASELINE or step_ns <= 0:
        return refused("none")
    height = float(c.max() - np.median(c[:LEAST_BASELINE]))
    if height < 16:
        return refused("none")
    if c.max() >= sensor.full_code - sensor.clip_margin:
        return refused("saturated")
    lo, hi = sensor.step_lengths
    main = _read(even(c, (lo + hi) / 2), start_ns / 1000, step_ns / 1000, sensor.bandwidth_hz)
    if isinstance(main, str):
        return refused(main)
    width = shape.rough_width(main.y)
    if shape.second_rise(main.y, main.peak, main.sigma, width):
        return refused("several")
    others = [_read(even(c, hi), start_ns / 1000, step_ns / 1000, sensor.bandwidth_hz)] if hi > lo else []
    scale = [2 * shape.UNIFORM] * len(others)  # from the middle to the end of the range: times 2 / sqrt(12) is its sd
    if sensor.bandwidth_hz:
        others.append(_read(even(c, (lo + hi) / 2), start_ns / 1000, step_ns / 1000, None))
        scale = [*scale, 0.5]
    return _found(main, others, scale, start_ns / 1000, step_ns / 1000)


def refused(verdict: str, advice: str = "") -> PulseFound:
    """A pulse that gives no figures; advice in place of the verdict's own."""
    text = advice or ADVICE[verdict]
    none = {name: {"value": None, "n": 0, "text": text} for name in ("baseline", *FIGURES)}
    return PulseFound(verdict, text, **none)


def even(codes: np.ndarray, length: float) -> np.ndarray:
    """Codes set straight where four of them are too long by `length` codes; the long code itself goes to its middle."""
    out = np.asarray(codes, float).copy()
    for step in STEP_CODES:
        out += np.where(codes > step, length, 0.0) + np.where(codes == step, length / 2, 0.0)
    return out


def _read(c: np.ndarray, start_us: float, step_us: float, bandwidth_hz: float | None) -> _Read | str:
    """Figures of the codes, or the verdict that refuses them."""
    first = _baseline(c)
    if first is None:
        return "cut"
    base, base_sd, noise, n = first
    sigma = math.sqrt(noise**2 + 1 / 12)
    y = c - base
    if bandwidth_hz:
        lag = 1 / (2 * math.pi * bandwidth_hz) / (step_us * 1e-6)
        y = y + lag * np.gradient(y)
        sigma *= math.sqrt(1 + lag**2 / 2)
    peak = shape.find_peak(y, sigma)
    if peak.value < max(WEAK_CODES, WEAK_NOISES * noise):
        return "weak"
    sides = {(q, f): shape.crossing(y, q * peak.value, peak, sigma, f) for q in (0.5, 0.1) for f in (False, True)}
    if any(p is None for p in sides.values()) or sides[0.1, False].at < 1:  # type: ignore[union-attr]
        return "cut"
    figures: dict[str, tuple[float, float] | None] = {"peak": (peak.value, math.hypot(peak.sd, base_sd))}
    marks = {}
    for q, name in ((0.5, "50"), (0.1, "10")):
        up, down = sides[q, False], sides[q, True]
        assert up is not None and down is not None
        figures["t05_us" if q == 0.5 else "t01_us"] = _width(q, up, down, peak, base_sd, step_us)
        marks |= {f"rise{name}": start_us + _up_at(up, peak) * step_us, f"fall{name}": start_us + down.at * step_us}
    up = sides[0.5, False]
    assert up is not None
    figures["delay_us"] = (marks["rise50"], _up_sd(up, peak) * step_us)
    figures["rise_us"] = _rise(y, peak, sigma, step_us)
    figures["energy"] = _energy(y, peak, sigma, base_sd, step_us)
    return _Read(figures, marks, peak, y, sigma, (base, base_sd, n))


def _baseline(c: np.ndarray) -> tuple[float, float, float, int] | None:
    """(level, its sd, noise, samples) before the light; None where too little of it was kept."""
    rough = float(np.median(c[:LEAST_BASELINE]))
    lit = np.flatnonzero(c - rough > 0.1 * (c.max() - rough))
    half = np.flatnonzero(c - rough > 0.5 * (c.max() - rough))
    if not len(lit):
        return None
    end = int(lit[0]) - 2 - 2 * max(int(half[0] - lit[0]), 0)
    if end < LEAST_BASELINE:
        return None
    quiet = c[:end]
    spread = max(1.5, 3 * float(np.median(np.abs(quiet - np.median(quiet)))) * 1.4826)
    kept = quiet[np.abs(quiet - np.median(quiet)) <= max(spread, 2.5)]
    noise = float(kept.std(ddof=1)) if len(kept) > 1 else 0.0
    coarse = 1 / 12 if noise < 0.4 else 0.0  # without noise the steps of the converter do not average out
    return float(kept.mean()), math.sqrt(max(noise**2, 1 / 12) / len(kept) + coarse), noise, len(kept)


def _up_at(up: shape.Place, peak: shape.Peak) -> float:
    return peak.at if peak.sharp else up.at


def _up_sd(up: shape.Place, peak: shape.Peak) -> float:
    return shape.UNIFORM if peak.sharp else up.sd


def _width(q: float, up: shape.Place, down: shape.Place, peak: shape.Peak, base_sd: float, step_us: float):
    """(us, sd) for which the light is above q of its peak."""
    lean = 1 / down.slope + (0 if peak.sharp else 1 / up.slope)
    level = math.hypot(q * peak.sd, (1 - q) * base_sd) * lean
    # a rise between two samples moves start and peak together: for an exponential both moves cancel
    start = shape.UNIFORM * abs(q * peak.decay / down.slope - 1) if peak.sharp else up.sd
    return (down.at - _up_at(up, peak)) * step_us, math.hypot(level, down.sd, start) * step_us


def _rise(y: np.ndarray, peak: shape.Peak, sigma: float, step_us: float) -> tuple[float, float] | None:
    """(us, sd) from 10 to 90 % of the peak; None where the samples do not resolve it."""
    low, high = (shape.crossing(y, q * peak.value, peak, sigma, False) for q in (0.1, 0.9))
    if peak.sharp or low is None or high is None or high.at - low.at < 1:
        return None
    return (high.at - low.at) * step_us, math.hypot(low.sd, high.sd, 0.9 * peak.sd / high.slope) * step_us


def _energy(y: np.ndarray, peak: shape.Peak, sigma: float, base_sd: float, step_us: float) -> tuple[float, float]:
    """(code us, sd) of the whole light above the baseline."""
    lit = np.flatnonzero(y > 0.1 * peak.value)
    begin = max(int(lit[0]) - 2 - int(lit[0] - 0) // 4, 0)
    part = y[begin:]
    jump = float(np.max(np.diff(y))) if len(y) > 1 else 0.0
    end = float(part[-min(5, len(part)) :].mean())
    fall = shape.crossing(y, 0.1 * peak.value, peak, sigma, True)
    rest = max(end, 0.0) * (0.1 * peak.value / fall.slope) if fall is not None and end > 3 * sigma else 0.0
    sd = math.hypot(sigma * math.sqrt(len(part)), base_sd * len(part), jump * shape.UNIFORM, 0.5 * rest)
    return float(part.sum() + rest) * step_us, sd * step_us


def _found(main: _Read, others: list, scale: list[float], start_us: float, step_us: float) -> PulseFound:
    out: dict[str, dict] = {}
    for name in FIGURES:
        own = main.figures[name]
        if own is None:
            out[name] = {"value": None, "n": 1, "text": f"shorter than one sample of {step_us:g} us"}
            continue
        value, sd = own
        moved = [(o.figures[name], k) for o, k in zip(others, scale, strict=True) if not isinstance(o, str)]
        common = math.hypot(*[k * (m[0] - value) for m, k in moved if m is not None], 0.0)
        half = Z95 * math.hypot(sd, common)
        low = value - half if name == "delay_us" else max(value - half, 0.0)
        out[name] = estimate(value, low, value + half, 1, sys=Z95 * common)
    base, base_sd, n = main.baseline
    return PulseFound(
        "good",
        "",
        baseline=estimate(base, base - Z95 * base_sd, base + Z95 * base_sd, n),
        noise=math.sqrt(max(main.sigma**2 - 1 / 12, 0.0)),
        peak_at_us=start_us + main.peak.at * step_us,
        shape=shape.shape_of(main.y, main.peak, main.sigma),
        marks_us=main.marks,
        **out,
    )


def heads_in(flash: int) -> list[int]:
    """Numbers of the FLASH inputs in a mask, from 1."""
    return [k + 1 for k in range(4) if int(flash) >> k & 1]


def measure_one(row: Any, sensor: PulseSensor = PulseSensor(), alone: bool = True) -> PulseFound:
    """Measure one row of `Recording.pulses`. alone: False where other light is known to have fallen into it."""
    if not bool(row.complete):
        return refused("none", INCOMPLETE)
    if not len(row.codes):
        return refused("weak" if row.peak > 0 else "none")
    if not alone or len(heads_in(row.flash)) > 1:
        return refused("several")
    found = measure(row.codes, int(row.start_ns), int(row.step_ns), sensor)
    return refused("cut") if bool(row.cut) and found.verdict == "good" and found.t01_us["value"] is None else found


def measure_all(pulses: pd.DataFrame, sensor: PulseSensor = PulseSensor(), light_ok: Any = None) -> pd.DataFrame:
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
