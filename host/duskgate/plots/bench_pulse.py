"""The bench's light pulses: one of each head laid over each other at one power, and energy against the gap."""

from __future__ import annotations

import numpy as np

from .style import DASHES, SYMBOLS, axis, colour, make, plain, words_at

ROLES = ("full", "part", "none", "other")
LEVELS = ((0.5, "rise50", "fall50", "t0.5"), (0.1, "rise10", "fall10", "t0.1"))


def pulses(said: dict, facts: dict) -> dict:
    """Typical pulses of the heads at one power as shares of their peaks; a plain dict. said["steps"]: their numbers."""
    data, notes = [], []
    for k, number in enumerate(said["steps"]):
        step = facts["steps"][number]
        data += [_line(step, k), _marks(step, k)]
    for level, _, _, name in LEVELS:
        notes.append(words_at(1.0, level, name, xref="paper", xanchor="right", yanchor="bottom"))
    lines = [{"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": level, "y1": level, "layer": "below",
              "line": {"color": colour("soft"), "width": 1, "dash": "dot"}} for level, *_ in LEVELS]  # fmt: skip
    return make(said["title"], data, 400, xaxis=axis("time since the light sensor's edge, µs"),
                yaxis=axis("light, share of the pulse's peak", range=[-0.06, 1.08]), shapes=lines, annotations=notes,
                showlegend=True, margin={"l": 14, "r": 14, "t": 56, "b": 80})  # fmt: skip


def _line(step: dict, k: int) -> dict:
    found = step["typical"]
    return {
        "type": "scatter", "mode": "lines", "name": plain(step["head"]), "x": np.array(found["t_us"]),
        "y": np.array(found["share"]), "hoverinfo": "skip",
        "line": {"color": colour(ROLES[k % len(ROLES)]), "width": 2, "dash": DASHES[k % len(DASHES)]},
    }  # fmt: skip


def _marks(step: dict, k: int) -> dict:
    marks, name = step["typical"]["marks_us"], plain(step["head"])
    x = [marks[key] for _, rise, fall, _ in LEVELS for key in (rise, fall)]
    texts = [f"{name}: above this share from {marks[rise]:.1f} to {marks[fall]:.1f} µs ({t})."
             for _, rise, fall, t in LEVELS for _ in range(2)]  # fmt: skip
    return {
        "type": "scatter", "mode": "markers", "name": name, "showlegend": False, "x": np.array(x),
        "y": np.array([level for level, *_ in LEVELS for _ in range(2)]), "hoverinfo": "text", "hovertext": texts,
        "marker": {"color": colour(ROLES[k % len(ROLES)]), "size": 10, "symbol": SYMBOLS[k % len(SYMBOLS)]},
    }  # fmt: skip


def charge(said: dict, facts: dict) -> dict:
    """Energy of each pulse against the gap before it, by head, with the fitted curve; a plain dict."""
    data = []
    for k, number in enumerate(said["steps"]):
        step = facts["steps"][number]
        found, name, role = step["charge"], plain(step["head"]), colour(ROLES[k % len(ROLES)])
        data.append({
            "type": "scatter", "mode": "markers", "name": name, "x": np.array(found["gap_s"]),
            "y": np.array(found["energy"]), "hoverinfo": "text",
            "hovertext": [f"{name}: {e:.0f} codes x µs, {g:.2f} s after the light before."
                          for g, e in zip(found["gap_s"], found["energy"], strict=True)],
            "marker": {"color": role, "size": 9, "symbol": SYMBOLS[k % len(SYMBOLS)], "opacity": 0.75},
        })  # fmt: skip
        if found["curve"]:
            curve = np.array(found["curve"], float)
            data.append({"type": "scatter", "mode": "lines", "name": f"{name}, fitted", "x": curve[:, 0],
                         "y": curve[:, 1], "hoverinfo": "skip",
                         "line": {"color": role, "width": 2, "dash": DASHES[k % len(DASHES)]}})  # fmt: skip
    return make(said["title"], data, 380, xaxis=axis("gap since the light before, s", rangemode="tozero"),
                yaxis=axis("energy, codes x µs", rangemode="tozero"), showlegend=True,
                margin={"l": 14, "r": 14, "t": 56, "b": 80})  # fmt: skip
