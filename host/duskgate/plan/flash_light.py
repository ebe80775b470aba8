"""Exposure by flash heads of known guide number: which f-number is right, and how far a setting is off.

Guide number: f-number times distance in metres for right exposure, at the ISO it is stated for and full power
(ISO 1230:1992). Light falls with the square of the distance, and grows in proportion to the power fraction. The light
of heads on one spot adds up, so the square of the right f-number is the sum over heads of (guide number / distance)^2,
whether they light together or one after another while the shutter is open. Shutter time does not enter: a flash is
over long before the shutter closes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import stdtrit

from . import ambient
from .dark_window import DEFAULT_STOPS_UNDER, OpenShutter, most_lux, stops_under

WIDTHS_FOR_INVERSE_SQUARE = 5.0  # from so many widths of the head on, inverse square holds within 1 % (see disc_share)
STATED = "guide numbers as stated, not measured here; frames of a test shot show how far they are off"


@dataclass(frozen=True)
class FlashHead:
    """A head that lights the subject. guide_number_m at full power for guide_number_iso; power: fraction of full,
    above 0 to 1; distance_m from head to subject; loss_stops: what a diffuser or filter takes, 0 without;
    width_m: of its lit face, None where not stated.

    Raises ValueError where a value cannot be.
    """

    guide_number_m: float
    distance_m: float
    power: float = 1.0
    guide_number_iso: float = 100.0
    loss_stops: float = 0.0

    width_m: float | None = None

    def __post_init__(self) -> None:
        if min(self.guide_number_m, self.distance_m, self.guide_number_iso) <= 0 or not 0 < self.power <= 1:
            raise ValueError("guide number, its ISO and distance must be above 0, the power above 0 and at most 1")
        if self.loss_stops < 0 or (self.width_m is not None and self.width_m < 0):
            raise ValueError("a loss in stops and a width must not be below 0")


def guide_number_m(head: FlashHead, iso: float) -> float:
    """Guide number in metres at the head's power and that ISO: GN sqrt(ISO / stated ISO) sqrt(power), less its loss."""
    if iso <= 0:
        raise ValueError("ISO must be above 0")
    return head.guide_number_m * math.sqrt(iso / head.guide_number_iso * head.power / 2**head.loss_stops)


def joint_guide_number_m(numbers_m: Sequence[float]) -> float:
    """Guide number of heads that light one spot from one distance: square root of the sum of squares."""
    return math.hypot(*numbers_m)


def right_aperture_f(heads: Sequence[FlashHead], iso: float, magnification: float = 0.0) -> float:
    """f-number to set for right exposure by all heads together; a close-up wants it wider by (1 + magnification).

    Raises ValueError without a head.
    """
    if not heads:
        raise ValueError("give at least one head")
    if magnification < 0:
        raise ValueError("the magnification must not be below 0")
    return math.hypot(*(guide_number_m(head, iso) / head.distance_m for head in heads)) / (1 + magnification)


def flash_lux_s(heads: Sequence[FlashHead]) -> float:
    """Light times time that the heads lay on the subject, lux s; neither aperture, ISO nor shutter time enters."""
    return ambient.right_exposure_lux_s(right_aperture_f(heads, 100.0), 100.0)


def flash_exposure(
    heads: Sequence[FlashHead],
    aperture_f: float,
    iso: float,
    magnification: float = 0.0,
    unsure_stops: float | None = None,
) -> dict[str, Any]:
    """How far a setting is from right exposure by flash.

    unsure_stops: half the width of what the owner trusts the guide numbers to, in stops; None: not known, so without
    an interval. Returns {"stops": estimate (above 0 is too bright), "right_aperture_f": estimate, "shares": share of
    the light of each head, "without": stops if that head stays dark, -inf for the only one}; n = 0: nothing measured.
    """  # fmt: skip
    right = right_aperture_f(heads, iso, magnification)
    if aperture_f <= 0:
        raise ValueError("the f-number must be above 0")
    if unsure_stops is not None and unsure_stops < 0:
        raise ValueError("unsure_stops must not be below 0")
    stops = 2 * math.log2(right / aperture_f)
    lights = [(guide_number_m(head, iso) / head.distance_m) ** 2 for head in heads]
    shares = [light / math.fsum(lights) for light in lights]
    return {
        "stops": _estimate(stops, None if unsure_stops is None else (stops - unsure_stops, stops + unsure_stops)),
        "right_aperture_f": _estimate(
            right, None if unsure_stops is None else (right / 2 ** (unsure_stops / 2), right * 2 ** (unsure_stops / 2))
        ),
        "shares": shares,
        "without": [stops + math.log2(1 - s) if len(heads) > 1 and s < 1 else -math.inf for s in shares],
    }


def _estimate(value: float, ends: tuple[float, float] | None) -> dict[str, Any]:
    lo, hi = ends or (None, None)
    return {"value": value, "lo": lo, "hi": hi, "n": 0, "text": STATED}


def distance_for_m(head: FlashHead, aperture_f: float, iso: float, magnification: float = 0.0) -> float:
    """Distance in metres at which one head alone exposes rightly."""
    if aperture_f <= 0 or magnification < 0:
        raise ValueError("the f-number must be above 0, the magnification not below 0")
    return guide_number_m(head, iso) / (aperture_f * (1 + magnification))


def power_for(heads: Sequence[FlashHead], aperture_f: float, iso: float, magnification: float = 0.0) -> float:
    """Factor by which the power of every head must change for right exposure: 2 means twice the fraction."""
    return (aperture_f / right_aperture_f(heads, iso, magnification)) ** 2


def disc_share(distance_m: float, width_m: float) -> float:
    """Light of an evenly bright disc as a share of what the inverse square from far away promises: d^2 / (d^2 + r^2).

    On the axis a disc of luminance L and radius r gives pi L r^2 / (d^2 + r^2) (geometry). 0.99 at five widths.
    """
    if distance_m <= 0 or width_m < 0:
        raise ValueError("the distance must be above 0, the width not below 0")
    return distance_m**2 / (distance_m**2 + (width_m / 2) ** 2)


def too_close(heads: Sequence[FlashHead]) -> list[dict[str, Any]]:
    """Heads nearer than five times their width, where light no longer falls with the square of the distance.

    {"head": index, "widths": distance in widths, "stops": about what the frame is darker than computed, below 0}, from
    `disc_share`; no exposure here takes it off, since a reflector is no even disc.
    """
    out = []
    for i, head in enumerate(heads):
        if head.width_m and head.distance_m < WIDTHS_FOR_INVERSE_SQUARE * head.width_m:
            lost = math.log2(disc_share(head.distance_m, head.width_m))
            out.append({"head": i, "widths": head.distance_m / head.width_m, "stops": lost})
    return out


def caught_by_shutter(shutter_s: float, sync_s: float, light_ends_us: float) -> dict[str, Any]:
    """Whether the shutter is wholly open for the whole flash, so that its time cannot change the flash's exposure.

    sync_s: shortest time at which the camera's shutter stands wholly open at once (its flash sync time). light_ends_us:
    from the shutter being wholly open to the end of the last head's light: delay, skew and duration together. Returns
    {"caught", "spare_us", "text"}; below the sync time part of the frame is dark.
    """
    if min(shutter_s, sync_s) <= 0 or light_ends_us < 0:
        raise ValueError("times must be above 0")
    open_us = 1e6 * (shutter_s - sync_s)
    if shutter_s < sync_s:
        return {"caught": False, "spare_us": None, "text": "shorter than the sync time: part of the frame stays dark"}
    if shutter_s == sync_s:
        text = "at the sync time itself the camera answers for it: an evenly lit test frame shows it"
        return {"caught": True, "spare_us": None, "text": text}
    caught = light_ends_us <= open_us
    text = "the whole flash is caught; a longer shutter changes nothing of it" if caught else (
        "the shutter may close before the flash is over: open it longer")  # fmt: skip
    return {"caught": caught, "spare_us": open_us - light_ends_us, "text": text}


def test_shot(
    aperture_f: float,
    iso: float,
    sync_s: float,
    lux: float | None = None,
    stops: float = DEFAULT_STOPS_UNDER,
    shade_share: float = 1.0,
    magnification: float = 0.0,
) -> dict[str, Any]:
    """A frame by day that shows the flash alone: the night's f-number and ISO at the camera's sync time.

    Flash exposure is the night's, since shutter time does not enter; the sky must stay `stops` under it. lux: light of
    the open sky now (level ground); None: not stated. Returns the setting, most_lux at which the frame shows the flash
    alone, sun_altitude_deg at which a clear sky gives that (lo and hi by a factor of 2 of the tables), and with lux:
    stops_under and enough.
    """  # fmt: skip
    shot = OpenShutter(sync_s, aperture_f, iso, stops, shade_share, magnification)
    most, k = most_lux(shot), ambient.TWILIGHT_FACTOR
    value, lo, hi = (ambient.sun_altitude_deg(lux_there) for lux_there in (most, most / k, most * k))
    out: dict[str, Any] = {
        "aperture_f": aperture_f, "iso": iso, "shutter_s": sync_s, "wanted_stops": stops, "most_lux": most,
        "sun_altitude_deg": {"value": value, "lo": lo, "hi": hi, "n": 0}, "stops_under": None, "enough": None,
    }  # fmt: skip
    if lux is not None:
        under = float(stops_under(shot, lux))
        out |= {"stops_under": under, "enough": under >= stops}
    return out


def measured_off(off_stops: Sequence[float], level: float = 0.95) -> dict[str, Any]:
    """What frames of the test shot say: {"value", "lo", "hi", "n", "level", "guide_number_factor"}.

    off_stops: by how many stops each frame of the flash alone is brighter (above 0) than it was computed to be, read
    from a grey card or the histogram. Value is their mean, lo and hi Student's t interval of it, None for one frame.
    guide_number_factor: what to multiply the stated guide numbers with, 2^(stops / 2). Raises ValueError without a
    frame or where one is not finite.
    """
    off = np.asarray(off_stops, float)
    if off.ndim != 1 or not len(off) or not np.all(np.isfinite(off)):
        raise ValueError("give the stops of at least one frame, all finite")
    mean, n = float(off.mean()), len(off)
    half = None
    if n > 1:
        half = float(stdtrit(n - 1, (1 + level) / 2) * off.std(ddof=1) / math.sqrt(n))
    lo, hi = (None, None) if half is None else (mean - half, mean + half)
    return {"value": mean, "lo": lo, "hi": hi, "n": n, "level": level, "guide_number_factor": 2 ** (mean / 2)}
