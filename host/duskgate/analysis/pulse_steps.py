"""The converter's long codes: how much too long each is, as far as one pulse tells, and codes set straight by it.

Where the light falls slowly through a long code, the codes above it lie too low by its length: a smooth fall with a
step in it, fitted on both sides, gives the length. Where no samples tell, it is only known to lie within its range.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

STEP_CODES = (512, 1536, 2560, 3584)  # the converter's long codes: RP2040 data sheet, erratum RP2040-E11
LEAST_SIDE = 6  # samples on each side of a long code
SHRINK = 0.5  # each next window is this much narrower
REACH = 0.5  # of the distance to the peak: the widest window to each side
MISFIT = 1.3  # as many standard deviations of the squares may be left over
NOISE_DOUBT = 0.04  # relative variance of a variance that some 50 samples gave
WIDEN = 1.3  # the window is chosen by the same samples


@dataclass(frozen=True)
class Steps:
    """Long codes between the baseline and the top: `at` (codes), `length` (codes by which each is too long).

    common: sd of what all pulses of one sensor err alike. own: sd of what differs from pulse to pulse. All shape (m,).
    """

    at: np.ndarray
    length: np.ndarray
    own: np.ndarray
    common: np.ndarray

    def above(self, codes: np.ndarray) -> np.ndarray:
        """Share of each long code that lies below each code, shape (m, n)."""
        at = self.at[:, None]
        return (codes > at) + 0.5 * (codes == at)

    def below(self, level: float, even: np.ndarray, codes: np.ndarray) -> float:
        """By how much a mean level of the first codes moves where the codes are set straight."""
        if not len(self.at) or level < float(self.at[0]) - 64:
            return 0.0
        near = np.abs(codes - level) <= 64
        return float((even[near] - codes[near]).mean())


def straighten(codes: np.ndarray, noise: float, lengths: tuple[float, float]) -> tuple[np.ndarray, Steps]:
    """(codes set straight, what is known of the long codes). lengths: least and most codes they are too long."""
    top, low = float(codes.max()), float(codes.min())
    at = np.array([s for s in STEP_CODES if low <= s <= top], float)
    middle, doubt = sum(lengths) / 2, (lengths[1] - lengths[0]) / math.sqrt(12)
    length, own, common = np.full(len(at), middle), np.zeros(len(at)), np.full(len(at), doubt)
    out = codes.astype(float)
    peak = int(codes.argmax())
    sigma = math.sqrt(noise**2 + 1 / 12)
    for k, step in enumerate(at):
        found = _length(codes, step, peak, sigma) if doubt > 0 else None
        if found is not None and abs(found[0] - middle) > (lengths[1] - lengths[0]) / 2 + 4 * found[1]:
            found = None  # the light itself fell off there
        inside = codes == step
        part = 0.5 * length[k]
        if found is not None:
            seen, sd, where, light = found
            weight = doubt**2 / (doubt**2 + sd**2)
            length[k] = min(max(middle + weight * (seen - middle), lengths[0]), lengths[1])
            own[k], common[k] = weight * sd, (1 - weight) * doubt
            out[where] += np.where(inside[where], np.clip(light - step, -0.5, length[k] + 0.5) - 0.5 * length[k], 0.0)
            part = 0.5 * length[k]
        out += length[k] * (codes > step) + part * inside
    return out, Steps(at, length, own, common)


def _length(codes: np.ndarray, step: float, peak: int, sigma: float):
    """(length, its sd, places of the passage, light there in codes) of one long code from the fall; None: not told."""
    after = codes[peak:]
    under, over = np.flatnonzero(after <= step), np.flatnonzero(after >= step)
    if not len(under) or not len(over):
        return None
    first, last = peak + int(under[0]), peak + int(over[-1])
    first, last = min(first, last + 1), max(last, first - 1)
    zone = slice(first, last + 1)
    half = REACH * (first - peak)
    while half >= LEAST_SIDE:
        lo, hi = max(peak, first - int(half)), min(len(codes), last + 1 + int(half))
        n_above, n_below = first - lo, hi - last - 1
        if min(n_above, n_below) < LEAST_SIDE:
            return None
        fit = _smooth_and_step(codes, lo, hi, zone, sigma)
        if fit is not None:
            return fit
        half *= SHRINK
    return None


def _smooth_and_step(codes: np.ndarray, lo: int, hi: int, zone: slice, sigma: float):
    """A cubic with a step across the zone, whose own samples are left out; None where it leaves more than noise."""
    middle, scale = (zone.start + zone.stop - 1) / 2, (hi - lo) / 2
    places = np.concatenate([np.arange(lo, zone.start), np.arange(zone.stop, hi)])
    x = (places - middle) / scale
    design = np.empty((5, len(x)))
    design[0], design[1] = 1.0, x
    np.multiply(x, x, out=design[2])
    np.multiply(design[2], x, out=design[3])
    design[4] = places < zone.start
    y = codes[places] - codes[zone.start - 1]
    inverse = np.linalg.inv(design @ design.T)
    part = inverse @ (design @ y)
    left = y - part @ design
    free = len(x) - 5
    if float(left @ left) / sigma**2 > free * (1 + MISFIT * math.sqrt(2 / free + NOISE_DOUBT)):
        return None
    where = np.arange(zone.start, zone.stop)
    u = (where - middle) / scale
    light = codes[zone.start - 1] + part[0] + u * (part[1] + u * (part[2] + u * part[3]))
    return -float(part[4]), WIDEN * sigma * math.sqrt(float(inverse[4, 4])), where, light
