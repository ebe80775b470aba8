"""Delay and recycle time of each head, night by night over the weeks."""

from __future__ import annotations

import numpy as np

from .season_axis import short_date
from .style import DASHES, SYMBOLS, axis, colour, make, plain

ROLES = ("full", "part", "none", "other")


def delay(tables: dict, facts: dict) -> dict:
    """Median delay of each head by night, ms; a plain dict."""
    said = facts["figures"]["season_delay"]
    rows = [(r["night"], r["latency_us"].get(said["path"], {})) for r in facts["nights"]]
    return _figure(said, rows, "delay, ms", 1e-3, "ms after the break, median", 3)


def recycle(tables: dict, facts: dict) -> dict:
    """Gap after which 95 % of each head's flashes fire by night, s; a plain dict."""
    said = facts["figures"]["season_recycle"]
    rows = [(r["night"], r["recycle_s"]) for r in facts["nights"]]
    return _figure(said, rows, "recycle time, s", 1.0, "s until 95 % of flashes fire", 2)


def _figure(said: dict, rows: list, title: str, scale: float, words: str, decimals: int) -> dict:
    nights = [night for night, _ in rows]
    data = [_head(head, k, len(said["heads"]), rows, scale, words, decimals) for k, head in enumerate(said["heads"])]
    first, last = (np.datetime64(nights[k]) for k in (0, -1))
    x = axis("night", type="date", tickformat="%-d %b",
             range=[str(first - 1) + "T12:00:00", str(last + 1) + "T12:00:00"])  # fmt: skip
    if len(nights) <= 8:
        x |= {"tickvals": [f"{n}T12:00:00" for n in nights], "ticktext": [short_date(n) for n in nights]}
    return make(said["title"], data, 380, xaxis=x, yaxis=axis(title), showlegend=True)


def _head(head: str, k: int, of: int, rows: list, scale: float, words: str, decimals: int) -> dict:
    found = [(night, e[head]) for night, e in rows if (e.get(head) or {}).get("value") is not None]
    value, lo, hi = (np.array([scale * (e.get(key) if e.get(key) is not None else e["value"]) for _, e in found])
                     for key in ("value", "lo", "hi"))  # fmt: skip
    hour = 12 + 5 * (k - (of - 1) / 2)  # heads of one night side by side
    role, name = ROLES[k % len(ROLES)], plain(head)
    return {
        "type": "scatter", "mode": "lines+markers", "name": name,
        "x": [f"{night}T{int(hour):02d}:{int(hour * 60) % 60:02d}:00" for night, _ in found], "y": value,
        "line": {"color": colour(role), "width": 1, "dash": DASHES[k % len(DASHES)]},
        "marker": {"color": colour(role), "size": 9, "symbol": SYMBOLS[k % len(SYMBOLS)]},
        "error_y": {"type": "data", "symmetric": False, "array": hi - value, "arrayminus": value - lo,
                    "color": colour(role), "thickness": 1.5, "width": 4},
        "hoverinfo": "text",
        "hovertext": [f"{night}, {name}: {v:.{decimals}f} {words} (95 % interval {a:.{decimals}f} to {b:.{decimals}f}, "
                      f"n = {e['n']})." for (night, e), v, a, b in zip(found, value, lo, hi, strict=True)],
    }  # fmt: skip
