"""How delays are spread: shares of firings by length, late answers, and medians over time. Numbers only."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from . import words
from .delay_read import HEAD_COLUMNS, Rig
from .heads import own_names

BINS = 60
LATE_BINS = 40
PARTS = 6  # of a single night, each with as many firings


def shapes(rigs: list[Rig], found: list[dict]) -> dict:
    """{path: {"edges_us", "lanes": [{"rig", "head", "n", "in_bin", "before", "beyond"}]}}, all rigs on the same bins.

    The bins hold the bulk of every lane; firings before and beyond them are counted.
    """
    out: dict[str, Any] = {}
    for path in dict.fromkeys(p for rig in found for p in rig["paths"]):
        lanes = [lane for k, rig in enumerate(rigs) if path in found[k]["paths"] for lane in _lanes(rig, path, k)]
        lanes = [lane for lane in lanes if len(lane["us"])]
        if lanes:
            edges = _edges([lane["us"] for lane in lanes])
            out[path] = {"edges_us": edges.tolist(), "lanes": [_counted(lane, edges) for lane in lanes]}
    return out


def _lanes(rig: Rig, path: str, k: int) -> list[dict]:
    fires, names = rig.fires, own_names(rig.place)
    fires = fires[fires["path"] == path]
    lanes = [(names.get(head, head), fires[column].to_numpy(float)) for head, column in HEAD_COLUMNS.items()]
    lanes = [(name, v[np.isfinite(v)]) for name, v in lanes]
    if not any(len(v) for _, v in lanes):
        first = fires["latency_us"].to_numpy(float)
        lanes = [("first light", first[np.isfinite(first)])]
    return [{"rig": k, "head": name, "us": v} for name, v in lanes if len(v)]


def _edges(several: list[np.ndarray]) -> np.ndarray:
    """Bins from below the fastest to well above where 95 % of each lane lie."""
    lo = min(float(np.quantile(v, 0.002)) for v in several)
    hi = max(float(np.quantile(v, 0.95)) for v in several)
    spread = max(hi - lo, 20.0)
    return np.linspace(lo - 0.3 * spread, hi + 0.6 * spread, BINS + 1)


def _counted(lane: dict, edges: np.ndarray) -> dict:
    values = lane["us"]
    return {"rig": lane["rig"], "head": lane["head"], "n": len(values),
            "in_bin": np.histogram(values, edges)[0].tolist(),
            "before": int((values < edges[0]).sum()), "beyond": int((values > edges[-1]).sum())}  # fmt: skip


def late(first_us: np.ndarray, modes: list[dict], usual_us: float, window_us: float) -> dict | None:
    """Late answers by delay: {"from_us", "edges_us", "n"}; None where there are none."""
    if not any(m["what"] == "late" for m in modes):
        return None
    values = first_us[np.isfinite(first_us) & (first_us > usual_us)]
    edges = np.linspace(usual_us, max(window_us, float(values.max())), LATE_BINS + 1)
    return {"from_us": usual_us, "edges_us": edges.tolist(), "n": np.histogram(values, edges)[0].tolist()}


def by_time(rig: Rig, fires: Any, names: list[str], usual_us: float, median: Callable) -> list[dict]:
    """Medians by night, or of one night by PARTS of equally many firings: [{"when", "heads": {name: median}}].

    `median` makes an estimate from values. Usual answers only, as for the drift: a night with more late answers would
    seem slower as a whole.
    """
    own = own_names(rig.place)
    kept = fires[~(fires["latency_us"].to_numpy(float) > usual_us)] if np.isfinite(usual_us) else fires
    return [
        {"when": when, "heads": {own.get(name, name): median(_known(part, name)) for name in names}}
        for when, part in _pieces(rig, kept) if len(part)
    ]  # fmt: skip


def _known(part: Any, name: str) -> np.ndarray:
    values = part[HEAD_COLUMNS.get(name, "latency_us")].to_numpy(float)
    return values[np.isfinite(values)]


def _pieces(rig: Rig, fires: Any) -> list[tuple[str, Any]]:
    if len(rig.nights) > 1:
        return [(night, fires[fires["night"] == night]) for night in dict.fromkeys(rig.nights)]
    ordered = fires.sort_values("utc_us", kind="stable")
    pieces = [ordered.iloc[at] for at in np.array_split(np.arange(len(ordered)), PARTS)]
    return [(_span(rig, piece, k), piece) for k, piece in enumerate(pieces) if len(piece)]


def _span(rig: Rig, piece: Any, k: int) -> str:
    a, b = int(piece["utc_us"].iloc[0]), int(piece["utc_us"].iloc[-1])
    if a < words.KNOWN_FROM_US:
        return f"part {k + 1} of {PARTS}"
    return words.LocalTime(rig.place["zone"], a, b).span(a, b)
