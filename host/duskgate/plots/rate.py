"""Visits per hour of sight through the night, with intervals, and the best window."""

import numpy as np

from . import night_axis
from .style import axis, colour, make, words_at

FEW = 5  # marks that rest on fewer visits than this are hollow


def figure(tables: dict, facts: dict):
    """Figure of visits per hour of sight with intervals and the best window; a plain dict."""
    rates = tables["rates"]
    seen = rates[(rates["exposure_s"] > 0) & rates["rate_per_h"].notna()]
    rate, lo, hi = (seen[c].to_numpy(dtype=float) for c in ("rate_per_h", "lo", "hi"))
    top = _top(seen, rate, hi)
    shapes, notes = night_axis.sky(facts)
    best_shapes, best_words = _best(facts)
    data = [_bars(seen, rate, facts), *night_axis.hatched(facts, 0, top), _marks(seen, rate, lo, hi, facts)]
    return make(
        facts["figures"]["rate"]["title"],
        data,
        340,
        shapes=shapes + best_shapes,
        annotations=notes + best_words + _beyond(seen, hi, top, facts),
        xaxis=night_axis.time_axis(facts, *_ends(rates, facts)),
        yaxis=axis("visits per hour of sight", range=[0, top]),
    )


def _top(seen, rate, hi) -> float:
    """Height of the axis: all rates, and the intervals of bins with at least half of the usual sight.

    The interval of a bin of which hardly anything was seen would press all others flat; `_beyond` tells its end.
    """
    if not len(seen):
        return 1.0
    sight = seen["exposure_s"].to_numpy(dtype=float)
    ends = hi[sight >= 0.5 * np.median(sight)]
    return max(1.0, 1.14 * float(np.nanmax(np.concatenate([rate, ends]))))


def _beyond(seen, hi, top, facts) -> list[dict]:
    """Where an interval leaves the axis: its end in words."""
    middle = (seen["start_utc_us"].to_numpy() + seen["end_utc_us"].to_numpy()) // 2
    small = {"yref": "paper", "yanchor": "top", "xanchor": "left", "font": {"size": 11, "color": colour("ink")}}
    return [
        words_at(float(night_axis.local_ms([at], facts)[0]), 0.93, f" up to {end:.0f}", **small)
        for at, end in zip(middle[hi > top], hi[hi > top], strict=True)
    ]


def _bars(seen, rate, facts):
    """The rates as pale columns, so that the shape of the night is seen at a glance; the marks above carry the text."""
    lo, hi = (night_axis.local_ms(seen[c].to_numpy(), facts) for c in ("start_utc_us", "end_utc_us"))
    return {
        "type": "bar",
        "x": (lo + hi) / 2,
        "width": (hi - lo) * 0.94,
        "y": rate,
        "marker": {"color": colour("full"), "opacity": 0.2, "line": {"width": 0}},
        "hoverinfo": "skip",
        "name": "columns",
    }


def _ends(rates, facts) -> tuple:
    """First and last instant of the bins where the night itself has no time of day."""
    if not facts["local"].get("since_start") or not len(rates):
        return None, None
    return int(rates["start_utc_us"].min()), int(rates["end_utc_us"].max())


def _marks(seen, rate, lo, hi, facts):
    n = seen["n"].to_numpy()
    middle = (seen["start_utc_us"].to_numpy() + seen["end_utc_us"].to_numpy()) // 2
    ends = (
        zip(night_axis.clock(seen["start_utc_us"], facts), night_axis.clock(seen["end_utc_us"], facts), strict=True)
        if len(seen)
        else []
    )
    said = [
        f"From {a[:5]} to {b[:5]}: {k} visit{'s' if k != 1 else ''} in {e / 60:.0f} min of sight, "
        f"{r:.1f} per hour (95 % interval {x:.1f} to {y:.1f})."
        for (a, b), k, e, r, x, y in zip(ends, n, seen["exposure_s"], rate, lo, hi, strict=True)
    ]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": night_axis.local_ms(middle, facts),
        "y": rate,
        "hoverinfo": "text",
        "hovertext": said,
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": np.nan_to_num(hi - rate),
            "arrayminus": np.nan_to_num(rate - lo),
            "color": colour("soft"),
            "thickness": 1.5,
            "width": 4,
        },
        "marker": {
            "color": colour("full"),
            "size": 9,
            "symbol": ["circle" if k >= FEW else "circle-open" for k in n],
            "line": {"width": 2, "color": colour("full")},
        },
        "name": "visits per hour",
    }


def _best(facts):
    best = facts["best_window"]
    if not best or not best["span"]:
        return [], []
    x0, x1 = (float(x) for x in night_axis.local_ms([best["start_utc_us"], best["end_utc_us"]], facts))
    box = {
        "type": "rect",
        "x0": x0,
        "x1": x1,
        "y0": 0,
        "y1": 1,
        "yref": "paper",
        "line": {"color": colour("frame"), "width": 2, "dash": "dash"},
    }
    return [box], [
        words_at((x0 + x1) / 2, 0.985, f"best {best['length_text']}", yref="paper", yanchor="top", xanchor="center")
    ]
