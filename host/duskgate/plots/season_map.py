"""Hours and nights: rate by shade and number, hatching where nothing was seen, moon and sun of each night."""

from __future__ import annotations

import numpy as np

from .season_axis import best_frame, hours_axis, short_date, span_words
from .style import axis, colour, make

TOP, CELL, MOON = -0.5, 0.8, 0.4  # of a row's height: upper edge and height of its cells, line of the moon below
# opacity of each fifth of the highest rate; none lies where neither ink nor ground could be read on it
SHADES = (0.1, 0.2, 0.32, 0.75, 1.0)
LIGHT_WORDS_FROM = 0.5  # opacity from which a number stands in the ground's colour
NUMBERS_UP_TO = 100  # nights; above it rows are too low for numbers, and the shades and the table stay


def figure(tables: dict, facts: dict) -> dict:
    """Map of a season as a plain dict; `tables` is not used."""
    found = facts["map"]
    rows = found["nights"]
    at = row_places([r["night"] for r in rows])
    pixels = 34 if len(rows) <= 20 else 19 if len(rows) <= NUMBERS_UP_TO else 11
    lo, hi = found["edges_s"][0] / 3600, found["edges_s"][-1] / 3600
    data = [*_hatched(found, at), *_cells(found, at), *_moon(rows, at), *_sun(rows, at, lo, hi)]
    if len(rows) <= NUMBERS_UP_TO:
        data += _numbers(found, at, 12 if pixels > 20 else 10)
    years = len({r["night"][:4] for r in rows}) > 1
    frame, notes = best_frame(facts, "best window" if facts["status"] == "season" else "most so far")
    ends = [{"type": "line", "y0": y, "y1": y, "line": {"color": colour("frame"), "width": 5}} for y in (0, 1)]
    shapes = [{**box, **end} for box in frame for end in ends]  # bars above and below: no line runs through numbers
    layout = {
        "xaxis": hours_axis(facts["by"], lo, hi) | {"fixedrange": True},
        "yaxis": axis(
            "night", range=[at[-1] + 0.6, at[0] - 0.7], tickvals=at, showgrid=False, fixedrange=True,
            ticktext=[short_date(r["night"], years) for r in rows],
        ),
    }  # fmt: skip
    height = int(130 + pixels * (at[-1] - at[0] + 1.2))
    return make(facts["figures"]["season_map"]["title"], data, height, shapes=shapes, annotations=notes, **layout)


def row_places(nights: list[str]) -> list[float]:
    """Heights of the rows: a step of one from night to night, a wider one where nights lie between."""
    days = np.array(nights, "datetime64[D]").astype(int)
    steps = np.where(np.diff(days) > 1, 1.45, 1.0)
    return [0.0, *np.round(np.cumsum(steps), 2).tolist()]


def _places(found: dict, at: list[float]) -> tuple:
    """Row index, bin index and share of the bin that was seen, for every cell."""
    seen = np.array([r["exposure_s"] for r in found["nights"]], float) / found["bin_s"]
    row, bin_ = np.indices(seen.shape)
    return row.ravel(), bin_.ravel(), np.clip(seen.ravel(), 0, 1), np.asarray(at)


def _bars(x0: np.ndarray, width: float, y: np.ndarray, height: np.ndarray, **more) -> dict:
    """Boxes that stand on the lower edge of their row's cells."""
    return {
        "type": "bar", "orientation": "h", "base": x0, "x": np.full(len(x0), width), "y": y,
        "width": height, "offset": TOP + CELL - height, "hoverinfo": "text", **more,
    }  # fmt: skip


def _hatched(found: dict, at: list[float]) -> list[dict]:
    row, bin_, share, heights = _places(found, at)
    shut = share < 0.999
    if not shut.any():
        return []
    hour = found["bin_s"] / 3600
    edges = np.asarray(found["edges_s"], float) / 3600
    said = [f"{found['nights'][r]['night']}: no sight {span_words(*_ends(found, k), found['by'])}"
            + (f" but for {share_seen * 60 * hour:.0f} min." if share_seen > 0 else ".")
            for r, k, share_seen in zip(row[shut], bin_[shut], share[shut], strict=True)]  # fmt: skip
    pattern = {"shape": "/", "fgcolor": colour("hatch"), "bgcolor": colour("ground"), "size": 6, "solidity": 0.2}
    marker = {"color": colour("ground"), "line": {"width": 0}, "pattern": pattern}
    return [_bars(edges[bin_[shut]], hour, heights[row[shut]], np.full(int(shut.sum()), CELL), name="no sight",
                  hovertext=said, marker=marker)]  # fmt: skip


def _ends(found: dict, k: int) -> tuple[float, float]:
    return found["edges_s"][k], found["edges_s"][k + 1]


def _cells(found: dict, at: list[float]) -> list[dict]:
    """Boxes of the ground's colour over the hatching, and over them the shade, the stronger the higher the rate."""
    row, bin_, share, heights = _places(found, at)
    seen = share > 0
    row, bin_, share = row[seen], bin_[seen], share[seen]
    rate, n, lo, hi = (_values(found, key)[seen] for key in ("rate_per_h", "n", "lo", "hi"))
    hour = found["bin_s"] / 3600
    said = [
        f"{found['nights'][r]['night']}, {span_words(*_ends(found, k), found['by'])}: {c:.0f} "
        f"visit{'' if c == 1 else 's'} in {s * 60 * hour:.0f} min of sight, {v:.1f} per hour "
        f"(95 % interval {a:.1f} to {b:.1f}, this night alone)."
        for r, k, c, s, v, a, b in zip(row, bin_, n, share, rate, lo, hi, strict=True)
    ]
    edges = np.asarray(found["edges_s"], float) / 3600
    boxes = edges[bin_], hour, heights[row], np.maximum(CELL * share, 0.12)
    empty = {"color": colour("ground"), "line": {"color": colour("grid"), "width": 1}}
    shade = {"color": colour("full"), "line": {"width": 0}, "opacity": shades(rate, scale_top(found))}
    return [_bars(*boxes, name="seen", marker=empty) | {"hoverinfo": "skip"},
            _bars(*boxes, name="visits per hour", hovertext=said, marker=shade)]  # fmt: skip


def shades(rate: np.ndarray, top: float) -> np.ndarray:
    """Opacity of each cell by the fifth of the highest rate in which its rate lies; none where nobody came."""
    with np.errstate(invalid="ignore"):
        fifth = np.clip(np.ceil(np.nan_to_num(rate) / top * len(SHADES)).astype(int), 0, len(SHADES))
    return np.array((0.0, *SHADES))[fifth]


def _values(found: dict, key: str) -> np.ndarray:
    return np.array([r[key] for r in found["nights"]], float).ravel()


def scale_top(found: dict) -> float:
    """Rate at which the shade is full: the highest of all cells that were seen for half an hour or more."""
    rate, seen = _values(found, "rate_per_h"), _values(found, "exposure_s")
    firm = rate[(seen >= 0.5 * found["bin_s"]) & np.isfinite(rate)]
    some = firm if len(firm) and firm.max() > 0 else rate[np.isfinite(rate)]
    return max(float(some.max(initial=0.0)), 1.0)


def _numbers(found: dict, at: list[float], size: int) -> list[dict]:
    """The rate in each cell that has room for a number, in ink or, on strong shades, in the ground's colour."""
    row, bin_, share, heights = _places(found, at)
    rate = _values(found, "rate_per_h")
    edges = np.asarray(found["edges_s"], float) / 3600
    out = []
    strong = shades(rate, scale_top(found)) > LIGHT_WORDS_FROM
    room = share >= 0.6
    for role, mask in (("ink", room & ~strong), ("ground", room & strong)):
        if mask.any():
            out.append({
                "type": "scatter", "mode": "text", "x": edges[bin_[mask]] + found["bin_s"] / 7200,
                "y": heights[row[mask]] + TOP + CELL - CELL * share[mask] / 2, "text": [f"{v:.0f}" for v in rate[mask]],
                "textfont": {"size": size, "color": colour(role)}, "hoverinfo": "skip", "name": "number",
            })  # fmt: skip
    return out


def _moon(rows: list[dict], at: list[float]) -> list[dict]:
    xs, ys, said = [], [], []
    for r, y in zip(rows, at, strict=True):
        lo, hi = r["session_s"] or (0.0, 0.0)
        for rise, fall in r["moon_up_s"] or ():
            a, b = max(rise, lo), min(fall, hi)
            if b > a:
                xs += [a / 3600, b / 3600, None]
                ys += [y + MOON, y + MOON, None]
                said += [f"{r['night']}: the moon is up."] * 3
    if not xs:
        return []
    line = {"color": colour("moon"), "width": 3}
    return [{"type": "scatter", "mode": "lines", "x": xs, "y": ys, "line": line, "hoverinfo": "text",
             "hovertext": said, "name": "moon up"}]  # fmt: skip


def _sun(rows: list[dict], at: list[float], lo: float, hi: float) -> list[dict]:
    found = [(s / 3600, y, f"{r['night']}: {word}.") for r, y in zip(rows, at, strict=True)
             for s, word in zip(r["sun_s"] or (), ("sunset", "sunrise"), strict=False)
             if lo < s / 3600 < hi]  # fmt: skip
    if not found:
        return []
    x, y, said = (list(part) for part in zip(*found, strict=True))
    return [{"type": "scatter", "mode": "markers", "x": x, "y": [v + TOP + CELL / 2 for v in y], "hoverinfo": "text",
             "hovertext": said, "name": "sunset or sunrise", "marker": {"symbol": "line-ns-open", "size": 13,
             "color": colour("ink"), "line": {"width": 3, "color": colour("ink")}}}]  # fmt: skip
