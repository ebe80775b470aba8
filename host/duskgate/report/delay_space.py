"""What a delay means in space: the way flown until the light, against the depth of field."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..plan import depth, lead
from . import words
from .delay_read import HEAD_COLUMNS, Rig
from .heads import own_names

CAMERA_KEYS = ("focal_length_mm", "aperture_f", "distance_m", "pixel_pitch_um")


def space_facts(rig: Rig, path: str | None, found: dict | None, speed_m_s: float | None) -> dict:
    """Lead of the beam, spread of places and depth of field of one rig, and the site file's keys that are missing.

    found: the facts of `path`, heads under their owner's names. Every way is in mm; the speed it rests on is stated.
    """
    speed, source = _speed(rig, speed_m_s)
    out: dict[str, Any] = {"speed_m_s": speed, "speed_source": source, "missing": _missing(rig.site, speed)}
    out["animal"] = _animal(rig.site)
    out["measured_speed"] = _measured(rig)
    out["depth"] = depth_facts(rig.site)
    out["lead"] = lead_facts(rig, path, found, speed) if found and speed is not None else None
    out["fits"] = _fits(out["lead"], out["depth"])
    return out


def _animal(site: Any) -> dict:
    """Name and body length (mm, or None) as the site file gives them."""
    animal = getattr(site, "animal", None)
    return {"label": words.clean(getattr(animal, "label", "") or "animal"),
            "body_length_mm": getattr(animal, "body_length_mm", None)}  # fmt: skip


def _speed(rig: Rig, asked: float | None) -> tuple[float | None, str]:
    if asked is not None:
        return asked, "given"
    speed = getattr(getattr(rig.site, "animal", None), "speed_m_s", None)
    return speed, "site file" if speed is not None else "unknown"


def _missing(site: Any, speed: float | None) -> list[str]:
    """Keys to fill, as they are written in the site file."""
    keys = ["animal.speed_m_s"] if speed is None else []
    camera = getattr(site, "camera", None)
    return keys + [f"camera.{key}" for key in CAMERA_KEYS if getattr(camera, key, None) is None]


def _measured(rig: Rig) -> dict | None:
    """Speed as a second beam saw it, where there is one: median and quartiles in m/s."""
    speeds = np.concatenate(rig.speeds_mm_s) / 1000 if rig.speeds_mm_s else np.zeros(0)
    if len(speeds) < 6:
        return None
    lo, middle, hi = (float(q) for q in np.quantile(speeds, [0.25, 0.5, 0.75]))
    return {"median_m_s": middle, "quartiles_m_s": [lo, hi], "n": len(speeds)}


def depth_facts(site: Any) -> dict | None:
    """Depth of field of the site file's camera; None where a value is missing. `problem` where no image is possible."""
    camera = getattr(site, "camera", None)
    focal, number, distance, pitch = (getattr(camera, key, None) for key in CAMERA_KEYS)
    if focal is None or number is None or distance is None or pitch is None:
        return None
    circle = depth.circle_of_confusion_mm(pitch)
    base = {"focal_length_mm": focal, "aperture_f": number, "distance_mm": 1000 * distance, "circle_um": 1000 * circle,
            "pixels": depth.PIXELS}  # fmt: skip
    try:
        d = depth.depth_of_field(focal, number, 1000 * distance, circle)
    except ValueError as error:
        return base | {"problem": f"{error}: check focal_length_mm and distance_m in [camera]", "total_mm": None}
    disc = depth.diffraction_disc_mm(number, d.magnification)
    return base | {
        "near_mm": d.near_mm, "far_mm": d.far_mm if math.isfinite(d.far_mm) else None,
        "total_mm": d.total_mm if math.isfinite(d.total_mm) else None, "hyperfocal_mm": d.hyperfocal_mm,
        "magnification": d.magnification, "diffraction_um": 1000 * disc, "diffraction_limits": disc > circle,
    }  # fmt: skip


def lead_facts(rig: Rig, path: str | None, found: dict, speed: float) -> dict:
    """How far past the beam the animal is when the last head lights: median with interval, and the middle 90 %."""
    names = own_names(rig.place)
    head, delay = _last_head(found)
    column = next((c for name, c in HEAD_COLUMNS.items() if names.get(name, name) == head), "latency_us")
    fires = rig.fires
    lags = fires.loc[fires["path"] == path, column].to_numpy(float)
    late = next((m for m in found.get("modes") or [] if m["what"] == "late"), None)
    return {
        "head": head, "path": path, "delay_us": delay, "way_mm": lead.way_estimate(speed, delay),
        "spread": lead.spread_mm(speed, lags),
        "late_mm": lead.way_mm(speed, late["seen_us"]) if late else None, "late_share": late["share"] if late else None,
    }  # fmt: skip


def _last_head(found: dict) -> tuple[str, dict]:
    """The head with the longest median, whose light completes the picture; the first light where none is told apart."""
    known = {h: q["median"] for h, q in found["heads"].items() if words.finite(q["median"].get("value"))}
    if not known:
        return "first light", found["first_us"]["median"]
    head = max(known, key=lambda h: known[h]["value"])
    return head, known[head]


def _fits(led: dict | None, field: dict | None) -> dict | None:
    """Width of the places against the depth of field; `fits` speaks of an animal that flies along the lens's axis."""
    width = (led or {}).get("spread", {}).get("width_mm")
    if width is None or not field or field.get("problem"):
        return None
    total = field["total_mm"]
    return {"width_mm": width, "depth_mm": total, "share": width / total if total else 0.0,
            "fits": total is None or width <= total}  # fmt: skip
