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
            said = f"{word} {clock([at], facts)[0][:5]}"
            out.append(
                words_at(
                    x,
                    1.0,
                    f"| {said}" if anchor == "left" else f"{said} |",
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


def sky_rows(facts: dict, y: float) -> tuple[list[dict], list[dict]]:
    """The sky in words: a bar for each part of the twilight at height y, and the moon above it, with their names."""
    twilight, names = _twilight_row(facts, y)
    moon, said = _moon_row(facts, y + 0.36)
    return twilight + moon, names + said


def _inside(spans, facts: dict) -> list[tuple[int, int, str]]:
    """Those parts of (start, end, name) that lie in the night."""
    night = facts["night"]
    cut = [(max(a, night["start_utc_us"]), min(b, night["end_utc_us"]), name) for a, b, name in spans]
    return [span for span in cut if span[1] > span[0]]


def _twilight_row(facts: dict, y: float):
    spans = _inside([(b["start_utc_us"], b["end_utc_us"], b["name"]) for b in facts["sky"]["bands"]], facts)
    if not spans:
        return [], []
    ends = [local_ms([a, b], facts) for a, b, _ in spans]
    whole = local_ms([facts["night"]["start_utc_us"], facts["night"]["end_utc_us"]], facts)
    bars = {
        "type": "bar",
        "orientation": "h",
        "base": [float(a) for a, _ in ends],
        "x": [float(b - a) for a, b in ends],
        "y": [y] * len(ends),
        "width": 0.24,
        "name": "twilight",
        "marker": {
            "color": [colour(BAND_ROLES.get(name, "sky_night")) for *_, name in spans],
            "line": {"color": colour("soft"), "width": 1},
        },
        "hoverinfo": "text",
        "hovertext": [_band_words(a, b, name, facts) for a, b, name in spans],
    }
    small = {"yanchor": "middle", "xanchor": "center", "name": "fine", "font": {"size": 10, "color": colour("ink")}}
    labels = [
        words_at(float((lo + hi) / 2), y, _short(name), **small)
        for (lo, hi), (*_, name) in zip(ends, spans, strict=True)
        if hi - lo > len(_short(name)) * 0.0085 * (whole[1] - whole[0])
    ]
    return [bars], labels


def _short(band: str) -> str:
    return band.removesuffix(" twilight").replace("astronomical", "astronom.")


def _band_words(start: int, end: int, name: str, facts: dict) -> str:
    a, b = (t[:5] for t in clock([start, end], facts))
    return f"{name.capitalize()} from {a} to {b}."


def _moon_row(facts: dict, y: float):
    spans = _inside([(a, b, "moon") for a, b in facts["sky"].get("moon_up", [])], facts)
    if not spans:
        return [], []
    lit = facts["sky"].get("moon_lit")
    share = f", {100 * lit:.0f} % lit" if lit is not None else ""
    xs, said = [], []
    for lo, hi, _ in spans:
        a, b = (t[:5] for t in clock([lo, hi], facts))
        xs += [*(float(x) for x in local_ms([lo, hi], facts)), None]
        said += [f"The moon is up from {a} to {b}{share}."] * 3
    line = {
        "type": "scatter",
        "mode": "lines",
        "x": xs,
        "y": [y if x is not None else None for x in xs],
        "line": {"color": colour("moon"), "width": 6},
        "hoverinfo": "text",
        "hovertext": said,
        "name": "moon",
    }
    return [line], [words_at(0.0, y + 0.06, f" moon up{share}", xref="paper", yanchor="bottom")]


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
