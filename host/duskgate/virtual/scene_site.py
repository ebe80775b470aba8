"""The site file that goes with an invented night: the same garden and rig as its plan."""

from .. import sitefile
from .scene_plan import NightPlan

HEAD_NAMES = ("left", "right", "back", "above")
INVENTED = "# Invented: no such garden, rig or measurement exists. Written by `duskgate demo`."


def site_text(plan: NightPlan) -> str:
    """Text of the site file, commented like any other."""
    return f"{INVENTED}\n{sitefile.template(site_values(plan))}"


def site_values(plan: NightPlan) -> dict:
    """Keys of the site file that the plan settles, and an invented rig around them."""
    values = {
        "name": "Walled garden, tobacco border (invented)", "latitude_deg": 44.2, "longitude_deg": 0.6,
        "zone": "Europe/Paris", "path": "beam_camera" if plan.camera else "beam_flash", "beam_source": "own",
        "channels": channels(plan), "unit_filter_ms": plan.radio.filter_us / 1000.0,
        "animal": {"label": "hawk-moth", "speed_m_s": 0.7, "body_length_mm": 42.0},
        "camera": camera(plan),
        "logger": {"chemistry": "alkaline", "cells": 4, "capacity_mah": 2300, "cutoff_mv": 3600},
        "heads": [head(k) for k in range(len(plan.heads))],
    }  # fmt: skip
    if plan.second_beam:
        values["beam_spacing_mm"] = plan.second_beam.spacing_mm
    return values


def channels(plan: NightPlan) -> list[str]:
    """Names of the channels that this rig has wired."""
    extra = (["BEAM2"] if plan.second_beam else []) + (["SYNC"] if plan.camera else [])
    return ["BEAM", *extra, *(f"FLASH{k + 1}" for k in range(len(plan.heads)))]


def camera(plan: NightPlan) -> dict:
    """A camera that stands open in the dark, or one that the beam releases."""
    common = {"iso": 400, "aperture_f": 11.0, "pixel_pitch_um": 4.6, "focal_length_mm": 105.0, "distance_m": 0.75}
    if plan.camera:
        return {**common, "shutter_s": 0.005, "pause_s": plan.camera.frame_s}
    return {**common, "shutter_s": 2.0, "pause_s": 0.6}


def head(k: int) -> dict:
    """One of the identical heads; its sensor was proved to see it alone."""
    return {
        "name": HEAD_NAMES[k], "power": "1/64", "guide_number_m": 28.0, "guide_number_iso": 100.0, "distance_m": 0.7,
        "loss_stops": 1.0,
        "sensors": [f"FLASH{k + 1}"], "chemistry": "NiMH", "cells": 4, "capacity_mah": 1900,
    }  # fmt: skip
