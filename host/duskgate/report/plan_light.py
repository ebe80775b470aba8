"""Light: how dark it must be for the open shutter, how the heads expose, and the test shot by day."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..plan import ambient, dark_window, flash_light
from ..plan.dark_window import OpenShutter
from ..plan.flash_light import FlashHead
from ..timebase import sky as skies
from . import words

STEP_US = 300_000_000  # sun and moon move little in five minutes: between them their altitude runs straight
MINUTE_US = 60_000_000
HEAD_KEYS = ("power", "guide_number_m", "distance_m")


def sky_light(site: Any, night: dict) -> tuple[np.ndarray, ambient.SkyLight]:
    """Instants a minute apart over the night, and the light of the clear sky at each."""
    place = skies.Place(site.latitude_deg, site.longitude_deg)
    seen = skies.track(place, night["start_utc_us"], night["end_utc_us"] + STEP_US, STEP_US)
    at = np.arange(night["start_utc_us"], night["end_utc_us"], MINUTE_US, np.int64)
    sun, moon, phase, parallax = (
        np.interp(at, seen.utc_us, line)
        for line in (
            seen.sun_altitude_deg, seen.moon_altitude_deg, seen.moon_phase_angle_deg, seen.moon_parallax_deg
        )
    )  # fmt: skip
    return at, ambient.sky_light(sun, moon, phase, parallax, site.haze_mag, site.glow_lux)


def open_shutter(site: Any, setting: dict, magnification: float) -> OpenShutter | None:
    """The shutter that waits for the flash; None where a value is not known."""
    values = [setting[key]["value"] for key in ("shutter_s", "aperture_f", "iso")]
    if any(v is None for v in values):
        return None
    return OpenShutter(*values, site.camera.stops_under, site.shade_share, magnification)


def dark_facts(site: Any, night: dict, shot: OpenShutter) -> dict:
    """When the open shutter stays dark tonight, by the clear sky's light; start_utc_us None where it never does."""
    at, light = sky_light(site, night)
    found = dark_window.dark_window(shot, at, light)
    spans = found["spans_utc_us"]
    longest = max(spans, key=lambda s: s[1] - s[0]) if spans else (None, None)
    reason = (f"the clear sky must stay {shot.stops_under:g} stops under the flash for {shot.shutter_s:g} s; "
              "published tables of the sky's light, nothing measured here")  # fmt: skip
    local = night["local"]
    out = {"start_utc_us": longest[0], "end_utc_us": longest[1], "basis": "computed", "reason": reason,
           "spans_utc_us": [list(s) for s in spans], "first": found["first_utc_us"], "last": found["last_utc_us"],
           "best_stops_under": found["best_stops_under"], "most_lux": found["most_lux"],
           "stops_under": shot.stops_under, "assumed": found["assumed"]}  # fmt: skip
    sure = found["surely_utc_us"]
    out["surely_utc_us"] = [list(s) for s in sure]
    out["surely_text"] = words.listed([local.span(*s) for s in sure]) if sure else "not surely dark at any minute"
    return out


def heads_of(site: Any, power: float | None) -> tuple[list[FlashHead], list[str]]:
    """The site's heads for the exposure, at another power where one is given, and the keys that are missing."""
    heads, lacking = [], []
    for head in getattr(site, "heads", ()) or ():
        share = power if power is not None else head.power
        values = {"power": share, "guide_number_m": head.guide_number_m, "distance_m": head.distance_m}
        lacking += [f"heads.{key}" for key in HEAD_KEYS if values[key] is None]
        if all(v is not None for v in values.values()):
            width = head.width_mm / 1000 if head.width_mm else None
            heads.append(FlashHead(head.guide_number_m, head.distance_m, share, head.guide_number_iso,
                                   head.loss_stops, width))  # fmt: skip
    if not (getattr(site, "heads", ()) or ()):
        lacking = ["heads"]
    return heads, list(dict.fromkeys(lacking))


def flash_facts(site: Any, setting: dict, magnification: float) -> dict:
    """How far the setting is from right exposure by the heads, and the test shot by day; `missing` keys otherwise."""
    heads, lacking = heads_of(site, setting["power"]["value"] if setting["power"]["basis"] == "given" else None)
    iso, aperture = setting["iso"]["value"], setting["aperture_f"]["value"]
    if lacking or iso is None or aperture is None:
        return {"missing": lacking, "known": False}
    unsure = [h.unsure_stops for h in site.heads if h.unsure_stops is not None]
    out = flash_light.flash_exposure(heads, aperture, iso, magnification, max(unsure, default=None))
    factor = flash_light.power_for(heads, aperture, iso, magnification)
    sync, under, shade = site.camera.sync_s, site.camera.stops_under, site.shade_share
    shot = flash_light.test_shot(aperture, iso, sync, None, under, shade, magnification) if sync else None
    near = [site.heads[row["head"]].name for row in flash_light.too_close(heads)]
    return out | {
        "missing": [], "known": True, "power_factor": factor, "n_heads": len(heads), "test_shot": shot,
        "too_close": near, "stated": flash_light.STATED,
    }  # fmt: skip
