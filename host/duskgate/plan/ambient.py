"""Light of a clear sky on level ground, lux, from sun, moon and stars; and the exposure value of a setting.

Sun and full moon: the cubic fits of log10(lux) in the altitude, as they stand in a public astronomy toolbox and, from
memory, in P. K. Seidelmann (ed.), Explanatory Supplement to the Astronomical Almanac, 1992, section 9.3. They are for
clear air of usual clearness and contain its extinction. Read from a grid of 0.1 degrees by interpolation of the
logarithm, so that the light never falls as a body rises. Weather is not known here: a clear sky is assumed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

# lowest altitude of each piece in degrees, then L0..L3 of log10(lux) = sum Lk (altitude / 90)^k
SUN_PIECES = (
    (-18.0, 13.84, 262.72, 1447.42, 2797.93), (-12.0, 2.70, 12.17, -431.69, -1899.83),
    (-5.0, 2.88, 21.81, -258.11, -858.36), (-0.8, 2.88, 22.26, -207.64, 1034.30), (5.0, 3.05, 13.28, -45.98, 64.33),
    (20.0, 3.74, 3.97, -4.07, 1.47),
)  # fmt: skip
MOON_PIECES = (
    (-0.8, -2.79, 24.27, -252.95, 1321.29), (5.0, -2.58, 12.58, -42.58, 59.06), (20.0, -1.95, 4.06, -4.24, 1.56),
)  # fmt: skip
MEAN_PARALLAX_DEG = 0.951  # horizontal parallax for which the moon's fit is written
# Lux on a flat receiver at EV 0 for ISO 100: C / 100 with C = 250. ISO 2720:1974 lets meters have C from 240 to 400, so
# that two right exposures may differ by 0.7 stops; where flash and sky are compared, the same C stands on both sides.
LUX_AT_EV0 = 2.5
TWILIGHT_FACTOR = 2.0  # published tables of twilight differ by about this
NIGHT_FACTOR = 3.2  # dark skies: starlight alone 2e-4 lux, with bright airglow 2e-3, about this around the fit's end
MOON_FACTOR = 1.5  # two published models of the full moon differ by this
THICK_CLOUD_SHARE = 0.1  # what thick cloud may leave (Janiczek & DeYoung 1987, from memory); never counted on
CLEAR_SKY = ("A clear sky is assumed. Thick cloud may leave a tenth of the light; over a lit town cloud can also be "
             "brighter than a clear sky.")  # fmt: skip


def _grid(pieces: tuple[tuple[float, ...], ...]) -> tuple[np.ndarray, np.ndarray]:
    """Altitudes every 0.1 degrees from the lowest piece to the zenith, and log10 of the lux there, never falling."""
    starts = np.array([piece[0] for piece in pieces])
    altitude = np.round(np.arange(starts[0] * 10, 901)) / 10
    which = np.searchsorted(starts, altitude, side="right") - 1
    terms = np.array([piece[1:] for piece in pieces])[which]
    log = (terms * (altitude / 90)[:, None] ** np.arange(4)).sum(axis=1)
    return altitude, np.maximum.accumulate(log)


SUN_GRID = _grid(SUN_PIECES)
MOON_GRID = _grid(MOON_PIECES)


@dataclass(frozen=True)
class SkyLight:
    """Lux on level ground under an open clear sky: value with lo and hi by what published tables differ; n = 0, since
    nothing was measured here. Arrays of one shape."""

    value: np.ndarray
    lo: np.ndarray
    hi: np.ndarray
    n: int = 0


def sun_lux(altitude_deg: np.ndarray | float) -> np.ndarray:
    """Lux by day and in twilight; below -18 degrees the light of stars and airglow, 6.4e-4 lux, which the fit ends in.

    altitude_deg: airless altitude of the sun's centre, any shape. Raises ValueError beyond -90..90 or where not finite.
    """
    return 10 ** np.interp(_altitudes(altitude_deg), *SUN_GRID)


def sun_altitude_deg(lux: float) -> float:
    """Altitude at which the open sky gives so much light: the inverse of `sun_lux`. -inf where it is never so dark.

    Raises ValueError where lux is not above 0. Above the noon sun's 129,000 lux the answer is 90.
    """
    if not lux > 0:
        raise ValueError("the light must be above 0 lux")
    if lux < 10 ** SUN_GRID[1][0]:
        return -math.inf
    return float(np.interp(math.log10(lux), SUN_GRID[1], SUN_GRID[0]))


def moon_share(phase_angle_deg: np.ndarray | float) -> np.ndarray:
    """Light of the moon at that phase angle (0 full, 90 half, 180 new) as a share of the full moon's.

    log10 of it is -8.68e-3 f - 2.2e-9 f^4 (same source as the fit). Raises ValueError beyond 0..180.
    """
    angle = np.asarray(phase_angle_deg, float)
    if not np.all((angle >= 0) & (angle <= 180)):
        raise ValueError("a phase angle lies from 0 (full) to 180 degrees (new)")
    return 10 ** (-8.68e-3 * angle - 2.2e-9 * angle**4)


def air_mass(altitude_deg: np.ndarray | float) -> np.ndarray:
    """Air that light passes, 1 at the zenith (Kasten & Young 1989, Appl. Opt. 28:4735); altitudes below 0 count as 0.

    1 / (sin h + 0.50572 (h + 6.07995)^-1.6364), h in degrees.
    """
    h = np.maximum(_altitudes(altitude_deg), 0)
    return 1 / (np.sin(np.radians(h)) + 0.50572 * (h + 6.07995) ** -1.6364)


def moon_lux(
    altitude_deg: np.ndarray | float,
    phase_angle_deg: np.ndarray | float,
    parallax_deg: np.ndarray | float = MEAN_PARALLAX_DEG,
    haze_mag: float = 0.0,
) -> np.ndarray:
    """Lux of the moon alone; 0 from 0.8 degrees below the horizon down.

    altitude_deg: of its centre; phase_angle_deg: 0 full; parallax_deg: horizontal parallax, its nearness, 0.9..1.03.
    haze_mag: extinction at the zenith beyond the usual clear air that the fit contains, magnitudes per air mass.
    Arrays are broadcast together. Raises ValueError for what cannot be.
    """
    if haze_mag < 0:
        raise ValueError("haze cannot be below 0 magnitudes: the fit already is for clear air")
    altitude, parallax = _altitudes(altitude_deg), np.asarray(parallax_deg, float)
    if not np.all((parallax > 0.8) & (parallax < 1.1)):
        raise ValueError("the moon's horizontal parallax lies near 0.95 degrees")
    full = np.where(altitude >= MOON_GRID[0][0], 10 ** np.interp(altitude, *MOON_GRID), 0.0)
    near = (parallax / MEAN_PARALLAX_DEG) ** 2
    return full * moon_share(phase_angle_deg) * near * 10 ** (-0.4 * haze_mag * air_mass(altitude))


def sky_light(
    sun_altitude_deg: np.ndarray,
    moon_altitude_deg: np.ndarray | None = None,
    moon_phase_angle_deg: np.ndarray | float = 180.0,
    moon_parallax_deg: np.ndarray | float = MEAN_PARALLAX_DEG,
    haze_mag: float = 0.0,
    glow_lux: float = 0.0,
) -> SkyLight:
    """Light of sun, moon and stars together, with the range in which published tables lie. moon None: left out.

    glow_lux: lamps and the sky over a town, measured at the place; the default 0 says that there is none. It is added
    as it stands. The range is a factor of 2 in twilight, 3.2 below -18 degrees and in between evenly in the logarithm,
    and 1.5 for the moon.
    """
    if not glow_lux >= 0:
        raise ValueError("the glow of lamps must not be below 0 lux")
    sun = sun_lux(sun_altitude_deg)
    factor = 10 ** np.interp(sun_altitude_deg, [-18, -12], np.log10([NIGHT_FACTOR, TWILIGHT_FACTOR]))
    moon = np.zeros_like(sun)
    if moon_altitude_deg is not None:
        moon = moon_lux(moon_altitude_deg, moon_phase_angle_deg, moon_parallax_deg, haze_mag)
    lo = sun / factor + moon / MOON_FACTOR + glow_lux
    hi = sun * factor + moon * MOON_FACTOR + glow_lux
    return SkyLight(sun + moon + glow_lux, lo, hi)


def ev100(lux: np.ndarray | float) -> np.ndarray:
    """Exposure value for ISO 100 of light on a flat receiver: log2(lux / 2.5) (ISO 2720:1974 with C = 250).

    -inf for 0 lux. Raises ValueError below 0.
    """
    light = np.asarray(lux, float)
    if not np.all(light >= 0):
        raise ValueError("light must not be below 0 lux")
    with np.errstate(divide="ignore"):
        return np.log2(light / LUX_AT_EV0)


def setting_ev100(aperture_f: float, shutter_s: float, iso: float, magnification: float = 0.0) -> float:
    """Exposure value, for ISO 100, that this setting is right for: log2(N^2 / t) - log2(ISO / 100) (APEX).

    N is the working f-number, aperture_f x (1 + magnification), which a close-up darkens. Raises ValueError at or
    below 0.
    """
    if min(aperture_f, shutter_s, iso) <= 0 or magnification < 0:
        raise ValueError("f-number, shutter time and ISO must be above 0, the magnification not below 0")
    return math.log2((aperture_f * (1 + magnification)) ** 2 / shutter_s) - math.log2(iso / 100)


def right_exposure_lux_s(aperture_f: float, iso: float, magnification: float = 0.0) -> float:
    """Light times time, lux s, that exposes rightly at that setting: 250 N^2 / ISO, whoever gives it, sky or flash."""
    return LUX_AT_EV0 * 2 ** setting_ev100(aperture_f, 1.0, iso, magnification)


def _altitudes(altitude_deg: np.ndarray | float) -> np.ndarray:
    altitude = np.asarray(altitude_deg, float)
    if not np.all(np.abs(altitude) <= 90):
        raise ValueError("altitudes lie from -90 to 90 degrees")
    return altitude
