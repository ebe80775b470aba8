"""What earlier nights tell the plan: read once, night by night, and kept as some arrays."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..analysis import bench, season, strata
from ..analysis.night import analyse
from ..plan import keepers
from ..plan.keepers import NightFires
from . import delay_facts, delay_read, season_facts, season_nights, setting, words
from .delay_read import Rig
from .heads import own_names, renamed
from .open_season import NightReader
from .season_nights import SeasonNight

SHORTEST_S = 900.0  # a night that covers less of the hours asked for says nothing of them


@dataclass
class History:
    """All nights of a logbook; `last` holds the newest night's estimates, the source of supply and recycle time."""

    path: str
    nights: list[SeasonNight] = field(default_factory=list)
    fires: list[NightFires] = field(default_factory=list)
    fires_zero_us: dict[str, int] = field(default_factory=dict)  # from where a night's fires count, us UTC
    rig: Rig | None = None
    last: dict = field(default_factory=dict)
    season: dict = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    site: Any = None
    site_file: str | None = None

    @property
    def sighted(self) -> list[SeasonNight]:
        """Nights with any time of sight."""
        return [n for n in self.nights if n.live_s > 0]


def read_history(
    path: Path, site: Path | None = None, window_h: float = 2.0, before: str | None = None, progress: Any = None
) -> History:
    """Every night of a logbook or a log with a date before `before` (all for None). Raises what reading raises."""
    reader = NightReader(Path(path), site, progress=progress)
    out = History(words.clean(path), rig=Rig(words.clean(path)))
    for source in reader:
        if before and source.date and source.date >= before:
            continue
        night = analyse(source.rec, source.clock, source.site, source.window)
        shots = delay_read.in_window(bench.chain_fires(source.rec, source.clock), source.window)
        assert out.rig is not None
        out.rig.take(source, night, shots)
        out.site, out.site_file = source.site, source.site_file
        if source.date is None:
            out.remarks.append(f"No time of day is known in {', '.join(source.files)}: it tells nothing of hours.")
            continue
        pauses = season.pooled_gaps([night.parts])
        out.nights.append(season_nights.keep(source, night, season.night_view, pauses))
        out.fires.append(_fires(source.date, night.tables))
        out.fires_zero_us[source.date] = int(night.tables["boots"]["start_utc_us"].min())
        out.last = renamed(night.estimates, own_names(setting.site_facts(source.site)))
    out.nights.sort(key=lambda n: n.date)
    out.fires.sort(key=lambda n: n.name)
    out.remarks = [*reader.remarks, *out.remarks]
    out.damaged = out.rig.damaged if out.rig else []
    if out.nights:
        reading = {"path": out.path, "seen": [n.date for n in out.nights], "unplaced": [], "remarks": []}
        out.season = season_facts.season_facts(out.nights, reading, window_h=window_h)
    return out


def _fires(date: str, tables: dict) -> NightFires:
    """The night's fires between its first and last record; what could not be seen counts as blind."""
    boots, gaps = tables["boots"], tables["gaps"]
    unseen = gaps[gaps["why"].astype(object).isin(season.UNSEEN)]
    lo, hi = int(boots["start_utc_us"].min()), int(boots["end_utc_us"].max())
    return keepers.night_fires({**tables, "gaps": unseen}, lo, hi, date)


def views(history: History) -> tuple[str, list[Any]]:
    """ "sunset" or "clock" as the season counts, and a view of each night that has that zero."""
    by = history.season.get("by", "clock")
    return by, [v for n in history.sighted if (v := n.by_sunset if by == "sunset" else n.by_clock)]


def rate_within(history: History, lo_s: float, hi_s: float) -> dict:
    """Visits per hour of sight between two times after the season's zero; an estimate, n in nights.

    From three nights on the interval shows how nights differ. One or two lend the relative interval of the newest
    night's own rate; `thin` is then true, because other nights may differ by far more.
    """
    _, seen = views(history)
    parts = [strata.only_in(v, np.array([[lo_s, hi_s]])) for v in seen]
    edges = np.array([lo_s, hi_s])
    n = np.array([p.count(lo_s, hi_s) for p in parts], float)
    live = np.array([float(p.exposure(edges)[0]) for p in parts], float)
    found = season.rate_over_nights(n, live)
    own = history.sighted[-1].rate if history.sighted else {}
    if found["value"] is None and found.get("seen") and own.get("value"):
        k = found["seen"] / own["value"]
        found = {"value": found["seen"], "lo": own["lo"] * k, "hi": own["hi"] * k, "n": found["n"], "level": 0.95}
    thin = found["n"] < season.NEED_NIGHTS
    return found | {"n_visits": int(n.sum()), "hours": float(live.sum() / 3600), "thin": thin}


def during(history: History, lo_s: float, hi_s: float) -> History:
    """The same history with only the fires between two times after the season's zero; nights without them left out."""
    by, kept = views(history)[0], []
    zeros = {n.date: v.zero_utc_us for n in history.sighted if (v := n.by_sunset if by == "sunset" else n.by_clock)}
    for night in history.fires:
        if night.name not in zeros:
            continue
        shift = (zeros[night.name] - history.fires_zero_us[night.name]) / 1e6
        lo, hi = max(night.lo_s, lo_s + shift), min(night.hi_s, hi_s + shift)
        if hi - lo < SHORTEST_S:
            continue
        inside = (night.fire_s >= lo) & (night.fire_s <= hi)
        kept.append(replace(night, fire_s=night.fire_s[inside], visit=night.visit[inside], lo_s=lo, hi_s=hi))
    return replace(history, fires=kept)


def lead_of(history: History, speed_m_s: float | None) -> dict:
    """Delay of the main path with its meaning in space, as `duskgate delay` states it; {} without any fire."""
    rig = history.rig
    if rig is None or not rig.nights:
        return {}
    return delay_facts.rig_facts(rig, speed_m_s)


def keepers_per_h(history: History, open_s: float, pause_s: float) -> dict:
    """Keepers an hour that the earlier nights allowed; one or two nights lend no interval, their mean is in `seen`."""
    return keepers.keepers_per_h(history.fires, open_s, pause_s, season.rate_over_nights)


def fires_per_h(history: History) -> dict:
    """Fires per watched hour over nights; `seen` below three nights, where there is no interval."""
    n = np.array([len(f.fire_s) for f in history.fires], float)
    blind = np.array([float(np.diff(np.clip(f.blind, f.lo_s, f.hi_s)).sum()) for f in history.fires], float)
    length = np.array([f.hi_s - f.lo_s for f in history.fires], float)
    return season.rate_over_nights(n, np.maximum(length - blind, 0))


def best_shutter(history: History, pause_s: float, longest_s: float | None) -> dict:
    """Shutter time that kept most on these nights, with what it rests on (`keepers.best_of_nights`)."""
    return keepers.best_of_nights(keepers.curve(history.fires, pause_s), longest_s, season.rate_over_nights)
