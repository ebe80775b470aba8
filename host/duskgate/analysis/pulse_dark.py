"""The dark before a light pulse: its level and noise, in codes."""

from __future__ import annotations

import math

import numpy as np

LEAST = 8  # samples
LONG_TAIL = 100  # samples after the peak that tell the noise too


def baseline(c: np.ndarray) -> tuple[float, float, float, int] | None:
    """(level, its sd, noise, samples) before the light; None where too little of it was kept."""
    rough = middle(c[:LEAST])
    height = float(c.max()) - rough
    lit, half = int((c > rough + 0.1 * height).argmax()), int((c > rough + 0.5 * height).argmax())
    end = lit - 2 - 2 * max(half - lit, 0)
    if end < LEAST:
        return None
    quiet = c[:end]
    off = np.abs(quiet - middle(quiet))
    kept = quiet[off <= max(2.5, 3 * middle(off) * 1.4826)]
    n = len(kept)
    mean = float(kept.sum()) / n
    noise = math.sqrt(float(((kept - mean) ** 2).sum()) / (n - 1)) if n > 1 else 0.0
    coarse = 1 / 12 if noise < 0.4 else 0.0  # without noise the steps of the converter do not average out
    return mean, math.sqrt(max(noise**2, 1 / 12) / n + coarse), noise, n


def noise_of(c: np.ndarray, noise: float, n: int) -> tuple[float, int]:
    """(noise, samples it rests on): that of the baseline, and of the long tail of a pulse where it is like it."""
    tail = c[int(c.argmax()) :]
    if len(tail) < LONG_TAIL:
        return noise, n
    bend = (tail[:-2] - 2 * tail[1:-1] + tail[2:]) ** 2 / 6  # white noise: its variance
    seen = float(bend[bend < 9 * bend.mean()].mean())  # not where the light was cut off
    more = int(0.5 * len(bend))  # neighbours share samples: half as many count
    own = noise**2 + 1 / 12
    if noise < 0.4 or abs(seen / own - 1) > 3 * math.sqrt(2 / n + 2 / more):
        return noise, n
    return math.sqrt(max((n * own + more * seen) / (n + more) - 1 / 12, 0.0)), n + more


def middle(x: np.ndarray) -> float:
    """Median; numpy's own takes ten times as long on few samples."""
    rising, half = np.sort(x), len(x) // 2
    return float(rising[half] if len(x) % 2 else 0.5 * (rising[half - 1] + rising[half]))
