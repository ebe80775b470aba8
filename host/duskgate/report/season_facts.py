"""Facts of several nights: everything that `duskgate season` says, as one JSON-able dict.

`FACTS_VERSION` counts the versions of this interface: a new key keeps it, a renamed or removed one raises it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from .. import __version__, fields
from ..analysis import bouts, dayclock, season, season_drift, season_lead, season_map, strata
from ..analysis.night import analyse
from ..analysis.settings import settings_of
from ..analysis.stats import estimate
from ..errors import UsageError
from . import season_nights, season_said, season_words, words
from .numbers import plain
from .open_season import NightReader
from .season_nights import LIT_FROM, SeasonNight

FACTS_VERSION = 1
BIN_S = 3600.0
FULL_MOON_FROM = 0.5
FIRM = 3  # nights from which windows are ranked and rates get an interval


def read_season(reader: NightReader) -> tuple[list[SeasonNight], dict]:
    """Walk through the nights, once; a second time only through those too poor in pauses to find their own."""
    nights, unplaced = [], []
    for source in reader:
        if source.date is None:
            unplaced += source.files
        else:
            nights.append(_one(source))
    poor = {n.date for n in nights if n.criterion_source != "fitted"}
    pause = _pooled(nights, reader) if poor else None
    if pause and pause.source == "fitted":
        again = NightReader(reader.path, reader.site_path, reader.board, only=poor)
        better = {source.date: _one(source, pause) for source in again}
        nights = [better.get(n.date, n) for n in nights]
    return sorted(nights, key=lambda n: n.date), _reading_facts(reader, unplaced, pause, poor)


def _one(source: Any, pause: Any = None) -> SeasonNight:
    night = analyse(source.rec, source.clock, source.site, source.window, pause)
    return season_nights.keep(source, night, season.night_view, season.pooled_gaps([night.parts]))


def _pooled(nights: list[SeasonNight], reader: NightReader) -> Any:
    """The pause between visits from all nights together."""
    gaps = np.concatenate([n.gaps_s for n in nights])
    standard = settings_of(None)
    return bouts.criterion(gaps, standard.visit_gap_s, standard.min_gaps)


def _reading_facts(reader: NightReader, unplaced: list[str], pause: Any, poor: set[str]) -> dict:
    remarks = list(reader.remarks)
    if unplaced:
        remarks.append(f"No time of day is known in {', '.join(sorted(set(unplaced)))}: that log fits into no night.")
    if pause and pause.source == "fitted":
        said = f"{words.number(pause.gap_s, 2)} s, from {words.count(pause.n_gaps, 'pause')} of all nights"
        remarks.append(f"{words.count(len(poor), 'night')} too poor in pauses to find their own: {said} together.")
    elif poor:
        remarks.append(f"{words.count(len(poor), 'night')} with too few pauses: the pause between visits is assumed.")
    files = sorted(set(unplaced))
    return {"path": words.clean(reader.path), "seen": sorted(reader.seen), "unplaced": files, "remarks": remarks}


def season_facts(
    nights: list[SeasonNight], reading: dict, *, by: str | None = None, window_h: float = 2.0,
    other: tuple[list[SeasonNight], dict] | None = None,
) -> dict:  # fmt: skip
    """Facts of a season. nights and reading: of `read_season`; by: "sunset", "clock" or None (sunset where known).

    other: the same of a second logbook to compare with. Raises UsageError where sunset is asked for and no night has
    a place, or the window is longer than a day.
    """
    sighted = [n for n in nights if n.live_s > 0]
    by, by_remarks = _chosen(sighted, by)
    used = [n for n in sighted if by == "clock" or n.by_sunset]
    views = [n.by_sunset if by == "sunset" else n.by_clock for n in used]
    facts: dict[str, Any] = {
        "facts_version": FACTS_VERSION, "what": "season", "status": _status(used),
        "versions": {"duskgate": __version__, "tables": fields.TABLES_VERSION}, "log": reading,
        "site": {"names": sorted({n.place["name"] for n in nights}),
                 "zone": nights[-1].place["zone"] if nights else "UTC"},
        "active": sorted({n.place["active"] for n in nights}), "by": by, "window_h": window_h,
        "nights": [season_nights.row(n) for n in nights],
        "no_sight": [n.date for n in nights if n.live_s <= 0], "damaged": [n.date for n in nights if n.damaged],
        "totals": _totals(used), "hours": _hours(sighted),
    }  # fmt: skip
    facts["best_window"], facts["without_each"] = best_window(
        [season.inside(v, n.hours_us) for v, n in zip(views, used, strict=True)],
        [n.date for n in used],
        window_h * 3600,
    )
    facts["best_window"]["hours"] = season_words.hours_text([n.place["active"] for n in used if n.hours_us])
    facts["spread"] = season.spread([n.by_clock for n in used])
    facts["centre"] = dayclock.centre(np.concatenate([n.by_clock.visits_s for n in used] or [np.empty(0)]) / 3600.0)
    facts["moon"] = moon([n for n in sighted if n.by_sunset and n.moon_lit is not None])
    facts["trend"] = season.trend([n.by_clock for n in used])
    facts["map"] = night_map([n for n in nights if by == "clock" or n.by_sunset], by)
    facts["drift"] = drift(facts["nights"])
    facts["compare"] = compared(sighted, other, by) if other else None
    facts["partial"] = [f"{n.date}: {reason}" for n in nights for reason in n.partial]
    facts["remarks"] = [*reading["remarks"], *by_remarks, *season_words.warnings(facts)]
    facts["methods"] = [dict(m) for m in season_words.METHODS]
    last = used[-1] if used else None
    facts["summary"] = season_words.lines(facts, last)
    return plain(season_said.with_page(plain(facts), last))


def night_map(nights: list[SeasonNight], by: str) -> dict:
    """Visits, sight and rate of every night in every hour; moon and sun of each night in seconds from its zero."""
    views = [n.by_sunset if by == "sunset" else n.by_clock for n in nights]
    found = season_map.cells(views, BIN_S)
    rows = [
        {"night": n.date, "sun_s": _after_zero(n.dark_us, v), "moon_up_s": _after_zero(n.moon_up_us, v),
         "session_s": list(v.session_s) if n.live_s > 0 else None}
        | {key: found[key][k].tolist() for key in ("n", "exposure_s", "rate_per_h", "lo", "hi")}
        for k, (n, v) in enumerate(zip(nights, views, strict=True))
    ]  # fmt: skip
    return {"by": by, "bin_s": BIN_S, "edges_s": found["edges_s"].tolist(), "dispersion": found["dispersion"],
            "nights": rows}  # fmt: skip


def _after_zero(utc_us: Any, view: Any) -> list | None:
    return None if utc_us is None else ((np.asarray(utc_us, float) - view.zero_utc_us) / 1e6).tolist()


def drift(rows: list[dict]) -> dict:
    """Change a week of each delay (us) and of each head's recycle time (s), a straight line over the nights."""
    day = np.array([r["night"] for r in rows], "datetime64[D]").astype(float)

    def move(found: list[dict]) -> dict:
        return season_drift.weekly(day, np.array([np.nan if e.get("value") is None else e["value"] for e in found]))

    paths = {path: list(dict.fromkeys(h for r in rows for h in r["latency_us"].get(path, ())))
             for path in dict.fromkeys(p for r in rows for p in r["latency_us"])}  # fmt: skip
    heads = dict.fromkeys(h for r in rows for h in r["recycle_s"])
    return {
        "latency_us": {path: {h: move([r["latency_us"].get(path, {}).get(h) or {} for r in rows]) for h in some}
                       for path, some in paths.items()},
        "recycle_s": {h: move([r["recycle_s"].get(h) or {} for r in rows]) for h in heads},
    }  # fmt: skip


def _chosen(nights: list[SeasonNight], by: str | None) -> tuple[str, list[str]]:
    """What hours count from, and what that leaves out."""
    if by is None and nights and all(n.place["active"] == "day" for n in nights):
        return "clock", []
    placed = [n for n in nights if n.by_sunset]
    if by == "clock" or not nights:
        return by or "clock", []
    if not placed:
        missing = "sunset is not known: fill in latitude_deg and longitude_deg in site.toml, or use --by clock"
        if by == "sunset":
            raise UsageError(missing)
        return "clock", [f"Hours go by the clock, because {missing.partition(', or')[0]}."]
    rest = ", ".join(n.date for n in nights if not n.by_sunset)
    return "sunset", [f"{rest}: no sunset known (no place, or none on that day): not counted."] if rest else []


def _status(used: list[SeasonNight]) -> str:
    """'nothing', 'few' (too few nights to rank anything), 'empty' (watched, nobody came) or 'season'."""
    if not used:
        return "nothing"
    if not sum(n.n for n in used):
        return "empty"
    return "season" if len(used) >= FIRM else "few"


def _totals(used: list[SeasonNight]) -> dict:
    n, live = np.array([x.by_clock.n for x in used]), np.array([x.by_clock.live_s for x in used])
    return {
        "n_nights": len(used), "n": int(n.sum()), "n_narrow": sum(x.n_narrow for x in used),
        "n_wide": sum(x.n_wide for x in used), "live_s": float(live.sum()),
        "session_s": float(sum(x.session_s for x in used)), "rate_per_h": season.rate_over_nights(n, live),
    }  # fmt: skip


def _hours(nights: list[SeasonNight]) -> dict:
    """Rate by hour after sunset and by the clock's hour from midnight on, a row for each hour."""
    out = {}
    for by, views in (
        ("sunset", [n.by_sunset for n in nights if n.by_sunset]), ("clock", [n.by_clock for n in nights])
    ):  # fmt: skip
        table = season.rate_by_time(views, BIN_S)
        out[by] = [_hour(r) for r in table.itertuples(index=False) if r.exposure_s >= 60]
    return out


def _hour(r: Any) -> dict:
    firm = np.isfinite(r.lo)
    rate = estimate(r.rate_per_h, r.lo, r.hi, r.n_nights) if firm else {"value": None, "n": r.n_nights, "need": FIRM,
            "seen": r.rate_per_h, "text": "no interval below three nights"}  # fmt: skip
    return {"start_s": r.start_s, "end_s": r.end_s, "exposure_s": r.exposure_s, "n": r.n, "n_nights": r.n_nights,
            "rate_per_h": rate}  # fmt: skip


def best_window(views: list[Any], dates: list[str], length_s: float) -> tuple[dict, dict]:
    """The best window with its rivals and the next one apart from it; and what leaving out one night changes."""
    step = settings_of(None).window_step_s
    best = season.best_window(views, length_s, step)
    none = {"firm": None, "changed_by": []}
    if "start_s" not in best:
        return best, none
    start, rate = season.window_rates(views, length_s, step)
    lead = int(np.argmin(np.abs(start - best["start_s"])))
    after = season_lead.next_apart(rate, start, length_s, lead)
    if after >= 0:
        best["next"] = {"start_s": start[after], "end_s": start[after] + length_s} | season_lead.duel(rate, lead, after)
    if len(views) < FIRM:
        return best, none
    without = season_lead.leaders_without_each(rate)
    changed = [
        {"night": date, "start_s": start[w] if w >= 0 else None, "end_s": start[w] + length_s if w >= 0 else None,
         "apart": w < 0 or abs(start[w] - start[lead]) >= length_s}
        for date, w in zip(dates, without, strict=True) if w != lead
    ]  # fmt: skip
    return best, {"firm": not any(c["apart"] for c in changed), "changed_by": changed}


def moon(nights: list[SeasonNight]) -> dict:
    """Visits with the moon above the horizon against those without, and bright nights against dark ones.

    Both at the same hours after sunset, between sunset and sunrise; rate ratios with n nights and visits of each side.
    """
    dark = [(n, strata.only_in(n.by_sunset, _from_sunset(n, np.array([n.dark_us])))) for n in nights if n.dark_us]
    if not dark:
        return {"up": None, "bright": None, "lit_from": LIT_FROM, "bright_from": FULL_MOON_FROM}
    edges = _edges([view for _, view in dark])
    up, down = [], []
    for n, view in dark:
        spans = _from_sunset(n, n.moon_up_us) if _lit(n) >= LIT_FROM else np.zeros((0, 2))
        up.append(strata.only_in(view, spans))
        down.append(strata.only_in(view, _outside(spans, view.session_s)))
    bright = [view for n, view in dark if _lit(n) >= FULL_MOON_FROM]
    rest = [view for n, view in dark if _lit(n) < FULL_MOON_FROM]
    return {
        "up": strata.ratio(*strata.counted(up, edges), *strata.counted(down, edges)),
        "bright": _ratio_apart(bright, rest, edges), "lit_from": LIT_FROM, "bright_from": FULL_MOON_FROM,
    }  # fmt: skip


def _lit(n: SeasonNight) -> float:
    return n.moon_lit or 0.0


def _from_sunset(n: SeasonNight, spans_us: np.ndarray) -> np.ndarray:
    return (spans_us.reshape(-1, 2) - n.by_sunset.zero_utc_us) / 1e6


def _outside(spans: np.ndarray, session: tuple[float, float]) -> np.ndarray:
    marks = np.concatenate([[session[0]], spans[np.argsort(spans[:, 0])].ravel(), [session[1]]]).reshape(-1, 2)
    return marks[marks[:, 1] > marks[:, 0]]


def _edges(views: list[Any]) -> np.ndarray:
    lo = np.floor(min(v.session_s[0] for v in views) / BIN_S)
    return np.arange(lo, np.ceil(max(v.session_s[1] for v in views) / BIN_S) + 1) * BIN_S


def _ratio_apart(a: list[Any], b: list[Any], edges: np.ndarray) -> dict:
    """Ratio of two sets of nights; nights of the same name stand together, so that their common weather cancels."""
    names = sorted({v.name for v in (*a, *b)})
    parts = []
    for views in (a, b):
        n, e = np.zeros((2, len(names), len(edges) - 1))
        if views:
            at = [names.index(v.name) for v in views]
            n[at], e[at] = strata.counted(views, edges)
        parts += [n, e]
    return strata.ratio(*parts)


def compared(nights: list[SeasonNight], other: tuple[list[SeasonNight], dict], by: str) -> dict:
    """This logbook's rate over the other's: at the same hours of night, and of whole nights."""
    others = [n for n in other[0] if n.live_s > 0]
    out: dict[str, Any] = {"log": other[1], "n_nights": [len(nights), len(others)], "by": by,
                           "nights": [season_nights.row(n) for n in others]}  # fmt: skip
    a, b = ([n.by_sunset if by == "sunset" else n.by_clock for n in x] for x in (nights, others))
    a, b = [v for v in a if v], [v for v in b if v]
    out["same_dates"] = sorted({v.name for v in a} & {v.name for v in b})
    out["whole_nights"] = season.compare_rates([n.by_clock for n in nights], [n.by_clock for n in others])
    out["same_hours"] = _ratio_apart(a, b, _edges([*a, *b])) if a and b else None
    out["hours"] = _hours(others)[by]
    out["damaged"] = [n.date for n in others if n.damaged]
    out["partial"] = [f"{n.date}: {reason}" for n in others for reason in n.partial]
    return out


def season_of(
    path: Path, *, site: Path | None = None, board: str | None = None, first: str | None = None,
    last: str | None = None, compare: Path | None = None, by: str | None = None, window_h: float = 2.0, progress=None,
) -> dict:  # fmt: skip
    """Read, analyse and state a season; for the command line and for a notebook."""
    mine = read_season(NightReader(Path(path), site, board, first, last, progress=progress))
    other = read_season(NightReader(Path(compare), None, None, first, last, progress=progress)) if compare else None
    return season_facts(*mine, by=by, window_h=window_h, other=other)
