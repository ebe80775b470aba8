"""Sun, moon and twilight at a place, computed here without any network (astronomy-engine, Don Cross, MIT licence).

Definitions (US Naval Observatory, "Rise, Set, and Twilight Definitions"): rise and set when the upper limb touches
a level horizon under average refraction; civil, nautical and astronomical twilight end with the sun's centre 6, 12
and 18 degrees below it, without refraction.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import astronomy
import numpy as np

US = 1_000_000
DAY_US = 86_400 * US
J2000_US = 946_728_000 * US  # 2000-01-01T12:00:00Z, from which the library counts its days
EARTH_RADIUS_KM = 6378.137  # at the equator (WGS 84)
TWILIGHTS = {"civil": -6.0, "nautical": -12.0, "astronomical": -18.0}
BANDS = ("day", "civil twilight", "nautical twilight", "astronomical twilight", "night")


@dataclass(frozen=True)
class Place:
    """Degrees, north and east positive; metres above the sea."""

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0

    def observer(self) -> astronomy.Observer:
        """The place as the almanac library wants it."""
        return astronomy.Observer(self.latitude_deg, self.longitude_deg, self.height_m)


@dataclass(frozen=True)
class Crossing:
    utc_us: int
    rising: bool


def _time(utc_us: int) -> astronomy.Time:
    return astronomy.Time((int(utc_us) - J2000_US) / DAY_US)


def _us(time: astronomy.Time) -> int:
    return J2000_US + round(time.ut * DAY_US)


def crossings(place: Place, start_us: int, end_us: int, body: str = "sun", altitude_deg: float | None = None):
    """Every rise and set of a body between two instants, in time order; none where it stays up or down.

    body: "sun" or "moon". altitude_deg: of the centre, airless, instead of rise and set.
    """
    observer = place.observer()
    which = astronomy.Body.Sun if body == "sun" else astronomy.Body.Moon
    found = []
    for direction in (astronomy.Direction.Rise, astronomy.Direction.Set):
        at = start_us
        while at < end_us:
            days = (end_us - at) / DAY_US
            if altitude_deg is None:
                time = astronomy.SearchRiseSet(which, observer, direction, _time(at), days)
            else:
                time = astronomy.SearchAltitude(which, observer, direction, _time(at), days, altitude_deg)
            if time is None or _us(time) >= end_us:
                break
            found.append(Crossing(_us(time), direction is astronomy.Direction.Rise))
            at = _us(time) + 60 * US
    return sorted(found, key=lambda c: c.utc_us)


@dataclass(frozen=True)
class Night:
    """Sun and moon between two instants (us UTC), usually noon and noon. None: that does not happen then.

    dusk and dawn hold the ends of civil, nautical and astronomical twilight. bands cover the whole span. moon_up are
    the spans in which the moon is above the horizon. moon_lit: illuminated fraction in the middle of the night.
    """

    start_us: int
    end_us: int
    sunset_us: int | None
    sunrise_us: int | None
    dusk_us: dict[str, int | None]
    dawn_us: dict[str, int | None]
    bands: list[tuple[str, int, int]]
    moon_up: list[tuple[int, int]]
    moonrise_us: int | None
    moonset_us: int | None
    moon_lit: float
    moon_phase_deg: float


def night_sky(place: Place, start_us: int, end_us: int) -> Night:
    """Everything about one night. place must lie within -90..90 and -180..180 degrees."""
    sun = crossings(place, start_us, end_us)
    twilights = {name: crossings(place, start_us, end_us, "sun", deg) for name, deg in TWILIGHTS.items()}
    moon = crossings(place, start_us, end_us, "moon")
    middle = (start_us + end_us) // 2
    sunset = _first(sun, rising=False)
    return Night(
        start_us,
        end_us,
        sunset,
        _last(sun, rising=True),
        {name: _first(c, rising=False) for name, c in twilights.items()},
        {name: _last(c, rising=True) for name, c in twilights.items()},
        _bands(place, start_us, end_us, [sun, *twilights.values()]),
        _up(place, moon, start_us, end_us),
        _first(moon, rising=True),
        _first(moon, rising=False),
        moon_lit(middle),
        moon_phase_deg(middle),
    )


def _first(found: list[Crossing], rising: bool) -> int | None:
    return next((c.utc_us for c in found if c.rising == rising), None)


def _last(found: list[Crossing], rising: bool) -> int | None:
    return next((c.utc_us for c in reversed(found) if c.rising == rising), None)


def _bands(place: Place, start: int, end: int, found: list[list[Crossing]]) -> list[tuple[str, int, int]]:
    """Name, start, end of each stretch of one kind of light; depth 0 is day, 4 is night."""
    marks = sorted({c.utc_us for level in found for c in level} | {start, end})
    heights = sun_altitude_deg(place, np.array([(a + b) // 2 for a, b in pairwise(marks)]))
    limits = (-0.8333, *TWILIGHTS.values())  # upper limb: 16' half diameter and 34' refraction
    out: list[tuple[str, int, int]] = []
    for a, b, height in zip(marks, marks[1:], heights.tolist(), strict=False):
        name = BANDS[sum(height < limit for limit in limits)]
        if out and out[-1][0] == name:
            out[-1] = (name, out[-1][1], b)
        else:
            out.append((name, a, b))
    return out


def _up(place: Place, found: list[Crossing], start: int, end: int) -> list[tuple[int, int]]:
    marks = [start, *(c.utc_us for c in found), end]
    if found:
        up = not found[0].rising
    else:
        up = bool(moon_altitude_deg(place, np.array([(start + end) // 2]))[0] > 0)
    out = []
    for a, b in pairwise(marks):
        if up and b > a:
            out.append((a, b))
        up = not up
    return out


def sun_altitude_deg(place: Place, utc_us: np.ndarray) -> np.ndarray:
    """Airless altitude of the sun's centre in degrees at instants in us."""
    return _altitudes(place, utc_us, astronomy.Body.Sun)


def moon_altitude_deg(place: Place, utc_us: np.ndarray) -> np.ndarray:
    """Airless topocentric altitude of the moon's centre in degrees at instants in us."""
    return _altitudes(place, utc_us, astronomy.Body.Moon)


def _altitudes(place: Place, utc_us: np.ndarray, body: astronomy.Body) -> np.ndarray:
    observer = place.observer()
    out = np.empty(len(utc_us))
    for i, at in enumerate(np.asarray(utc_us).tolist()):
        time = _time(at)
        spot = astronomy.Equator(body, time, observer, True, True)
        out[i] = astronomy.Horizon(time, observer, spot.ra, spot.dec, astronomy.Refraction.Airless).altitude
    return out


@dataclass(frozen=True)
class Track:
    """Sun and moon along a night, arrays of one length: what their light is computed from.

    Altitudes airless, of the centres; phase angle 0 at full moon, 180 at new; horizontal parallax, its nearness.
    """

    utc_us: np.ndarray
    sun_altitude_deg: np.ndarray
    moon_altitude_deg: np.ndarray
    moon_phase_angle_deg: np.ndarray
    moon_parallax_deg: np.ndarray


def track(place: Place, start_us: int, end_us: int, step_us: int = 60 * US) -> Track:
    """Sun and moon at whole steps, by default minutes, from the first one at or after start_us to end_us.

    Phase and parallax are computed every half hour and run straight in between (the phase angle by 0.3 degrees).
    Raises ValueError where no two steps lie between the two instants.
    """
    first = -(-int(start_us) // step_us) * step_us
    at = np.arange(first, int(end_us) + 1, step_us, dtype=np.int64)
    if len(at) < 2:
        raise ValueError("the end must be at least two steps after the start")
    coarse = np.linspace(at[0], at[-1], max(2, -(-int(at[-1] - at[0]) // (1800 * US)) + 1))
    phase, parallax = np.array([_moon_light(round(t)) for t in coarse.tolist()]).T
    return Track(
        at,
        sun_altitude_deg(place, at),
        moon_altitude_deg(place, at),
        np.interp(at, coarse, phase),
        np.interp(at, coarse, parallax),
    )


def _moon_light(utc_us: int) -> tuple[float, float]:
    """Phase angle and horizontal parallax of the moon, degrees, as seen from the earth's centre."""
    seen = astronomy.Illumination(astronomy.Body.Moon, _time(utc_us))
    km = seen.geo_dist * astronomy.KM_PER_AU
    return float(seen.phase_angle), float(np.degrees(np.arcsin(EARTH_RADIUS_KM / km)))


def moon_lit(utc_us: int) -> float:
    """Illuminated fraction of the moon, 0..1."""
    return float(astronomy.Illumination(astronomy.Body.Moon, _time(utc_us)).phase_fraction)


def moon_phase_deg(utc_us: int) -> float:
    """Longitude of the moon from the sun: 0 new, 90 first quarter, 180 full, 270 last quarter."""
    return float(astronomy.MoonPhase(_time(utc_us)))


def next_phase_us(utc_us: int, phase_deg: float, within_days: float = 40) -> int | None:
    """The next instant of a phase (0 new, 180 full), or None if there is none within that time."""
    time = astronomy.SearchMoonPhase(phase_deg, _time(utc_us), within_days)
    return None if time is None else _us(time)
