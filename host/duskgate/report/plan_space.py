"""Space: blur while the flash burns, where the beam belongs, and whether the depth of field holds the animal."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from ..plan import depth, motion
from . import delay_space
from .delay_read import HEAD_COLUMNS, Rig
from .delay_said import last_head
from .heads import own_names
from .plan_history import History

FIRST_NEEDED = 20  # firings below which the ends of the delays rest on single ones


def camera_of(site: Any, setting: dict) -> Any:
    """The site with the aperture of the plan, so that the depth of field is that of tonight; None without a camera."""
    camera = getattr(site, "camera", None)
    if camera is None:
        return None
    return dataclasses.replace(site, camera=dataclasses.replace(camera, aperture_f=setting["aperture_f"]["value"]))


def depth_facts(site: Any, setting: dict) -> dict | None:
    """Depth of field at tonight's aperture; None where a value is missing."""
    return delay_space.depth_facts(camera_of(site, setting))


def field_of(facts: dict | None) -> depth.Depth | None:
    """The depth of field for the formulas; None where it is not known."""
    if not facts or facts.get("problem"):
        return None
    far = facts["far_mm"] if facts["far_mm"] is not None else math.inf
    return depth.Depth(facts["near_mm"], far, facts["hyperfocal_mm"], facts["magnification"], facts["circle_um"] / 1000)


def path_facts(history: History, found: dict, site: Any, field: depth.Depth | None) -> dict | None:
    """Place of the beam for the main path and its verdict; None without speed, body length or a measured delay."""
    animal = getattr(site, "animal", None)
    speed, body = (getattr(animal, key, None) for key in ("speed_m_s", "body_length_mm"))
    path = found.get("main_path")
    if speed is None or body is None or not path or history.rig is None:
        return None
    delay = delay_of(history.rig, found, path)
    lo, hi = getattr(animal, "speed_range_m_s", None) or speeds_of(history.rig, speed)
    speeds = motion.Speeds(speed, lo, hi)
    placed = motion.place(delay, speeds, body, field)
    lag = getattr(getattr(site, "camera", None), "shutter_lag_ms", None)
    places = [placed]
    if lag and path == "beam_flash":
        places.append(motion.place(motion.through_camera(delay, lag), speeds, body, field))
    return dataclasses.asdict(placed) | {
        "speed_m_s": speed, "low_m_s": lo, "high_m_s": hi, "body_length_mm": body,
        "paths": [dataclasses.asdict(p) for p in places], "which": motion.which_path(places),
    }  # fmt: skip


def delay_of(rig: Rig, found: dict, path: str) -> motion.Delay:
    """The delay of a path: median of the last head, whose light completes the picture, and the middle 90 %."""
    one = found["paths"][path]
    head, median = last_head(one)
    names = own_names(rig.place)
    column = next((c for name, c in HEAD_COLUMNS.items() if names.get(name, name) == head), "latency_us")
    fires = rig.fires
    lag = fires.loc[fires["path"] == path, column].to_numpy(float)
    lag = lag[np.isfinite(lag)]
    n = len(lag)
    low: dict[str, Any] = {"value": None, "n": n}
    if n >= FIRST_NEEDED:
        low = {"value": float(np.quantile(lag, 0.05)), "lo": None, "hi": None, "n": n}
    late = next((m for m in one.get("modes") or [] if m["what"] == "late"), None)
    share = (late["share"].get("value") or 0.0) if late else 0.0
    high = one["heads"][head]["p95"] if head else one["first_us"]["p95"]
    return motion.Delay(path, low, median, high,
                        late["seen_us"] if late else None, share)  # fmt: skip


def speeds_of(rig: Rig, speed_m_s: float) -> tuple[float, float]:
    """Middle 90 % of the speeds that a second beam saw; the stated speed twice without 20 of them."""
    seen = np.concatenate(rig.speeds_mm_s) / 1000 if rig.speeds_mm_s else np.zeros(0)
    if len(seen) < FIRST_NEEDED:
        return speed_m_s, speed_m_s
    lo, hi = np.quantile(seen, [0.05, 0.95])
    return min(float(lo), speed_m_s), max(float(hi), speed_m_s)


def blur_facts(site: Any, field: dict | None, t05: dict, t01: dict) -> dict | None:
    """Blur of the animal during the flash; None without a speed or a duration. longest_us: t0.1 that stays sharp.

    t05, t01: the longest of the heads, us, from `power_table.slowest`; what the blur rests on is kept as "lasts".
    """
    speed = getattr(getattr(site, "animal", None), "speed_m_s", None)
    pitch = getattr(getattr(site, "camera", None), "pixel_pitch_um", None)
    scale = None if not field or field.get("problem") else field["magnification"]
    longest = None if None in (speed, pitch, scale) else motion.longest_flash_us(speed, scale, pitch)
    lasting = motion.durations(t05["value"], t01["value"])
    if speed is None or (lasting is None and longest is None):
        return None
    out: dict[str, Any] = {"speed_m_s": speed, "longest_t01_us": longest, "pixels": motion.SHARP_PIXELS}
    if lasting is None:
        return out | {"known": False}
    return out | {"known": True, **dataclasses.asdict(motion.blur(speed, lasting, scale, pitch)),
                  "t05_us": lasting.t05_us, "t01_us": lasting.t01_us,
                  "lasts": t05 if t01["value"] is None else t01}  # fmt: skip
