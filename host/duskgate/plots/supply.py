"""The logger's supply through the night, the cut-off, and when it will be reached."""

import numpy as np

from . import night_axis
from .style import axis, colour, every, make, words_at

HOUR_US = 3_600_000_000
SHOW_H = 36.0  # a forecast beyond this many hours is cut on the axis, and its words say the whole of it


def figure(tables: dict, facts: dict):
    """Figure of the logger's supply with its forecast; a plain dict."""
    supply = tables["supply"]
    seen = supply[(supply["utc_us"] > facts["known_from_utc_us"]) & supply["batt_mv"].notna()]
    logger = (facts["estimates"].get("supply") or {}).get("logger") or {}
    last = int(seen["utc_us"].max())
    left = logger.get("hours_left") or {}
    hi_h = min(SHOW_H, left.get("hi") or left.get("at_least_h") or 0.0)
    data = [_readings(seen, facts)]
    more, shapes, notes = _forecast(logger, left, last, float(seen["batt_mv"].iloc[-1]), facts)
    return make(
        facts["figures"]["supply"]["title"],
        data + more,
        320,
        shapes=shapes,
        annotations=notes,
        xaxis=night_axis.time_axis(facts, int(seen["utc_us"].min()), last + int((hi_h + 0.5) * HOUR_US)),
        yaxis=axis("logger's supply, mV", tickformat="d"),
    )


def _readings(seen, facts):
    seen = seen.iloc[every(len(seen), facts["figures"]["supply"]["draw_every"])]
    temp = seen["temp_degc"].to_numpy(dtype=float)
    said = [
        f"At {t[:5]} the supply was {mv:.0f} mV" + (f" at {c:.1f} °C." if np.isfinite(c) else ".")
        for t, mv, c in zip(night_axis.clock(seen["utc_us"], facts), seen["batt_mv"], temp, strict=True)
    ]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": night_axis.local_ms(seen["utc_us"], facts),
        "y": seen["batt_mv"].to_numpy(dtype=float),
        "name": "reading",
        "marker": {"color": colour("full"), "size": 5, "symbol": "circle"},
        "hoverinfo": "text",
        "hovertext": said,
    }


def _forecast(logger, left, last, now_mv, facts):
    """Traces, shapes and words of the cut-off and of the time left; all empty where no cut-off is known."""
    cut = logger.get("cutoff_mv")
    if not cut:
        return [], [], []
    line = {"color": colour("none"), "width": 2, "dash": "dash"}
    shapes = [{"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": cut, "y1": cut, "line": line}]
    notes = [words_at(0.0, cut, f" cut-off {cut / 1000:.2f} V", xref="paper", yanchor="bottom")]
    value = left.get("value") if left.get("value") is not None else left.get("at_least_h")
    if value is None:
        return [], shapes, notes
    said = facts["numbers"].get("logger_hours", {}).get("text", "")
    shown = min(value, SHOW_H)
    if left.get("value") is None:
        # only a least time is known: nothing is said about how the voltage will fall
        upright, mark = _least(last + int(shown * HOUR_US), cut, left["at_least_h"], said, facts)
        return [mark], [*shapes, *upright], notes
    notes.append(words_at(1.0, 0.98, f"left: {said} ", xref="paper", yref="paper", xanchor="right", yanchor="top"))
    level = now_mv + (cut - now_mv) * shown / value if value else cut
    x = night_axis.local_ms([last, last + int(shown * HOUR_US)], facts)
    traces = [_way(x, [now_mv, level], said)]
    if left.get("lo") is not None and left.get("hi") is not None and left["hi"] <= SHOW_H:
        traces.append(_end(float(x[1]), cut, left, said))
    return traces, shapes, notes


def _least(end_utc_us, cut, least_h, said, facts):
    """The moment until which the cells last at the least: an upright line, and an open mark with words beside it.

    Beyond the axis the mark stands at its end, without a line, and says so.
    """
    x = float(night_axis.local_ms([end_utc_us], facts)[0])
    line = {"color": colour("soft"), "width": 2, "dash": "dot"}
    beyond = least_h > SHOW_H
    upright = {"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 1, "yref": "paper", "line": line}
    mark = {
        "type": "scatter",
        "mode": "markers+text",
        "x": [x],
        "y": [cut],
        "name": "lasts at least until here",
        "text": [f"lasts {said}, beyond this axis " if beyond else f"lasts {said} "],
        "textposition": "top left",
        "textfont": {"size": 12, "color": colour("ink")},
        "hoverinfo": "text",
        "hovertext": [f"The cells last {said}; how much longer is not known."],
        "marker": {"symbol": "triangle-right-open", "size": 12, "color": colour("ink"), "line": {"width": 2}},
        "cliponaxis": False,
    }
    return [] if beyond else [upright], mark


def _way(x, y, said):
    return {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": y,
        "line": {"color": colour("soft"), "dash": "dot", "width": 2},
        "name": "forecast",
        "hoverinfo": "text",
        "hovertext": [f"Forecast: {said} left."] * 2,
    }


def _end(x, cut, left, said):
    """The moment at which the cut-off is reached, with its interval; hours become plotly's milliseconds."""
    return {
        "type": "scatter",
        "mode": "markers",
        "x": [x],
        "y": [cut],
        "name": "cut-off reached",
        "hoverinfo": "text",
        "hovertext": [f"Forecast: {said} left."],
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": [(left["hi"] - left["value"]) * 3.6e6],
            "arrayminus": [(left["value"] - left["lo"]) * 3.6e6],
            "color": colour("ink"),
            "thickness": 2,
            "width": 7,
        },
        "marker": {"symbol": "diamond", "size": 11, "color": colour("ink")},
    }
