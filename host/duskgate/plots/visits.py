"""Visits against local time, twilight and moon; a row and a shape for what the flashes did."""

import numpy as np

from . import night_axis
from .style import axis, colour, every, jitter, make, plain, words_at

ROWS = (
    ("yes", "all heads lit", "full", "circle"),
    ("partly", "some heads lit", "part", "diamond"),
    ("no", "no light", "none", "x"),
    ("not_watched", "no light sensor", "other", "square-open"),
)


BOTTOM = -1.3  # below the rows stand the moon and the twilight


def figure(tables: dict, facts: dict):
    """Figure of the visits under sun, twilight and moon; a plain dict."""
    visits = tables["visits"]
    visits = visits[visits["start_utc_us"] > facts["known_from_utc_us"]]
    present = [r for r in ROWS if (visits["caught"] == r[0]).any()] or [("", "visits", "full", "circle")]
    shapes, notes = night_axis.sky(facts)
    height = len(present)
    data = night_axis.hatched(facts, -0.35, height)
    for k, row in enumerate(present):
        rows = visits[visits["caught"] == row[0]]
        y = height - 1 - k + 0.38
        data.append(_marks(rows, row, y, facts))
        notes.append(words_at(0.0, y + 0.3, f" {row[1]}, n = {len(rows)}", xref="paper", yanchor="bottom"))
    sky, sky_words = night_axis.sky_rows(facts, -1.1)
    data += sky + _notes(facts, height - 0.02)
    return make(
        facts["figures"]["visits"]["title"],
        data,
        190 + 95 * height,
        shapes=shapes,
        annotations=notes + sky_words,
        xaxis=night_axis.time_axis(facts),
        yaxis=axis(
            "visits by what the flashes did", range=[BOTTOM, height], showticklabels=False, ticks="", showgrid=False
        ),
    )


def _marks(rows, row, y, facts):
    _, said, role, symbol = row
    rows = rows.iloc[every(len(rows), facts["figures"]["visits"]["draw_every"])]
    times = night_axis.clock(rows["start_utc_us"], facts) if len(rows) else []
    length = (rows["end_utc_us"] - rows["start_utc_us"]).to_numpy() / 1e6
    said_of = [
        f"At {t} a visit of {d:.1f} s: {b} break{'s' if b != 1 else ''}, {f} firing{'s' if f != 1 else ''}, {said}."
        for t, d, b, f in zip(times, length, rows["n_breaks"], rows["n_fires"], strict=True)
    ]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": night_axis.local_ms(rows["start_utc_us"], facts),
        "y": np.round(y + jitter(len(rows), 0.22), 3),
        "marker": {"color": colour(role), "symbol": symbol, "size": 7, "opacity": 0.85},
        "hoverinfo": "text",
        "hovertext": said_of,
        "name": said,
    }


def _notes(facts, y):
    """What a person noted during the night, as small arrows along the top."""
    found = [n for n in facts["notes"] if n["utc_us"] > facts["known_from_utc_us"]]
    if not found:
        return []
    said = [f"At {n['time']} noted: {plain(n['said'])}." for n in found]
    return [
        {
            "type": "scatter",
            "mode": "markers",
            "x": night_axis.local_ms([n["utc_us"] for n in found], facts),
            "y": [y] * len(found),
            "marker": {"color": colour("frame"), "symbol": "triangle-down", "size": 12},
            "hoverinfo": "text",
            "hovertext": said,
            "name": "notes",
        }
    ]
