"""Times of day as directions on the clock's circle: where they centre and how closely.

Sources: Batschelet 1981, Circular Statistics in Biology; Zar 2010, Biostatistical Analysis, 5th ed., ch. 26-27 (mean
angle, resultant length r, Rayleigh's test with p = exp(sqrt(1 + 4n + 4(n^2 - R^2)) - (1 + 2n)), R = n r).
"""

from __future__ import annotations

import numpy as np

from .stats import lacking

DAY_H = 24.0
NEED = 6  # below this the test of Rayleigh has hardly any power


def resultant(hours: np.ndarray) -> tuple[float, float]:
    """(mean time in hours 0..24, length r 0..1) of times of day in hours. One at least."""
    angle = np.asarray(hours, float) * (2 * np.pi / DAY_H)
    s, c = float(np.sin(angle).mean()), float(np.cos(angle).mean())
    return float(np.arctan2(s, c) % (2 * np.pi) * DAY_H / (2 * np.pi)), float(np.hypot(s, c))


def rayleigh_p(n: int, r: float) -> float:
    """Chance of a resultant at least as long among n times spread evenly over the day (Zar's approximation)."""
    return float(np.exp(np.sqrt(1 + 4 * n + 4 * n * n * (1 - r * r)) - (1 + 2 * n)))


def centre(hours: np.ndarray) -> dict:
    """{"mean_h", "r", "p", "n"}, or "not enough data". With two peaks the mean lies between them, and r is small."""
    n = len(hours)
    if n < NEED:
        return lacking(n, NEED)
    mean, r = resultant(hours)
    return {"mean_h": mean, "r": r, "p": rayleigh_p(n, r), "n": n}
