"""The axis of local time with the sky behind it, and blind times hatched over it."""

import numpy as np

from .style import axis, colour, words_at

BAND_ROLES = {
    "day": "sky_day",
    "civil twilight": "sky_civil",
    "nautical twilight": "sky_nautical",
    "astronomical twilight": "sky_astronomical",
    "night": "sky_night",
}


def local_ms(utc_us, facts: dict):
    """UTC microseconds as plotly's milliseconds of local time."""
    return np.asarray(utc_us, dtype="float64") / 1000.0 + facts["local"]["offset_s"] * 1000.0


def clock(utc_us, facts: dict) -> np.ndarray:
    """'HH:MM:SS' of many instants at once."""
    seconds = np.asarray(utc_us, dtype="int64") // 1_000_000 + facts["local"]["offset_s"]
    return (
        np.datetime_as_string(seconds.astype("datetime64[s]"))
        .astype("U19")
        .view("U1")
        .reshape(len(seconds), 19)[:, 11:]
        .copy()
        .view("U8")
        .ravel()
    )


def time_axis(facts: dict, start: int | None = None, end: int | None = None) -> dict:
    """Settings of an x axis over the night (or start..end, UTC microseconds)."""
    night = facts["night"]
    span = local_ms([start or night["start_utc_us"], end or night["end_utc_us"]], facts)
    return axis(
        "hours since the board's first start (time of day unknown)"
        if facts["local"].get("since_start")
        else f"local time ({facts['local']['label']})",
        type="date",
        tickformat="%H:%M",
        range=[float(x) for x in span],
        hoverformat="%H:%M",
    )


def sky(facts: dict) -> tuple[list[dict], list[dict]]:
    """Bands of twilight as shapes, and the words for sunset and sunrise as annotations."""
    shapes = []
    night = facts["night"]
    for band in facts["sky"]["bands"]:
        lo, hi = max(band["start_utc_us"], night["start_utc_us"]), min(band["end_utc_us"], night["end_utc_us"])
        if hi > lo:
            x0, x1 = local_ms([lo, hi], facts)
            shapes.append(
                {
                    "type": "rect",
                    "x0": float(x0),
                    "x1": float(x1),
                    "y0": 0,
                    "y1": 1,
                    "yref": "paper",
                    "layer": "below",
                    "line": {"width": 0},
                    "fillcolor": colour(BAND_ROLES.get(band["name"], "sky_night")),
                }
            )
    return shapes, _sun_words(facts)


def _sun_words(facts: dict) -> list[dict]:
    night, out = facts["night"], []
    for key, word, anchor in (("sunset_utc_us", "sunset", "left"), ("sunrise_utc_us", "sunrise", "right")):
        at = facts["sky"].get(key)
        if at and night["start_utc_us"] <= at <= night["end_utc_us"]:
            x = float(local_ms([at], facts)[0])
            out.append(
                words_at(
                    x,
                    1.0,
                    f"| {word}" if anchor == "left" else f"{word} |",
                    yref="paper",
                    yanchor="bottom",
                    xanchor=anchor,
                )
            )
    dark = [b for b in facts["sky"]["bands"] if b["name"] == "night"]
    if dark:
        middle = float(local_ms([(dark[0]["start_utc_us"] + dark[0]["end_utc_us"]) // 2], facts)[0])
        out.append(words_at(middle, 1.0, "full dark", yref="paper", yanchor="bottom", xanchor="center"))
    return out


def moon_row(facts: dict, y: float) -> tuple[list[dict], list[dict]]:
    """A thick line where the moon is up, at height y, with its words."""
    night, xs = facts["night"], []
    for rise, fall in facts["sky"].get("moon_up", []):
        lo, hi = max(rise, night["start_utc_us"]), min(fall, night["end_utc_us"])
        if hi > lo:
            xs += [*(float(x) for x in local_ms([lo, hi], facts)), None]
    if not xs:
        return [], []
    lit = facts["sky"].get("moon_lit")
    said = "moon up" + (f", {100 * lit:.0f} % lit" if lit is not None else "")
    line = {
        "type": "scatter",
        "mode": "lines",
        "x": xs,
        "y": [y if x is not None else None for x in xs],
        "line": {"color": colour("moon"), "width": 6},
        "hoverinfo": "text",
        "hovertext": [f"The {said.replace('moon up', 'moon is up')}."] * len(xs),
        "name": "moon",
    }
    return [line], [words_at(0.0, y + 0.12, said, xref="paper", yanchor="bottom")]


def hatched(facts: dict, y0: float, y1: float) -> list[dict]:
    """One trace that hatches every blind time between the heights y0 and y1; empty where there is none."""
    gaps = [g for g in facts["log"]["gaps"] if g["start_utc_us"] > facts["known_from_utc_us"] and g["why"] != "chatter"]
    if not gaps:
        return []
    lo = local_ms([g["start_utc_us"] for g in gaps], facts)
    hi = local_ms([g["end_utc_us"] for g in gaps], facts)
    return [
        {
            "type": "bar",
            "x": (lo + hi) / 2,
            "width": hi - lo,
            "y": [y1 - y0] * len(gaps),
            "base": [y0] * len(gaps),
            "name": "no sight",
            "marker": {
                "color": colour("ground"),
                "opacity": 0.8,
                "line": {"width": 0},
                "pattern": {
                    "shape": "/",
                    "fgcolor": colour("hatch"),
                    "bgcolor": colour("ground"),
                    "size": 7,
                    "solidity": 0.25,
                },
            },
            "hoverinfo": "text",
            "hovertext": [f"No sight from {g['text']}." for g in gaps],
        }
    ]
