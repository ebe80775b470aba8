"""Invented light pulses of known duration, sampled as the board's converter does: phase, noise, steps, long codes.

Durations follow in closed form (exponential, cut off) or from the roots of the curve (rise and decay).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from duskgate.analysis.pulse_steps import STEP_CODES
from scipy.optimize import brentq

STEP_US = 2.0
BEFORE = 64  # samples before the edge
MOST = 2048
SHAPES = ("exponential", "cut off", "rise and decay")
RISE_US = 8.0


@dataclass(frozen=True)
class Pulse:
    """`light(t)`: share of the peak at t us after its start; t05, t01: true durations (us); energy: peak x us."""

    light: Callable[[Any], Any]
    t05: float
    t01: float
    energy: float


def exponential(t01_us: float) -> Pulse:
    """t0.5 = tau ln 2, t0.1 = tau ln 10, energy = peak tau (maths)."""
    tau = t01_us / np.log(10)
    return Pulse(lambda t: np.where(t >= 0, np.exp(-np.maximum(t, 0) / tau), 0.0), tau * np.log(2), t01_us, tau)


def cut_off(t01_us: float) -> Pulse:
    """An exponential of time constant t0.1, quenched there at 1/e of its peak."""
    tau = t01_us

    def light(t):
        return np.where((t >= 0) & (t < t01_us), np.exp(-np.maximum(t, 0) / tau), 0.0)

    return Pulse(light, tau * np.log(2), t01_us, tau * (1 - np.exp(-1)))


def rise_and_decay(t01_us: float, rise_us: float = RISE_US) -> Pulse:
    """exp(-t/tau) - exp(-t/rise), scaled to a peak of 1; tau so that t0.1 comes near what is asked."""
    tau = (t01_us - rise_us) / np.log(10)
    rise = min(rise_us, tau / 2)
    top_at = np.log(tau / rise) * tau * rise / (tau - rise)
    top = np.exp(-top_at / tau) - np.exp(-top_at / rise)

    def light(t):
        t = np.asarray(t, float)
        return np.where(t >= 0, np.exp(-np.maximum(t, 0) / tau) - np.exp(-np.maximum(t, 0) / rise), 0.0) / top

    def wide(q: float) -> float:
        down = brentq(lambda t: light(t) - q, top_at, 60 * tau)
        return float(down - brentq(lambda t: light(t) - q, 0, top_at))

    return Pulse(light, wide(0.5), wide(0.1), (tau - rise) / top)


MAKERS = dict(zip(SHAPES, (exponential, cut_off, rise_and_decay), strict=True))


def convert(volts: np.ndarray, long_by: Any = 0.0) -> np.ndarray:
    """12-bit codes of a signal in codes; four codes are longer than the others by `long_by`, one number or four."""
    codes, before = np.floor(volts + 0.5), 0.0
    for step, length in zip(STEP_CODES, np.broadcast_to(np.asarray(long_by, float), 4), strict=True):
        past = volts > step - 0.5 + before
        before += length
        codes = np.where(past, np.maximum(np.floor(volts + 0.5 - before), step), codes)
    return np.clip(codes, 0, 4095).astype(np.uint16)


def long_codes(rng, most: float = 9.0) -> np.ndarray:
    """Lengths of the four long codes: as often all equal as each for itself, up to `most`."""
    return np.full(4, rng.uniform(0, most)) if rng.uniform() < 0.5 else rng.uniform(0, most, 4)


def sample(pulse: Pulse, peak: float, noise: float, rng, long_by: Any = 0.0, base: float | None = None):
    """(codes, start_ns): the pulse at a random phase on a random baseline."""
    base = rng.uniform(20, 200) if base is None else base
    n = min(BEFORE + int(4 * pulse.t01 / STEP_US) + 32, MOST)
    t = (np.arange(n) - BEFORE + rng.uniform()) * STEP_US
    return convert(base + peak * pulse.light(t) + rng.normal(0, noise, n), long_by), int(-BEFORE * STEP_US * 1000)


def table_of(pulses: list, flash: int = 1) -> pd.DataFrame:
    """Rows as `Recording.pulses` from (codes, start_ns)."""
    rows = [
        {"boot": 0, "t_ns": (k + 1) * 10**9, "number": k + 1, "flash": flash, "start_ns": start, "step_ns": 2000,
         "peak": int(codes.max()), "cut": False, "complete": True, "codes": codes}
        for k, (codes, start) in enumerate(pulses)
    ]  # fmt: skip
    return pd.DataFrame(rows)
