"""Depth of field of a thin lens, the circle of confusion of a sensor, and the blur of diffraction.

Lengths in mm unless the name says otherwise. The distance is from the lens to the plane in focus; near and far end of
the depth of field are distances from the lens. Thin lens: no thickness, pupil magnification 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

PIXELS = 2.0  # a blur of two pixels is what a sensor with a colour filter array just shows; common practice, no source
GREEN_UM = 0.55  # wavelength at which eyes and sensors see best, in micrometres


@dataclass(frozen=True)
class Depth:
    """Depth of field: from near_mm to far_mm (inf beyond the hyperfocal distance), with what it was computed from."""

    near_mm: float
    far_mm: float
    hyperfocal_mm: float
    magnification: float
    circle_mm: float

    @property
    def total_mm(self) -> float:
        """Depth of field from its near to its far end, mm; inf beyond the hyperfocal distance."""
        return self.far_mm - self.near_mm


def circle_of_confusion_mm(pixel_pitch_um: float, pixels: float = PIXELS) -> float:
    """Diameter of the largest blur on the sensor that still counts as sharp, mm: so many pixels of that pitch."""
    if pixel_pitch_um <= 0 or pixels <= 0:
        raise ValueError("pixel pitch and number of pixels must be above 0")
    return pixel_pitch_um * pixels / 1000


def depth_of_field(focal_mm: float, f_number: float, distance_mm: float, circle_mm: float) -> Depth:
    """Near and far end of what a thin lens shows sharp.

    H = f^2 / (N c) + f; near = s (H - f) / (H + s - 2 f); far = s (H - f) / (H - s), infinite from s = H on. The
    hyperfocal relation stands in any textbook of photographic optics (Ray 2002, Applied Photographic Optics, 3rd ed.).
    Raises ValueError where a length is not above 0, or the distance not beyond the focal length (no image then).
    """
    if min(focal_mm, f_number, distance_mm, circle_mm) <= 0:
        raise ValueError("focal length, f-number, distance and circle must be above 0")
    if distance_mm <= focal_mm:
        raise ValueError("the distance must be longer than the focal length")
    hyperfocal = focal_mm**2 / (f_number * circle_mm) + focal_mm
    near = distance_mm * (hyperfocal - focal_mm) / (hyperfocal + distance_mm - 2 * focal_mm)
    inside = distance_mm < hyperfocal
    far = distance_mm * (hyperfocal - focal_mm) / (hyperfocal - distance_mm) if inside else math.inf
    return Depth(near, far, hyperfocal, focal_mm / (distance_mm - focal_mm), circle_mm)


def diffraction_disc_mm(f_number: float, magnification: float = 0.0, wavelength_um: float = GREEN_UM) -> float:
    """Diameter of the Airy disc on the sensor, to its first dark ring, mm: 2.44 lambda N (1 + m).

    Airy 1835, Trans. Camb. Phil. Soc. 5:283; N (1 + m) is the working f-number of a close-up.
    """
    return 2.44 * wavelength_um / 1000 * f_number * (1 + magnification)
