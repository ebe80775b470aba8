"""Delays of each head: every firing a mark, median and 95 % point with their intervals."""

import numpy as np

from .style import axis, colour, every, in_template, jitter, make, plain, words_at


def figure(tables: dict, facts: dict):
    """Figure of the delays of each head, thinned as `facts` says; a plain dict."""
    fires, said = tables["fires"], facts["figures"]["delay"]
    lanes = said["lanes"]
    data, notes = [], []
    for k, lane in enumerate(lanes):
        y = len(lanes) - 1 - k
        answered = (fires["path"] == lane["path"]) & (fires["kind"] == "answered")
        values = fires.loc[answered, lane["column"]].dropna().to_numpy() / 1000.0 if lane["column"] else np.zeros(0)
        data += [_strip(values, y, lane, said), *_quantiles(lane, y)]
        notes.append(words_at(0.0, y + 0.27, f" {plain(lane['text'])}", xref="paper", yanchor="bottom"))
    layout = {
        "xaxis": axis("delay, ms", range=said["axis_ms"]),
        "yaxis": axis("head", range=[-0.6, len(lanes) - 0.25], showticklabels=False, ticks="", showgrid=False),
    }
    return make(said["title"], data, 140 + 92 * len(lanes), annotations=notes, **layout)


def _strip(values, y, lane, said):
    drawn = values[every(len(values), said["draw_every"])]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": np.round(drawn, 4),
        "y": np.round(y - 0.08 + jitter(len(drawn), 0.2), 3),
        "name": lane["head"],
        "marker": {"color": colour("full"), "size": 5, "opacity": 0.35, "symbol": "circle"},
        "hovertemplate": f"One firing: {in_template(lane['head'])} lit %{{x:.3f}} ms after the break.<extra></extra>",
    }


def _quantiles(lane, y):
    out = []
    for key, symbol, words in (
        ("median", "diamond", "half of the delays are below"),
        ("p95", "line-ns-open", "95 % of the delays are below"),
    ):
        q = lane[key]
        if q["value"] is None:
            continue
        lo, hi = (q[k] if q[k] is not None else q["value"] for k in ("lo", "hi"))
        out.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [q["value"]],
                "y": [y - 0.08],
                "name": key,
                "hoverinfo": "text",
                "hovertext": [f"{plain(lane['head'])}: {words} {q['text']}."],
                "error_x": {
                    "type": "data",
                    "symmetric": False,
                    "array": [hi - q["value"]],
                    "arrayminus": [q["value"] - lo],
                    "color": colour("none"),
                    "thickness": 2,
                    "width": 7,
                },
                "marker": {
                    "color": colour("none"),
                    "symbol": symbol,
                    "size": 13,
                    "line": {"width": 3, "color": colour("none")},
                },
            }
        )
    return out
