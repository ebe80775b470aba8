"""Light pulses: outlines laid over each other with t0.5 and t0.1 marked, and light against the gap before it."""

import numpy as np

from .style import CATEGORIES, DASHES, SYMBOLS, axis, colour, make, plain, words_at

LEVELS = (("50", 0.5, "half of the peak"), ("10", 0.1, "a tenth of the peak"))
LINE_ROLES = tuple(r for r in CATEGORIES if r != "frame")


def figure(tables: dict, facts: dict):
    """Outlines of the night's heads; a plain dict."""
    return overlay(facts["figures"]["pulse"])


def overlay(said: dict) -> dict:
    """Outlines on one axis: time since the light sensor's edge, light as share of each one's own peak; a plain dict.

    said: "title", and "lines": {"name", "t_us", "share", "marks_us": {"rise50", "fall50", "rise10", "fall10"},
    "texts": {"50": words of t0.5, "10": words of t0.1}}.
    """
    lines = said["lines"]
    data = []
    for k, line in enumerate(lines):
        data += [_outline(line, k), *(_width(line, k, name, level) for name, level, _ in LEVELS)]
    level = {"color": colour("soft"), "width": 1, "dash": "dot"}
    shapes = [
        {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": 100 * q, "y1": 100 * q, "line": level}
        for _, q, _ in LEVELS
    ]
    notes = [
        words_at(1.0, 100 * q, f"{text} ", xref="paper", xanchor="right", yanchor="bottom") for _, q, text in LEVELS
    ]
    return make(
        said["title"],
        data,
        400,
        shapes=shapes,
        annotations=notes,
        xaxis=axis("time since the light sensor's edge, µs"),
        yaxis=axis("light, % of the pulse's peak", range=[-6, 112]),
        showlegend=len(lines) > 1,
        legend={"orientation": "h", "y": -0.24, "x": 0, "font": {"size": 12}},
    )


def _role(k: int) -> str:
    return colour(LINE_ROLES[k % len(LINE_ROLES)])


def _outline(line: dict, k: int) -> dict:
    share, name = 100 * np.asarray(line["share"], float), plain(line["name"])
    return {
        "type": "scatter", "mode": "lines", "name": name, "x": np.asarray(line["t_us"], float), "y": np.round(share, 2),
        "line": {"color": _role(k), "width": 2, "dash": DASHES[k % len(DASHES)]},
        "hovertemplate": f"{name}: %{{y:.0f}} % of its peak, %{{x:.0f}} µs after the edge.<extra></extra>",
    }  # fmt: skip


def _width(line: dict, k: int, level: str, share: float) -> dict:
    """The two places where the light crosses a level, joined by a thin line."""
    marks, name = line["marks_us"], plain(line["name"])
    words = f"{name}: above {share:.0%} of its peak for {plain(line['texts'][level])}."
    return {
        "type": "scatter", "mode": "lines+markers", "name": f"{name}, t0.{'5' if level == '50' else '1'}",
        "x": [round(marks[f"rise{level}"], 2), round(marks[f"fall{level}"], 2)], "y": [100 * share] * 2,
        "line": {"color": _role(k), "width": 1},
        "marker": {"color": _role(k), "size": 9, "symbol": f"{SYMBOLS[k % len(SYMBOLS)]}-open", "line": {"width": 2}},
        "hoverinfo": "text", "hovertext": [words] * 2, "showlegend": False,
    }  # fmt: skip


def energy_gap(said: dict) -> dict:
    """Light against the time since the light before it, with the fitted charge curve; a plain dict.

    said: "title", "heads": {"name", "gap_s", "energy" (code us), "curve": pairs (may be empty), "ready_s": estimate
    or None, "ready_text"}. Each head's light is drawn as share of its own full light, or of its most where none is
    known ("full": code us or None).
    """
    data, shapes, notes = [], [], []
    for k, head in enumerate(said["heads"]):
        full = head.get("full") or max(head["energy"], default=1.0)
        name = plain(head["name"])
        data.append({
            "type": "scatter", "mode": "markers", "name": name, "x": np.asarray(head["gap_s"], float),
            "y": np.round(100 * np.asarray(head["energy"], float) / full, 2),
            "marker": {"color": _role(k), "size": 9, "symbol": SYMBOLS[k % len(SYMBOLS)]},
            "hovertemplate": f"{name}: %{{y:.1f}} % of its full light, %{{x:.2f}} s after the last.<extra></extra>",
        })  # fmt: skip
        if head.get("curve"):
            gap, light = np.asarray(head["curve"], float).T
            data.append({
                "type": "scatter", "mode": "lines", "name": f"{name}, fitted", "x": np.round(gap, 3),
                "y": np.round(100 * light / full, 2), "hoverinfo": "skip",
                "line": {"color": _role(k), "width": 2, "dash": DASHES[k % len(DASHES)]}, "showlegend": False,
            })  # fmt: skip
        if head.get("ready_s") and head["ready_s"].get("value") is not None:
            x = head["ready_s"]["value"]
            line = {"color": _role(k), "width": 1, "dash": DASHES[k % len(DASHES)]}
            shapes.append({"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 90, "line": line})
    quiet = {"color": colour("soft"), "width": 1, "dash": "dot"}
    shapes.append({"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": 90, "y1": 90, "line": quiet})
    notes.append(words_at(0.0, 90, " 90 % of the full light", xref="paper", yanchor="bottom"))
    return make(
        said["title"],
        data,
        340,
        shapes=shapes,
        annotations=notes,
        xaxis=axis("time since the light before, s", rangemode="tozero"),
        yaxis=axis("light, % of the full light", range=[0, 118]),
        showlegend=len(said["heads"]) > 1,
    )
