"""What a season keeps of each night: some hundred numbers, whatever the night's log was long."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..timebase import nights as nightnames
from . import setting, soundness, words
from .heads import own_names, renamed
from .open_season import NightSource

HALF_DAY_US = 12 * 3_600_000_000
GAPS_KEPT = 500  # pauses kept of a night for the pause of all nights together
LIT_FROM = 0.25  # a moon lit less than this counts as none


@dataclass
class SeasonNight:
    """One night's share of the season. `by_clock` and `by_sunset` are NightViews; None where the zero is not known."""

    date: str
    by_clock: Any
    by_sunset: Any
    n: int
    n_narrow: int
    n_wide: int
    live_s: float
    session_s: float
    rate: dict
    criterion_s: float
    criterion_source: str
    gaps_s: np.ndarray
    n_starts: int
    moon_lit: float | None
    moon_up_us: np.ndarray
    dark_us: tuple[int, int] | None
    hours_us: tuple[int, int] | None  # when the visitor is about by the sun; None: not known, or day and night
    place: dict
    site_file: str | None
    files: list[str]
    local: words.LocalTime
    partial: list[str] = field(default_factory=list)
    damaged: bool = False
    rig: dict = field(default_factory=dict)  # delays and recycle times of this night alone
    notes: list[dict] = field(default_factory=list)


def keep(source: NightSource, night: Any, view: Any, pauses_s: np.ndarray) -> SeasonNight:
    """The night's numbers. night: analysed; view: `season.night_view`; pauses_s: clear times between visits' breaks."""
    date = source.date or ""
    tables, visits, seen = night.tables, night.estimates["visits"], night.estimates["exposure"]
    place = setting.site_facts(source.site)
    start, end = setting.night_span(tables)
    sky = source.sky or {}
    sunset, sunrise = sky.get("sunset_utc_us"), sky.get("sunrise_utc_us")
    turn = nightnames.turn_of(source.site)
    midnight = nightnames.bounds_utc_us(date, place["zone"], turn)[0]
    midnight += HALF_DAY_US if turn == nightnames.NOON else 0
    up = np.array(sky.get("moon_up") or [], np.int64).reshape(-1, 2)
    local = words.LocalTime(place["zone"], start or midnight, end or midnight)
    return SeasonNight(
        date=date, by_clock=view(tables, midnight, date), by_sunset=view(tables, sunset, date) if sunset else None,
        n=visits["n"], n_narrow=visits["n_narrow"], n_wide=visits["n_wide"], live_s=float(seen["live_s"]),
        session_s=float(seen["session_s"]), rate=night.estimates["rates"]["session_per_h"],
        criterion_s=visits["criterion_s"], criterion_source=visits["criterion_source"], gaps_s=thinned(pauses_s),
        n_starts=len(tables["boots"]), moon_lit=sky.get("moon_lit"), moon_up_us=up,
        dark_us=(sunset, sunrise) if sunset and sunrise and sunset < sunrise else None,
        hours_us=setting.active_hours(source.site, sky), place=place, site_file=source.site_file,
        files=list(source.files), local=local, partial=_partial(source, tables, local),
        damaged=bool(len(source.problems)), rig=rig_of(night.estimates, place),
        notes=setting.note_facts(tables["notes"], local),
    )  # fmt: skip


def rig_of(est: dict, place: dict) -> dict:
    """{"latency_us": {path: {head: median}}, "recycle_s": {head: gap after which 95 % fire}} as estimates."""
    named = renamed(est, own_names(place))
    found = {"latency_us": {}, "recycle_s": {}}
    for path, one in (named.get("latency") or {}).items():
        heads = one["heads"] or {"first light": one["first_us"]}
        found["latency_us"][path] = {head: q["median"] for head, q in heads.items()}
    for head, curve in (named.get("recycle") or {}).items():
        found["recycle_s"][head] = curve.get("r95_s") or {}
    return found


def thinned(values: np.ndarray, most: int = GAPS_KEPT) -> np.ndarray:
    """At most so many of the values, evenly taken over the night."""
    return values[np.linspace(0, len(values) - 1, most).astype(int)] if len(values) > most else values


def _partial(source: NightSource, tables: dict, local: words.LocalTime) -> list[str]:
    problems = soundness.problem_facts(source.problems)
    boots = soundness.boot_facts(tables["boots"], local)
    return [*soundness.partial_reasons(problems, boots, soundness.gap_facts(tables["gaps"], local)), *source.left_out]


def row(night: SeasonNight) -> dict:
    """The night as a row of the facts."""
    share = night.live_s / night.session_s if night.session_s else 0.0
    flags = [f"watched for {words.number(100 * share)} %"] if night.session_s and share < 0.8 else []
    flags += [words.count(night.n_starts, "start")] if night.n_starts > 1 else []
    return {
        "night": night.date, "n": night.n, "n_narrow": night.n_narrow, "n_wide": night.n_wide,
        "live_s": night.live_s, "session_s": night.session_s, "rate_per_h": night.rate,
        "pause_s": night.criterion_s, "pause_source": night.criterion_source,
        "sunset_utc_us": night.by_sunset.zero_utc_us if night.by_sunset else None,
        "moon_lit": night.moon_lit, "site": night.place["name"], "site_file": night.site_file, "files": night.files,
        "flags": flags, "partial": night.partial, "damaged": night.damaged,
        **night.rig, "notes": night.notes,
    }  # fmt: skip
