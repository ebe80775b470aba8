"""Frames: the shutter time that keeps most, what it keeps, and what the night uses up of cells, heads and patience."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from ..plan import budget, keepers, power_table, shutter
from ..plan.dark_window import OpenShutter
from . import plan_history, plan_table, words
from .plan_history import History
from .words import HOUR_US


def longest_dark_s(shot: OpenShutter | None, dark: dict | None) -> float | None:
    """Longest time that a shutter stays dark enough at the darkest of the night; None where that is not known."""
    best = (dark or {}).get("best_stops_under")
    if shot is None or not best or not words.finite(best.get("value")):
        return None
    return shot.shutter_s * 2 ** (best["value"] - shot.stops_under)


def best_shutter(history: History, pause_s: float | None, longest_s: float | None) -> dict | None:
    """Shutter time with the most keepers on the earlier nights and how flat the top is; None without enough fires.

    `n_fires` of visits and `n` nights stand behind it; `few` where so few keepers are to be expected that it is chance.
    """
    if pause_s is None or not history.fires:
        return None
    found = plan_history.best_shutter(history, pause_s, longest_s)
    if found["open_s"] is None:
        return None
    n_fires = sum(int((n.visit >= 0).sum()) for n in history.fires)
    return found | {"n": found["n_nights"], "n_fires": n_fires, "pause_s": pause_s}


def keepers_facts(
    history: History, open_s: float | None, pause_s: float | None, hours: float, guests: int, armed: float = 1.0
) -> dict:
    """Keepers per hour at the shutter of the plan, and of each guest taking turns at one place in the session.

    armed: share of the time in which the limit of firings lets the rig fire; it counts for the guests.
    """
    if open_s is None or pause_s is None or not history.fires:
        why = "no earlier night" if not history.fires else "shutter or pause not known"
        return {"per_h": {"value": None, "n": 0, "text": f"not known: {why}"}, "per_guest": None, "frames_per_h": None}
    found = plan_history.keepers_per_h(history, open_s, pause_s)
    if found["value"] is None and found.get("seen") is not None:
        found = found | {
            "text": f"{words.number(found['seen'], 1)} per h seen (no interval, n = {words.count(found['n'], 'night')})"
        }
    shared = keepers.per_guest(found, hours, guests, 1, armed)
    if found.get("seen") is not None:
        shared = shared | {"seen": found["seen"] * hours * armed / guests}
    frames = float(shutter.frames_per_h(open_s, pause_s))
    return {"per_h": found, "per_guest": shared, "frames_per_h": frames, "armed_share": armed}


def exposure_facts(history: History, open_s: float | None, ready: dict) -> dict | None:
    """What one exposure caught on the earlier nights, and what a steady rate with the rig's pause alone would give."""
    if open_s is None or not history.fires:
        return None
    out: dict[str, Any] = {"open_s": open_s, **keepers.caught(history.fires, open_s), "steady": None}
    seen, dead = plan_history.fires_per_h(history), max((e["value"] for e in ready.values()), default=0.0)
    per_s = (seen.get("value") or seen.get("seen") or 0.0) / 3600
    if per_s and per_s * dead < 1:
        rate = shutter.true_rate(per_s, dead)
        forms = {"none": shutter.p_none, "one": shutter.p_one, "more": shutter.p_more}
        out["steady"] = {name: float(form(rate, dead, open_s)) for name, form in forms.items()} | {"dead_s": dead}
    return out


def released_by_beam(used: dict) -> dict:
    """Where the beam releases the camera each firing makes its own frame: no shutter waits, and none is shared."""
    text = "each firing makes its own frame: see the firings"
    return {"per_h": {"value": None, "n": 0, "text": text}, "per_guest": None, "frames_per_h": None,
            "armed_share": used["fires"]["armed_share"]}  # fmt: skip


def thinned_rate(found: dict, own: dict) -> dict:
    """A rate from one or two nights with the newest night's own relative interval; others may differ by far more."""
    if found.get("value") is not None or not found.get("seen") or not own.get("value"):
        return found
    k = found["seen"] / own["value"]
    return {"value": found["seen"], "lo": own["lo"] * k, "hi": own["hi"] * k, "n": found["n"], "level": 0.95}


def budget_facts(history: History, site: Any, hours: float, exceed: bool = False) -> dict:
    """Fires of tonight against the limit, cells of each head, the logger's supply and the heads' rest."""
    own = history.sighted[-1].rate if history.sighted else {}
    rate = plan_history.fires_per_h(history) if history.fires else {"value": None, "n": 0, "text": "no earlier night"}
    per_h = thinned_rate(rate, own)
    limit = getattr(getattr(site, "animal", None), "fires_per_h", None)
    most = max((budget.busiest(n.fire_s) for n in history.fires), default=None)
    fires = budget.fires_tonight(per_h, hours, limit, exceed, most)
    supply = history.last.get("supply") or {}
    names = [h.name for h in getattr(site, "heads", ()) or ()]
    told = supply.get("heads") or {}
    lead = [budget.head_cells(name, told.get(name) or told.get("all"), fires.expected_n) for name in names]
    logger = budget.logger_supply((supply.get("logger") or {}).get("hours_left"), hours)
    return {"fires": dataclasses.asdict(fires), "cells": [dataclasses.asdict(c) for c in lead],
            "logger": dataclasses.asdict(logger), "rest": rests(history, site)}  # fmt: skip


def rests(history: History, site: Any) -> list[dict]:
    """Heat of each head on the busiest earlier night, by the maker's figures; where none are stated, asked for."""
    out = []
    for head in getattr(site, "heads", ()) or ():
        burst, rest = (getattr(head, key, None) for key in ("burst_fires", "burst_rest_s"))
        nights = [n.fire_s for n in history.fires] or [np.zeros(0)]
        each = [budget.thermal_rest(head.name, fire_s, burst, rest) for fire_s in nights]
        out.append(dataclasses.asdict(max(each, key=lambda r: r.worst_n or 0)))
    return out


def ready_s(history: History, site: Any, settings: dict) -> dict:
    """Gap (s) from a light to the next, by head, as estimates; {} where nothing tells it.

    The site file's own measured recycle times where it has one for every head as set tonight ("stated": the power), as
    earlier nights may have been at another power; else those after which 95 % of firings succeed, of the newest night
    that tells one.
    """
    heads, steps = plan_table.head_powers(site, settings), plan_table.measured_powers(site)
    if power_table.slowest(steps, heads, "recycle_s")["value"] is not None:
        return {head: _stated(power_table.step_at(steps, head, power), power) for head, power in heads}
    return seen_ready_s(history)


def _stated(step: power_table.PowerStep, power: float | None) -> dict:
    return {"value": step.recycle_s, "lo": None, "hi": None, "n": step.fires or 0, "stated": power}


def seen_ready_s(history: History) -> dict:
    """Gap after which 95 % of firings succeed, by head, of the newest night that tells one; {} where none does."""
    for night in reversed(history.sighted):
        found = {h: e for h, e in night.rig.get("recycle_s", {}).items() if words.finite(e.get("value"))}
        if found:
            return found
    return {}


def cells_spent_us(found: dict, start_us: int, hours: float) -> int | None:
    """When the first head's set may be spent, by the cautious ends of what a set gives and of tonight's firings."""
    most = found["fires"]["expected_n"].get("hi")
    least = [c["per_set"]["lo"] for c in found["cells"] if c["per_set"] and words.finite(c["per_set"].get("lo"))]
    if not least or not most or not words.finite(most):
        return None
    return start_us + round(min(least) / (most / hours) * HOUR_US)
