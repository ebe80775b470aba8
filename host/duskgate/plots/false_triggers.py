"""False triggers by kind and time: circles whose area is the number in that time."""

import numpy as np

from . import night_axis
from .style import axis, colour, make, words_at

ROWS = (
    ("insect", "insects", "circle", "full"),
    ("rain", "rain", "diamond", "other"),
    ("leaf", "swaying leaf", "square", "part"),
    ("blocked", "blocked beam", "x", "frame"),
    ("glitch", "electrical", "cross", "ink"),
    ("light", "light without a break", "star", "none"),
)
WIDEST = 34.0  # pixels of the largest circle


def figure(tables: dict, facts: dict):
    """Figure of the false triggers by kind and half hour; a plain dict."""
    edges = _edges(facts)
    counts = {}
    for kind, *_ in ROWS:
        times = _times(tables, kind)
        counts[kind] = (np.histogram(times[times > facts["known_from_utc_us"]], edges)[0], len(times))
    present = [r for r in ROWS if counts[r[0]][1]]
    most = max((int(counts[r[0]][0].max()) for r in present), default=1) or 1
    data, notes = night_axis.hatched(facts, -0.6, len(present) - 0.2), []
    shapes, sun = night_axis.sky(facts)
    for k, row in enumerate(present):
        y = len(present) - 1 - k
        n, total = counts[row[0]]
        data.append(_circles(row, n, edges, y, facts) | {"marker": _marker(row, n[n > 0], most)})
        notes.append(words_at(0.0, y + 0.36, f" {row[1]}, n = {total}", xref="paper", yanchor="bottom"))
    return make(
        facts["figures"]["false"]["title"],
        data,
        130 + 72 * len(present),
        shapes=shapes,
        annotations=notes + sun,
        xaxis=night_axis.time_axis(facts),
        yaxis=axis(
            "false triggers by kind", range=[-0.6, len(present) - 0.2], showticklabels=False, ticks="", showgrid=False
        ),
    )


def _times(tables, kind):
    if kind == "light":
        fires = tables["fires"]
        return fires.loc[fires["kind"] == "interference", "utc_us"].to_numpy()
    breaks = tables["breaks"]
    return breaks.loc[(breaks["kind"] == kind) & (breaks["beam"] == "BEAM"), "start_utc_us"].to_numpy()


def _edges(facts):
    """Edges of half hours that cover the night, in UTC microseconds."""
    step = 1_800_000_000
    lo = facts["night"]["start_utc_us"] // step * step
    return np.arange(lo, facts["night"]["end_utc_us"] + step, step)


def _marker(row, n, most):
    size = np.round(np.maximum(6.0, WIDEST * np.sqrt(n / most)), 1)
    return {"symbol": row[2], "color": colour(row[3]), "opacity": 0.85, "size": size, "line": {"width": 0}}


def _circles(row, n, edges, y, facts):
    at = np.flatnonzero(n)
    start, end = night_axis.clock(edges[:-1][at], facts), night_axis.clock(edges[1:][at], facts)
    return {
        "type": "scatter",
        "mode": "markers+text",
        "x": night_axis.local_ms((edges[:-1] + edges[1:])[at] // 2, facts),
        "y": [y - 0.08] * len(at),
        "text": [f" {v}" for v in n[at]],
        "textposition": "middle right",
        "textfont": {"size": 11, "color": colour("ink")},
        "name": row[1],
        "cliponaxis": False,
        "hoverinfo": "text",
        "hovertext": [
            f"From {a[:5]} to {b[:5]}: {row[1]}, {v} in number." for a, b, v in zip(start, end, n[at], strict=True)
        ],
    }
