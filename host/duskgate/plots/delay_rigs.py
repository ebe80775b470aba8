"""Delays of all rigs side by side: how firings are spread by head, late answers, medians over time."""

from __future__ import annotations

import numpy as np

from .style import DASHES, SYMBOLS, axis, colour, make, plain, words_at

ROLES = ("full", "part", "none", "other")
HEIGHT = 0.62  # of a lane, for its highest bin


def shapes(said: dict, facts: dict) -> dict:
    """One lane for each rig and head of a path: firings by delay, with median and 95 % point; a plain dict."""
    found = facts["shapes"][said["path"]]
    edges = np.asarray(found["edges_us"]) / 1000
    lanes = said["lanes"]
    data, notes = [], []
    for k, (lane, words) in enumerate(zip(found["lanes"], lanes, strict=True)):
        y = len(lanes) - 1 - k
        data += [_bins(edges, np.asarray(lane["in_bin"]), y, lane["n"], ROLES[lane["rig"] % len(ROLES)], words)]
        data += _quantiles(words, y)
        notes.append(words_at(0.0, y + HEIGHT + 0.03, f" {plain(words['text'])}", xref="paper", yanchor="bottom"))
    layout = {
        "xaxis": axis("delay, ms", range=[float(edges[0]), float(edges[-1])]),
        "yaxis": axis("", range=[-0.3, len(lanes)], showticklabels=False, ticks="", showgrid=False),
    }
    return make(said["title"], data, 120 + 92 * len(lanes), annotations=notes, **layout)


def _bins(edges: np.ndarray, n: np.ndarray, y: float, of: int, role: str, words: dict) -> dict:
    keep = n > 0
    share = n[keep] / max(int(n.max(initial=1)), 1)
    name = plain(words["name"])
    return {
        "type": "bar", "x": ((edges[:-1] + edges[1:]) / 2)[keep], "width": np.diff(edges)[keep],
        "y": np.round(HEIGHT * share, 4), "base": [float(y)] * int(keep.sum()), "name": name, "hoverinfo": "text",
        "marker": {"color": colour(role), "opacity": 0.6, "line": {"width": 0}},
        "hovertext": [f"{name}: {c} of {of} firings between {a:.3f} and {b:.3f} ms."
                      for c, a, b in zip(n[keep], edges[:-1][keep], edges[1:][keep], strict=True)],
    }  # fmt: skip


def _quantiles(words: dict, y: float) -> list[dict]:
    out = []
    for key, symbol, text in (("median", "diamond", "half of the delays are below"),
                              ("p95", "line-ns-open", "95 % of the delays are below")):  # fmt: skip
        q = words[key]
        if q["value"] is None:
            continue
        value, lo, hi = (q[k] / 1000 if q[k] is not None else q["value"] / 1000 for k in ("value", "lo", "hi"))
        out.append({
            "type": "scatter", "mode": "markers", "x": [value], "y": [y - 0.1], "name": key, "hoverinfo": "text",
            "hovertext": [f"{plain(words['name'])}: {text} {plain(words[key + '_text'])}."],
            "error_x": {"type": "data", "symmetric": False, "array": [hi - value], "arrayminus": [value - lo],
                        "color": colour("ink"), "thickness": 2, "width": 6},
            "marker": {"color": colour("ink"), "symbol": symbol, "size": 12,
                       "line": {"width": 3, "color": colour("ink")}},
        })  # fmt: skip
    return out


def late(said: dict, facts: dict) -> dict:
    """Late answers of each rig by delay; bars are counts of firings; a plain dict."""
    rigs, data, notes, ends = said["rigs"], [], [], []
    for k, one in enumerate(rigs):
        found = facts["rigs"][one["rig"]]["paths"][one["path"]]["late"]
        edges, n = np.asarray(found["edges_us"]) / 1000, np.asarray(found["n"])
        words = {"name": one["name"]}
        y = len(rigs) - 1 - k
        bins = _bins(edges, n, y, one["n"], ROLES[one["rig"] % len(ROLES)], words)
        data.append(bins | {"y": np.round(HEIGHT * n[n > 0] / n.max(), 4)})
        notes.append(words_at(0.0, y + HEIGHT + 0.03, f" {plain(one['text'])}", xref="paper", yanchor="bottom"))
        ends += [float(edges[0]), float(edges[-1])]
    layout = {
        "xaxis": axis("delay of the first light, ms", range=[min(ends), max(ends)]),
        "yaxis": axis("", range=[-0.1, len(rigs)], showticklabels=False, ticks="", showgrid=False),
    }
    return make(said["title"], data, 120 + 92 * len(rigs), annotations=notes, **layout)


def over_time(said: dict, facts: dict) -> dict:
    """Median of each head by night, or by part of a single night; a plain dict."""
    rows = facts["rigs"][said["rig"]]["paths"][said["path"]]["by_time"]
    data = [_head(head, k, rows) for k, head in enumerate(said["heads"])]
    when = [r["when"] for r in rows]
    x = axis("night" if said["by_night"] else "local time", type="category", categoryorder="array",
             categoryarray=when, nticks=min(len(when), 10))  # fmt: skip
    return make(said["title"], data, 380, xaxis=x, yaxis=axis("median delay, ms"), showlegend=True)


def _head(head: str, k: int, rows: list[dict]) -> dict:
    found = [(r["when"], r["heads"][head]) for r in rows if (r["heads"].get(head) or {}).get("value") is not None]
    value, lo, hi = (np.array([(e[key] if e[key] is not None else e["value"]) / 1000 for _, e in found])
                     for key in ("value", "lo", "hi"))  # fmt: skip
    role, name = colour(ROLES[k % len(ROLES)]), plain(head)
    return {
        "type": "scatter", "mode": "lines+markers", "name": name, "x": [when for when, _ in found], "y": value,
        "line": {"color": role, "width": 1, "dash": DASHES[k % len(DASHES)]},
        "marker": {"color": role, "size": 9, "symbol": SYMBOLS[k % len(SYMBOLS)]},
        "error_y": {"type": "data", "symmetric": False, "array": hi - value, "arrayminus": value - lo, "color": role,
                    "thickness": 1.5, "width": 4},
        "hoverinfo": "text",
        "hovertext": [f"{when}, {name}: median {v:.3f} ms (95 % interval {a:.3f} to {b:.3f}, n = {e['n']})."
                      for (when, e), v, a, b in zip(found, value, lo, hi, strict=True)],
    }  # fmt: skip
