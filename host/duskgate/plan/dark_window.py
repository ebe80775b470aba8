"""When a shutter that stands open for some seconds stays dark: so many stops under the exposure of the flash.

The flash is taken to expose rightly, so that its exposure is 250 N^2 / ISO lux seconds (ISO 2720:1974) whatever the
heads are. Times are microseconds UTC. The light at the subject is that of the open sky times a share for shade.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from . import ambient

MINUTE_US = 60_000_000
S_US = 1_000_000
DEFAULT_STOPS_UNDER = 5.0  # ambient light then adds 1/32, 3 %, to what the flash gives
OPEN_SKY = 1.0  # nothing between sky and subject: the brightest case, so the careful one
SURFACE = "Counted on what lies level under the open sky. Sky or a lamp in the picture itself is brighter than that."


@dataclass(frozen=True)
class OpenShutter:
    """A shutter that waits for the flash.

    shutter_s: time it stays open. stops_under: how far below the flash the rest of the light must stay; 5 adds 3 %.
    shade_share: share of the open sky's light that reaches the subject, 0..1, default 1 (nothing shades it).
    magnification: of a close-up, darkens flash and sky alike. Raises ValueError where a value cannot be.
    """

    shutter_s: float
    aperture_f: float
    iso: float
    stops_under: float = DEFAULT_STOPS_UNDER
    shade_share: float = OPEN_SKY
    magnification: float = 0.0

    def __post_init__(self) -> None:
        ambient.setting_ev100(self.aperture_f, self.shutter_s, self.iso, self.magnification)
        if not 0 < self.shade_share <= 1:
            raise ValueError("the share of the sky's light must lie above 0 and at most at 1")
        if not 0 <= self.stops_under <= 20:
            raise ValueError("stops under the flash must lie from 0 to 20")


def most_lux(shot: OpenShutter) -> float:
    """Most light of the open sky, lux, at which the shutter stays dark enough."""
    right = ambient.right_exposure_lux_s(shot.aperture_f, shot.iso, shot.magnification)
    return right / (shot.shutter_s * shot.shade_share * 2**shot.stops_under)


def stops_under(shot: OpenShutter, lux: np.ndarray | float) -> np.ndarray:
    """Stops by which light of `lux` under the open sky stays under a flash that exposes rightly; inf in the dark."""
    level = ambient.setting_ev100(shot.aperture_f, shot.shutter_s, shot.iso, shot.magnification)
    return level - ambient.ev100(np.asarray(lux, float) * shot.shade_share)


def longest_shutter_s(shot: OpenShutter, lux: np.ndarray | float) -> np.ndarray:
    """Longest time, s, that the shutter may stay open at that light of the open sky; inf at 0 lux."""
    with np.errstate(divide="ignore"):
        return most_lux(shot) * shot.shutter_s / np.asarray(lux, float)


def dark_window(shot: OpenShutter, utc_us: np.ndarray, light: ambient.SkyLight) -> dict[str, Any]:
    """First and last minute of a night in which the shutter stays dark enough, and what interrupts that.

    utc_us: rising instants, int64, a minute or less apart, from before sunset to after sunrise; light: SkyLight there.
    Returns a dict:
    first_utc_us, last_utc_us: estimates {"value", "lo", "hi", "n": 0, "text"} by the tables' middle, lo and hi by the
    darkest and brightest (lo is the earlier instant; None: not dark enough all night, by that table). The last minute
    is one in which a frame may still begin.
    spans_utc_us: dark spans in whole minutes by the middle table; surely_utc_us: by the brightest; cloudy_utc_us: with
    a tenth of the light, as thick cloud may leave.
    best_stops_under: at the darkest instant, an estimate. most_lux: of the open sky. dark_at_start, dark_at_end: the
    darkness goes beyond the instants given. assumed: sentences for the reader.
    Raises ValueError for fewer than two instants, falling ones, or shapes that differ.
    """
    at = np.asarray(utc_us, np.int64)
    if len(at) < 2 or np.any(np.diff(at) <= 0) or any(len(v) != len(at) for v in (light.value, light.lo, light.hi)):
        raise ValueError("give two or more rising instants and the light at each of them")
    spans = {name: dark_spans(shot, at, getattr(light, name)) for name in ("value", "lo", "hi")}
    limit = most_lux(shot)
    return {
        "first_utc_us": _end(spans, 0), "last_utc_us": _end(spans, 1),
        "spans_utc_us": spans["value"], "surely_utc_us": spans["hi"],
        "cloudy_utc_us": dark_spans(shot, at, light.value * ambient.THICK_CLOUD_SHARE),
        "best_stops_under": _best(shot, light), "most_lux": limit,
        "dark_at_start": bool(light.value[0] <= limit), "dark_at_end": bool(light.value[-1] <= limit),
        "assumed": [ambient.CLEAR_SKY, SURFACE],
    }  # fmt: skip


def dark_spans(shot: OpenShutter, utc_us: np.ndarray, lux: np.ndarray) -> list[tuple[int, int]]:
    """Spans of whole minutes, first to last instant at which a frame may begin, in which it stays dark enough.

    Between two instants the logarithm of the light runs straight. A frame must also end in the dark, so that the last
    minute leaves room for the shutter time. Spans without a whole minute are left out.
    """
    at, limit = np.asarray(utc_us, np.int64), most_lux(shot)
    over = np.log2(np.maximum(np.asarray(lux, float), 1e-12) / limit)
    marks = [int(at[0]), *_crossings(at, over), int(at[-1])]
    out = []
    for start, end in pairwise(marks):
        if np.interp((start + end) / 2, at, over) > 0:
            continue
        first = -(-start // MINUTE_US) * MINUTE_US
        last = (end - round(shot.shutter_s * S_US)) // MINUTE_US * MINUTE_US
        if last >= first:
            out.append((first, last))
    return out


def _crossings(at: np.ndarray, over: np.ndarray) -> list[int]:
    turn = np.flatnonzero((over[:-1] > 0) != (over[1:] > 0))
    share = over[turn] / (over[turn] - over[turn + 1])
    return (at[turn] + np.round(share * (at[turn + 1] - at[turn])).astype(np.int64)).tolist()


def _end(spans: dict[str, list[tuple[int, int]]], which: int) -> dict[str, Any]:
    """First (0) or last (1) minute as an estimate; by the brighter table the window is the shorter one."""
    found = {name: (each[0][0], each[-1][1])[which] if each else None for name, each in spans.items()}
    earlier, later = (found["lo"], found["hi"]) if which == 0 else (found["hi"], found["lo"])
    text = "from published tables of the sky's light; nothing was measured here"
    if found["value"] is None:
        text = "not dark enough at any time, by the middle of the published tables"
    elif found["hi"] is None:
        text += "; by the brightest of them it is never dark enough"
    return {"value": found["value"], "lo": earlier, "hi": later, "n": 0, "text": text}


def _best(shot: OpenShutter, light: ambient.SkyLight) -> dict[str, Any]:
    """Stops under the flash at the darkest instant."""
    value, lo, hi = (float(stops_under(shot, float(np.min(each)))) for each in (light.value, light.hi, light.lo))
    return {"value": value, "lo": lo, "hi": hi, "n": 0}
