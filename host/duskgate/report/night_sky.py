"""Sun, moon and twilight of one night at the site, in the plain shape that the facts hold."""

from __future__ import annotations

from typing import Any

from ..timebase import nights, sky


def sky_of(site: Any, night: str) -> dict | None:
    """The sky over the site from noon to noon, or midnight to midnight where days are watched; None without a place.

    Keys: see `setting.sky_facts`.
    """
    latitude, longitude = (getattr(site, key, None) for key in ("latitude_deg", "longitude_deg"))
    if latitude is None or longitude is None:
        return None
    start, end = nights.bounds_utc_us(night, site.zone, nights.turn_of(site))
    found = sky.night_sky(sky.Place(latitude, longitude), start, end)
    return {
        "sunset_utc_us": found.sunset_us,
        "sunrise_utc_us": found.sunrise_us,
        "dusk_utc_us": dict(found.dusk_us),
        "dawn_utc_us": dict(found.dawn_us),
        "bands": [{"name": n, "start_utc_us": a, "end_utc_us": b} for n, a, b in found.bands],
        "moon_up": [list(span) for span in found.moon_up],
        "moon_lit": found.moon_lit,
        "moon_phase_deg": found.moon_phase_deg,
    }
