"""Facts of the delay of one or several rigs: everything that `duskgate delay` says, as one JSON-able dict.

`FACTS_VERSION` counts the versions of this interface: a new key keeps it, a renamed or removed one raises it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from .. import __version__, fields
from ..analysis import bench, compare
from ..analysis.delay import delay_summary
from ..analysis.night import analyse
from ..analysis.stats import estimate, quantile_estimate
from ..analysis.triggers import Window
from . import delay_read, delay_said, delay_shapes, delay_space, delay_words, setting
from .delay_read import HEAD_COLUMNS, Rig
from .heads import own_names, renamed
from .numbers import plain

FACTS_VERSION = 1
CHAIN = ("beam_to_sync_us", "sync_to_light_us")


def read_rigs(paths: list[Path], site: Path | None = None, progress: Any = None) -> list[Rig]:
    """Every rig's fires, its nights read one at a time. Raises what reading a night raises."""
    rigs = []
    for label, reader in delay_read.readers(paths, site, progress):
        rig = Rig(label)
        for source in reader:
            night = analyse(source.rec, source.clock, source.site, source.window)
            shots = bench.chain_fires(source.rec, source.clock)
            rig.take(source, night, delay_read.in_window(shots, source.window))
        rig.remarks += reader.remarks
        rigs.append(rig)
    return rigs


def delay_facts(rigs: list[Rig], speed_m_s: float | None = None) -> dict:
    """Facts of rigs: delays side by side, differences from the first rig, and what the delay means in space.

    speed_m_s: of the animal, instead of the site files' own.
    """
    found = [rig_facts(rig, speed_m_s) for rig in rigs]
    facts: dict[str, Any] = {
        "facts_version": FACTS_VERSION, "what": "delay",
        "status": "delay" if any(r["paths"] for r in found) else "nothing",
        "versions": {"duskgate": __version__, "tables": fields.TABLES_VERSION},
        "rigs": found, "differences": [_difference(rigs[0], rig) for rig in rigs[1:]],
        "damaged": [f"{rig.label}: {night}" for rig in rigs for night in rig.damaged],
        "methods": [dict(m) for m in delay_words.METHODS],
    }  # fmt: skip
    facts["shapes"] = delay_shapes.shapes(rigs, found)
    facts["summary"] = delay_words.lines(facts)
    return plain(delay_said.with_page(plain(facts)))


def rig_facts(rig: Rig, speed_m_s: float | None) -> dict:
    """One rig: where the beam's signal is taken, the delay by path and head, and its meaning in space."""
    place, fires = rig.place, rig.fires
    paths = {
        str(path): path_facts(rig, str(path), part) for path, part in fires.groupby("path", sort=False) if len(part)
    }
    named = renamed({"latency": paths}, own_names(place))["latency"]
    main = next((p for p in ("beam_flash", "beam_camera", "shot_flash") if p in named), None)
    unit = named.get("break_unit")
    return {
        "label": rig.label, "site": place["name"], "site_file": rig.site_file, "nights": rig.nights,
        "beam_source": setting.beam_source_facts(place, rig.site), "n_lights": rig.lights, "n_answered": len(fires),
        "why_none": "" if named else delay_words.why_none(rig.watched, rig.lights),
        "main_path": main, "paths": named, "contains": {path: delay_words.CONTAINS[path] for path in named},
        "with_unit": with_unit(named[main], unit) if unit and main and place["beam_source"] == "tap" else {},
        "shared_sensors": sorted(rig.shared), "lost_edges": rig.lost_edges,
        "space": delay_space.space_facts(rig, main, named.get(main or ""), speed_m_s),
        "remarks": rig.remarks, "damaged": rig.damaged,
    }  # fmt: skip


def path_facts(rig: Rig, path: str, fires: pd.DataFrame) -> dict:
    """Delay of one path: first light, heads, skew, late answers, drift, and the camera's part where it is known."""
    first = fires["latency_us"].to_numpy(float)
    names = [name for name, column in HEAD_COLUMNS.items() if len(_known(fires, column))]
    lags = fires[[HEAD_COLUMNS[name] for name in names]].to_numpy(float).reshape(len(fires), len(names))
    loss = {"lost_edges": rig.lost_edges}
    when_s = fires["utc_us"].to_numpy(np.int64) / 1e6
    window = common_window(rig.windows.get(path), first)
    out = delay_summary(first, lags, names, when_s, window, loss)
    out["late"] = delay_shapes.late(first, out["modes"], window.usual / 1000, window.hi / 1000)
    out["by_time"] = delay_shapes.by_time(rig, fires, names or ["first light"], window.usual / 1000, _median)
    for key in CHAIN:
        part = _known(fires, key)
        if len(part):
            out[key] = {"median": quantile_estimate(part, 0.5), "p95": quantile_estimate(part, 0.95)}
    return out | {"n": len(fires), "nights": len(rig.nights)}


def _median(values: np.ndarray) -> dict:
    return quantile_estimate(values, 0.5)


def with_unit(found: dict, unit: dict) -> dict:
    """Median of each head's delay with the trigger unit's own added, where BEAM is read behind the unit (us).

    The sum of two medians; its interval from those of both, as for a difference (Zou & Donner 2008).
    """
    own = unit["first_us"]["median"]
    rows = {name: q["median"] for name, q in (found["heads"] or {"first light": found["first_us"]}).items()}
    return {name: _sum(q, own) for name, q in rows.items()}


def _sum(a: dict, b: dict) -> dict:
    short = next((e for e in (a, b) if e["value"] is None), None)
    if short:
        return dict(short)
    down, up = (np.hypot(a["value"] - a[k], b["value"] - b[k]) for k in ("lo", "hi"))
    value = a["value"] + b["value"]
    return estimate(value, value - down, value + up, min(a["n"], b["n"]))


def _known(fires: pd.DataFrame, column: str) -> np.ndarray:
    values = fires[column].to_numpy(float)
    return values[np.isfinite(values)]


def common_window(windows: list[Any] | None, first_us: np.ndarray) -> Any:
    """The nights' lag windows as one, around the median of all lags (ns)."""
    windows = windows or []
    if len(windows) == 1:
        return windows[0]
    lag = 1000 * first_us[np.isfinite(first_us)]
    middle = float(np.median(lag)) if len(lag) else np.nan
    mad = float(np.median(np.abs(lag - middle))) if len(lag) else np.nan
    lo = min((w.lo for w in windows), default=0.0)
    hi = max((w.hi for w in windows), default=float(lag.max()) if len(lag) else 0.0)
    return Window(lo, hi, middle, mad, len(lag), any(w.learned for w in windows) or (not windows and len(lag) > 0))


def _difference(a: Rig, b: Rig) -> dict:
    """Delays of rig b less those of rig a, path by path and head by head."""
    fires_a, fires_b = a.fires, b.fires
    both = [p for p in fields.PATHS if p in set(fires_a["path"]) and p in set(fires_b["path"])]
    names = own_names(a.place) if own_names(a.place) == own_names(b.place) else {}
    out: dict[str, Any] = {"of": b.label, "less": a.label, "paths": {}}
    for path in both:
        one, two = (f[f["path"] == path] for f in (fires_a, fires_b))
        moves = compare.compare_delays(one, two)
        found = {names.get(head, head): move for head, move in moves.items() if head != "first_us"}
        chain = {
            key: {q: compare.difference(_known(one, key), _known(two, key), p)
                  for q, p in (("median", 0.5), ("p95", 0.95))}
            for key in CHAIN if len(_known(one, key)) and len(_known(two, key))
        }  # fmt: skip
        out["paths"][path] = {"first_us": moves.get("first_us"), "heads": found} | chain
    return out


def delays_of(paths: list[Path], *, speed_m_s: float | None = None, site: Path | None = None, progress=None) -> dict:
    """Read, analyse and state delays; for the command line and for a notebook."""
    return delay_facts(read_rigs([Path(p) for p in paths], site, progress), speed_m_s)
