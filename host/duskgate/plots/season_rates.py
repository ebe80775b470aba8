"""Rates of a season: by hour with intervals over nights, by night, and of two rigs side by side."""

from __future__ import annotations

import math

import numpy as np

from .season_axis import best_frame, hours_axis, short_date, span_words
from .style import axis, colour, make, plain, words_at


def hours(tables: dict, facts: dict) -> dict:
    """Rate by hour with the best window and the windows that it cannot be told from; a plain dict."""
    rows, by = facts["hours"][facts["by"]], facts["by"]
    top = _top(rows)
    shapes, notes = best_frame(facts, "best window" if facts["status"] == "season" else "most so far")
    line, said = _rivals(facts, top)
    return make(
        facts["figures"]["season_hours"]["title"], [_marks(rows, by, "full", "circle"), *line], 360, shapes=shapes,
        annotations=notes + said, xaxis=_hours_axis(rows, by), yaxis=axis("visits per hour of sight", range=[0, top]),
    )  # fmt: skip


def compare(tables: dict, facts: dict) -> dict:
    """Rates of two rigs by hour, side by side; a plain dict."""
    by, said = facts["by"], facts["figures"]["season_compare"]
    one, two = facts["hours"][by], facts["compare"]["hours"]
    data = [_marks(one, by, "full", "circle", -0.1, said["names"][0]),
            _marks(two, by, "part", "diamond", 0.1, said["names"][1])]  # fmt: skip
    return make(said["title"], data, 380, xaxis=_hours_axis([*one, *two], by), showlegend=True,
                yaxis=axis("visits per hour of sight", range=[0, _top([*one, *two])]))  # fmt: skip


def nights(tables: dict, facts: dict) -> dict:
    """Rate of each night with its own interval, and the moon of each night below; a plain dict."""
    rows = [r for r in facts["nights"] if r["rate_per_h"].get("value") is not None]
    x = [f"{r['night']}T12:00:00" for r in rows]
    rate, lo, hi = (np.array([_or(r["rate_per_h"].get(k), r["rate_per_h"]["value"]) for r in rows], float)
                    for k in ("value", "lo", "hi"))  # fmt: skip
    top = max(1.0, float(hi.max()) * 1.08)
    said = [
        f"{r['night']}: {visits(r['n'])} in {r['live_s'] / 3600:.1f} h of sight, {v:.1f} per hour (95 % interval "
        f"{a:.1f} to {b:.1f}, this night alone){''.join(f'; {plain(f)}' for f in r['flags'])}."
        for r, v, a, b in zip(rows, rate, lo, hi, strict=True)
    ]
    doubtful = [bool(r["flags"] or r["damaged"]) for r in rows]
    marks = _scatter(x, rate, lo, hi, said, doubtful, "full", "circle")
    layout = {
        "xaxis": axis("night", type="date", **_days(facts["nights"])),
        "yaxis": axis("visits per hour of sight", range=[-0.2 * top, top], tickvals=_ticks(top)),
    }
    return make(facts["figures"]["season_nights"]["title"], [marks, *_moons(rows, x, -0.1 * top)], 360,
                annotations=[words_at(0.0, -0.03 * top, " moon", xref="paper", yanchor="top")]
                if any(r["moon_lit"] is not None for r in rows) else [], **layout)  # fmt: skip


def visits(n: int) -> str:
    """'1 visit', '12 visits'."""
    return f"{n} visit{'' if n == 1 else 's'}"


def _or(value, other):
    return other if value is None else value


def _ticks(top: float) -> list[float]:
    step = 10 ** math.floor(math.log10(top / 2))
    step *= next(k for k in (1, 2, 5, 10) if top / (k * step) <= 6)
    return [k * step for k in range(int(top / step) + 1)]


def _days(rows: list[dict]) -> dict:
    """Range and ticks of an axis of dates: every night where they are few."""
    first, last = (np.datetime64(rows[k]["night"]) for k in (0, -1))
    out = {"range": [str(first - 1) + "T12:00:00", str(last + 1) + "T12:00:00"], "tickformat": "%-d %b"}
    if len(rows) <= 8:
        out |= {"tickvals": [f"{r['night']}T12:00:00" for r in rows],
                "ticktext": [short_date(r["night"]) for r in rows]}  # fmt: skip
    return out


def _moons(rows: list[dict], x: list[str], y: float) -> list[dict]:
    """A ring for each night, filled by an inner disc whose area is the lit share of the moon."""
    lit = [(a, r["moon_lit"], r["night"]) for a, r in zip(x, rows, strict=True) if r["moon_lit"] is not None]
    if not lit:
        return []
    size = 13.0 if len(lit) <= 30 else 8.0
    common = {"type": "scatter", "mode": "markers", "x": [a for a, *_ in lit], "y": [y] * len(lit)}
    said = [f"{night}: the moon is {100 * share:.0f} % lit." for _, share, night in lit]
    edge = {"width": 1.5, "color": colour("moon")}
    ring = {"symbol": "circle-open", "size": size, "color": colour("moon"), "line": edge}
    disc = {"symbol": "circle", "size": [round(size * math.sqrt(share), 2) for _, share, _ in lit],
            "color": colour("moon"), "line": {"width": 0}, "sizemin": 0}  # fmt: skip
    return [{**common, "marker": disc, "hoverinfo": "skip", "name": "lit part"},
            {**common, "marker": ring, "hoverinfo": "text", "hovertext": said, "name": "moon"}]  # fmt: skip


def _value(e: dict) -> float:
    return float(_or(e.get("value"), _or(e.get("seen"), math.nan)))


def _top(rows: list[dict]) -> float:
    """Upper end of the axis: all rates, and intervals as far as three times the highest rate."""
    rates = [v for v in (_value(r["rate_per_h"]) for r in rows) if math.isfinite(v)]
    most = max(rates, default=1.0)
    ends = [min(r["rate_per_h"].get("hi") or 0.0, 3 * most) for r in rows]
    return max(1.0, 1.15 * max([most, *ends]))


def _hours_axis(rows: list[dict], by: str) -> dict:
    return hours_axis(by, min(r["start_s"] for r in rows) / 3600, max(r["end_s"] for r in rows) / 3600)


def _marks(rows: list[dict], by: str, role: str, symbol: str, shift: float = 0.0, name: str = "") -> dict:
    x = [(r["start_s"] + r["end_s"]) / 7200 + shift for r in rows]
    rate = np.array([_value(r["rate_per_h"]) for r in rows], float)
    lo, hi = (np.array([_or(r["rate_per_h"].get(k), v) for r, v in zip(rows, rate, strict=True)], float)
              for k in ("lo", "hi"))  # fmt: skip
    said = []
    for r, v, a, b in zip(rows, rate, lo, hi, strict=True):
        band = "no interval" if r["rate_per_h"].get("lo") is None else f"95 % interval {a:.1f} to {b:.1f} over nights"
        nights = f"{r['n_nights']} night{'' if r['n_nights'] == 1 else 's'}"
        lead = f"{plain(name)}, {span_words(r['start_s'], r['end_s'], by)}" if name else (
            span_words(r["start_s"], r["end_s"], by).capitalize())  # fmt: skip
        said.append(f"{lead}: {visits(r['n'])} on {nights}, {v:.1f} per hour of sight ({band}).")
    hollow = [r["rate_per_h"].get("lo") is None for r in rows]
    return _scatter(x, rate, lo, hi, said, hollow, role, symbol) | {"name": plain(name) or "visits per hour"}


def _scatter(x, y, lo, hi, said: list[str], hollow: list[bool], role: str, symbol: str) -> dict:
    return {
        "type": "scatter", "mode": "markers", "x": x, "y": y, "hoverinfo": "text", "hovertext": said,
        "error_y": {
            "type": "data", "symmetric": False, "array": np.nan_to_num(hi - y), "arrayminus": np.nan_to_num(y - lo),
            "color": colour("soft"), "thickness": 1.5, "width": 4,
        },
        "marker": {
            "color": colour(role), "size": 10, "symbol": [f"{symbol}-open" if h else symbol for h in hollow],
            "line": {"width": 2, "color": colour(role)},
        },
        "name": "visits per hour",
    }  # fmt: skip


def _rivals(facts: dict, top: float) -> tuple[list[dict], list[dict]]:
    """A thick line over the hours of all windows that cannot be told from the best one."""
    best = facts["best_window"]
    spans = sorted(best.get("not_beaten") or [])
    if facts["status"] != "season" or len(spans) < 2:
        return [], []
    xs: list = []
    for a, b in spans:
        if xs and a / 3600 <= xs[-2]:
            xs[-2] = max(xs[-2], b / 3600)
        else:
            xs += [a / 3600, b / 3600, None]
    others = f"{len(spans) - 1} other window{'' if len(spans) == 2 else 's'}"
    text = f"The best window cannot be told from {others} in these hours."
    return [{"type": "scatter", "mode": "lines", "x": xs, "y": [None if v is None else 0.965 * top for v in xs],
             "line": {"color": colour("frame"), "width": 6}, "hoverinfo": "text", "hovertext": [text] * len(xs),
             "name": "not told apart"}], []  # fmt: skip
