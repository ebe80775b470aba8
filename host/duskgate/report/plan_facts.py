"""Facts of a plan for one night: everything that `duskgate plan` says, as one JSON-able dict.

`FACTS_VERSION` counts the versions of this interface: a new key keeps it, a renamed or removed one raises it. Each
entry of `numbers` has an interval and n, or a basis (site file, given, computed, assumed) with its reason.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .. import __version__, fields
from ..plan import power_table
from . import (
    plan_frames,
    plan_further,
    plan_history,
    plan_light,
    plan_said,
    plan_space,
    plan_steps,
    plan_table,
    plan_when,
    setting,
)
from .numbers import plain
from .plan_history import History
from .plan_numbers import chosen, fixed

FACTS_VERSION = 1
SETTINGS = (("shutter_s", "Shutter open", "s"), ("aperture_f", "Aperture", "f-number"), ("iso", "Sensitivity", "ISO"))


@dataclass(frozen=True)
class Asked:
    """What the command line asks for; None: as the site file says, or assumed. power: fraction for every head."""

    hours: float | None = None
    guests: int | None = None
    shutter_s: float | None = None
    iso: float | None = None
    aperture_f: float | None = None
    power: float | None = None


def plan_facts(site: Any, history: History, date: str, asked: Asked, site_file: str | None = None) -> dict:
    """Facts of the plan for the night of that date. site: None without a site file; history may be empty."""
    night = plan_when.tonight(site, date)
    settings = settings_of(site, asked)
    field = plan_space.depth_facts(site, settings) if site is not None else None
    settings = with_best_shutter(site, history, settings)
    light = light_facts(site, night, settings, field)
    hours = settings["hours"]["value"]
    best = plan_when.marked(plan_when.best_window(history, night), light["dark"], night["local"])
    span = plan_when.session_of(history, night, light["dark"], hours, best)
    facts: dict[str, Any] = {
        "facts_version": FACTS_VERSION, "what": "plan", "status": status_of(light["dark"], span),
        "versions": {"duskgate": __version__, "tables": fields.TABLES_VERSION},
        "site": setting.site_facts(site) | {"file": site_file}, "zone": night["local"].facts(),
        "night": {k: night[k] for k in ("date", "active", "start_utc_us", "end_utc_us")},
        "history": history_facts(history, date), "sky": plan_when.sky_facts(night), **light, "best_window": best,
    }  # fmt: skip
    facts |= space_facts(history, site, settings, field)
    facts |= frame_facts(history, site, settings, night, span)
    facts |= when_facts(history, night, span, best, facts["budget"])
    facts["settings"], facts["powers"] = settings, plan_further.powers_of(site)
    facts["missing"] = plan_table.missing(site, facts)
    facts["numbers"] = plan_table.numbers(facts, night["local"])
    facts["assumed"] = plan_table.assumed(facts)
    return plain(plan_said.with_page(plain(facts)))


def settings_of(site: Any, asked: Asked) -> dict[str, dict]:
    """Shutter, aperture, ISO, power, hours and guests with where each comes from."""
    camera = getattr(site, "camera", None)
    out = {
        key: chosen(label, unit, "settings", f"camera.{key}", getattr(asked, key), getattr(camera, key, None))
        for key, label, unit in SETTINGS
    }
    powers = [h.power for h in getattr(site, "heads", ()) or ()]
    same = powers[0] if powers and len(set(powers)) == 1 else None
    out["power"] = chosen("Power of each head", "of full", "settings", "heads.power", asked.power, same)
    if out["power"]["value"] is not None:
        out["power"]["text"] = f"{power_table.fraction_words(out['power']['value'])} of full"
    if asked.power is None and len(set(powers)) > 1:
        out["power"] |= {"text": "differs from head to head", "reason": "differs from head to head in site.toml"}
    why = "not given: --hours says how long you stay"
    out["hours"] = (
        fixed("Session", asked.hours, "h", "given", "given on the command line", group="settings") if asked.hours else
        fixed("Session", plan_when.HOURS_ASSUMED, "h", "assumed", why, group="settings")
    )  # fmt: skip
    out["guests"] = (
        fixed("Guests", asked.guests, "", "given", "given on the command line", group="settings") if asked.guests else
        fixed("Guests", 1, "", "assumed", "not given: --guests says how many take turns", group="settings")
    )  # fmt: skip
    return out | fires_limit(site)


def fires_limit(site: Any) -> dict[str, dict]:
    """The most firings an hour, as the site file states it or as it stands there by default; {} without a site file."""
    limit = getattr(getattr(site, "animal", None), "fires_per_h", None)
    if limit is None:
        return {}
    stated = "animal.fires_per_h" in site.stated
    why = "animal.fires_per_h in site.toml" if stated else "our own cautious choice: animal.fires_per_h in site.toml"
    return {"fires_per_h": fixed("Most firings an hour", limit, "per h", "site file" if stated else "assumed", why,
                                 group="settings")}  # fmt: skip


def with_best_shutter(site: Any, history: History, settings: dict[str, dict]) -> dict[str, dict]:
    """Where nobody stated a shutter time, the one that kept most on the earlier nights stands for it."""
    if settings["shutter_s"]["value"] is not None:
        return settings
    pause = getattr(getattr(site, "camera", None), "pause_s", None)
    best = plan_frames.best_shutter(history, pause, None)
    if best is None:
        return settings
    why = f"camera.shutter_s is not stated; this kept most on {best['n']} earlier night{'s' if best['n'] > 1 else ''}"
    return settings | {"shutter_s": fixed("Shutter open", best["open_s"], "s", "computed", why, group="settings")}


def light_facts(site: Any, night: dict, settings: dict, field: dict | None) -> dict:
    """Dark window, exposure by flash and test shot."""
    scale = field["magnification"] if field and not field.get("problem") else 0.0
    shot = plan_light.open_shutter(site, settings, scale) if site is not None else None
    dark = None
    if night["sky"] is not None and night["active"] != "day":
        dark = plan_light.dark_facts(site, night, shot) if shot else plan_when.twilight_dark(night)
    elif night["sky"] is not None:
        lo, hi = night["sky"]["sunrise_utc_us"], night["sky"]["sunset_utc_us"]
        why = "the visitor comes by day: the session lies between sunrise and sunset"
        if lo and hi:
            dark = {"start_utc_us": lo, "end_utc_us": hi, "basis": "computed", "reason": why}
    longest = plan_frames.longest_dark_s(shot, dark)
    flash = plan_light.flash_facts(site, settings, scale) if site is not None else {"known": False, "missing": []}
    return {"dark": dark, "flash": flash, "longest_dark_s": longest}


def status_of(dark: dict | None, span: tuple | None) -> str:
    """'plan', 'no darkness' (the night never is dark enough), or 'no time' (neither place nor history says when)."""
    if span is not None:
        return "plan"
    return "no time" if dark is None else "no darkness"


def when_facts(history: History, night: dict, span: tuple | None, best: dict | None, used: dict) -> dict:
    """Session, lull, expected visits and the timetable."""
    if span is None:
        return {"session": None, "lull": None, "visits_per_h": None, "timetable": [], "allowances": []}
    empty = plan_when.lull(history, night, span)
    rate = plan_when.expected_visits(history, night, span)
    cells = plan_frames.cells_spent_us(used, span[0], (span[1] - span[0]) / 3.6e9)
    rows = plan_when.timetable_of(night, span, best, empty, cells)
    return {
        "session": {"start_utc_us": span[0], "end_utc_us": span[1], "hours": (span[1] - span[0]) / 3.6e9,
                    "text": night["local"].span(*span)},
        "lull": empty, "visits_per_h": rate, "timetable": plan_steps.worded(rows), "allowances": plan_when.allowances(),
    }  # fmt: skip


def space_facts(history: History, site: Any, settings: dict, field: dict | None) -> dict:
    """Delay, place of the beam, depth of field and blur."""
    found = plan_history.lead_of(history, None)
    paths = found.get("paths") or {}
    path = found.get("main_path")
    delay = paths[path]["first_us"] if path else None
    t05, t01 = plan_table.flash_lasts(site, settings)
    return {
        "delay": {"path": path, "first_us": delay} if delay else None, "depth": field,
        "beam": plan_space.path_facts(history, found, site, plan_space.field_of(field)),
        "blur": plan_space.blur_facts(site, field, t05, t01),
    }  # fmt: skip


def frame_facts(history: History, site: Any, settings: dict, night: dict, span: tuple | None) -> dict:
    """Best shutter time, keepers, budget and recycle times, by the same hours of the earlier nights."""
    zero = plan_when.zero_us(history, night) if span and history.nights else None
    if span and zero is not None:
        history = plan_history.during(history, *((at - zero) / 1e6 for at in span))
    pause = getattr(getattr(site, "camera", None), "pause_s", None)
    hours = (span[1] - span[0]) / 3.6e9 if span else settings["hours"]["value"]
    used = plan_frames.budget_facts(history, site, hours)
    armed = used["fires"]["armed_share"]
    kept = plan_frames.keepers_facts(
        history, settings["shutter_s"]["value"], pause, hours, settings["guests"]["value"], armed
    )
    ready = plan_frames.ready_s(history, site, settings)
    by_beam = getattr(site, "path", "beam_flash") == "beam_camera"
    if by_beam:
        kept = plan_frames.released_by_beam(used)
    return {
        "shutter": None if by_beam else plan_frames.best_shutter(history, pause, None), "keepers": kept,
        "exposure": None if by_beam else plan_frames.exposure_facts(history, settings["shutter_s"]["value"], ready),
        "pause_s": pause, "budget": used, "ready_s": ready,
    }  # fmt: skip


def history_facts(history: History, date: str) -> dict:
    """Which nights stand behind the plan, and how thin that is."""
    nights = [{"night": n.date, "n_visits": n.n, "live_s": n.live_s, "files": n.files} for n in history.nights]
    ago = None
    if nights:
        ago = (dt.date.fromisoformat(date) - dt.date.fromisoformat(nights[-1]["night"])).days
    return {"path": history.path, "newest_days_ago": ago, "nights": nights, "n_nights": len(history.sighted),
            "n_visits": sum(n.n for n in history.sighted), "thin": len(history.sighted) < 3,
            "remarks": history.remarks, "damaged": history.damaged}  # fmt: skip


def plan_of(
    logbook: Path | None, date: str, site: Any, asked: Asked, *, site_path: Path | None = None,
    site_file: str | None = None, progress: Any = None,
) -> dict:  # fmt: skip
    """Read the earlier nights, if any, and plan; for the command line and for a notebook."""
    window = min(2.0, asked.hours or 2.0)
    history = (
        plan_history.read_history(logbook, site_path, window, date, progress) if logbook is not None else History("")
    )
    chosen_site, name = (site, site_file) if site is not None else (history.site, history.site_file)
    return plan_facts(chosen_site, history, date, asked, name)
