"""Lights on the photodiode's input, played beside the FLASH edges: known shapes, and what the converter should say.

The heads, voltages and times are invented. The converter: 12 bits over 3.3 V (RP2040 data sheet, section 4.9).
"""

from dataclasses import dataclass

import numpy as np

from . import rig

PULSE_PIN = 26  # as firmware/wiring.py has it
FULL_V, CODES = 3.3, 4096
BASE_V = 0.21
BEFORE_US = 9.0  # the light begins before the FLASH input sees it
FALL_US = 5.0  # a light that is cut off takes so long to be gone


@dataclass(frozen=True)
class Light:
    """Rises in a straight line to `peak_v` in `rise_us`, then falls exponentially; `cut_us`: begins to end there."""

    peak_v: float
    rise_us: float
    tau_us: float
    cut_us: float | None = None

    def played(self, t_us: float) -> dict:
        """One pulse of a scene's `adc_wave`."""
        words = {"t_us": t_us, "peak_v": self.peak_v, "rise_us": self.rise_us, "tau_us": self.tau_us}
        return words | ({} if self.cut_us is None else {"cut_us": self.cut_us, "fall_us": FALL_US})

    def codes(self, t_us: np.ndarray) -> np.ndarray:
        """What the converter says at these times after the begin of the light."""
        return np.clip(np.round(self.volts(t_us) / FULL_V * CODES), 0, CODES - 1)

    def volts(self, t_us: np.ndarray) -> np.ndarray:
        falls = self.peak_v * np.exp(-np.maximum(t_us - self.rise_us, 0) / self.tau_us)
        light = np.where(t_us < self.rise_us, self.peak_v * np.maximum(t_us, 0) / self.rise_us, falls)
        if self.cut_us is not None:
            at_cut = self.peak_v * np.exp(-(self.cut_us - self.rise_us) / self.tau_us)
            light = np.where(t_us < self.cut_us, light, at_cut * np.maximum(1 - (t_us - self.cut_us) / FALL_US, 0))
        return BASE_V + light


HEADS = (
    Light(1.9, 18.0, 140.0),
    Light(2.6, 25.0, 60.0),
    Light(2.2, 15.0, 700.0, cut_us=310.0),
    Light(0.9, 30.0, 420.0),
)


def scene_of(fires: list[tuple[float, int]], beam: bool = True) -> dict:
    """A beam break at each `(t_us, head)`, and that head's light and FLASH edge after it."""
    edges, pulses = [], []
    for t_us, head in fires:
        at = t_us + rig.LIGHT_US + 40.0 * head
        if beam:
            edges += rig.pulse(rig.BEAM, t_us, 150e3)
        edges += rig.pulse(rig.FLASHES[head], at, rig.PULSE_US)
        pulses.append(HEADS[head].played(at - BEFORE_US))
    edges.sort(key=lambda edge: edge["t_us"])
    return {"origin": "now", "edges": edges, "adc_wave": {str(PULSE_PIN): {"base": BASE_V, "pulses": pulses}}}


def fit(light: Light, codes: np.ndarray, start_ns: int, step_ns: int) -> tuple[float, float]:
    """(largest error in codes, ns by which the samples were taken later than stated) at the shift that fits best."""
    told_us = BEFORE_US + (start_ns + step_ns * np.arange(len(codes))) / 1000

    def worst(shift_us: float) -> float:
        return float(np.abs(codes - light.codes(told_us + shift_us)).max())

    best = 0.0
    for reach, step in ((4.0, 0.02), (0.03, 0.001)):
        shifts = np.arange(best - reach, best + reach, step)
        errors = np.array([worst(shift) for shift in shifts])
        best = float(shifts[errors <= errors.min()].mean())
    return float(errors.min()), 1000 * best
