"""Colours by role in three looks, and the parts that every figure shares.

Roles differ in lightness as well as hue, and no figure leans on colour alone: shape, dash, row and words say the same.
A figure is built in the day look; the page swaps each colour for that of the same role in another look, which is why
no two roles may share a day colour.
"""

import numpy as np

LOOKS = ("day", "red", "paper")
# role: day, dim red, paper. Red has neither green nor blue: the rods of a dark-adapted eye hardly answer to it.
# Paper uses little ink. The first five and ink also part categories (plots choose no other roles for them).
ROLES: dict[str, tuple[str, str, str]] = {
    "full": ("#1c456c", "#e00000", "#101010"),
    "part": ("#915412", "#c80000", "#5c5c5c"),
    "none": ("#c62aab", "#f40000", "#2e2e2e"),
    "other": ("#307f7a", "#b40000", "#707070"),
    "frame": ("#5f4d3d", "#aa0000", "#333333"),
    "ground": ("#fbfaf7", "#000000", "#ffffff"),
    "ink": ("#24272c", "#ee0000", "#000000"),
    "soft": ("#5a6069", "#ec0000", "#4a4a4a"),
    "grid": ("#dfdcd4", "#2c0000", "#dddddd"),
    "hatch": ("#85898f", "#700000", "#8a8a8a"),
    "moon": ("#7d6e30", "#800000", "#666666"),
    "sky_day": ("#fbf1da", "#240000", "#ffffff"),
    "sky_civil": ("#f0e8df", "#1c0000", "#fbfbfb"),
    "sky_nautical": ("#e4e4e6", "#140000", "#f6f6f6"),
    "sky_astronomical": ("#dadfe8", "#0c0000", "#f1f1f1"),
    "sky_night": ("#d0d7e4", "#050000", "#ececec"),
}
CATEGORIES = ("full", "part", "none", "other", "frame", "ink")
FONT = "system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif"
SYMBOLS = ("circle", "diamond", "x", "square", "triangle-up", "cross")
DASHES = ("solid", "dash", "dot", "dashdot")


def colour(role: str) -> str:
    """Day colour of a role."""
    return ROLES[role][0]


def swaps() -> dict[str, dict[str, str]]:
    """For each other look: day colour -> colour of the same role there."""
    return {look: {c[0]: c[k] for c in ROLES.values()} for k, look in enumerate(LOOKS) if k}


def plain(text: object) -> str:
    """Text from files and devices for a figure, in which plotly would otherwise read tags."""
    return str(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def in_template(text: object) -> str:
    """The same for a hover template, in which plotly would also read %{...}."""
    return plain(text).replace("%{", "% {")


def every(n: int, step: int) -> slice:
    """Every step-th of n points, so that what is drawn is known beforehand."""
    return slice(None, n, max(1, step))


def jitter(n: int, half: float) -> np.ndarray:
    """Fixed offsets in -half..half that part marks in a row (additive recurrence with the golden ratio)."""
    return ((np.arange(n) * 0.6180339887) % 1.0 * 2 - 1) * half


def axis(title: str, **more) -> dict:
    """An axis with its title, drawn as all figures draw theirs."""
    return {
        "title": {"text": title, "standoff": 8, "font": {"size": 13}},
        "gridcolor": colour("grid"),
        "linecolor": colour("soft"),
        "showline": True,
        "zeroline": False,
        "ticks": "outside",
        "tickcolor": colour("soft"),
        "tickfont": {"size": 12, "color": colour("ink")},
        "automargin": True,
        "fixedrange": False,
        "exponentformat": "none",
        **more,
    }


def words_at(x, y, text: str, **more) -> dict:
    """An annotation without an arrow."""
    return {
        "x": x,
        "y": y,
        "text": text,
        "showarrow": False,
        "xanchor": "left",
        "align": "left",
        "font": {"size": 12, "color": colour("ink")},
        **more,
    }


def make(title: str, data: list[dict], height: int, **layout) -> dict:
    """Data and layout of a figure in the common style, as plain dicts."""
    common = {
        "title": {"text": plain(title), "x": 0, "xanchor": "left", "font": {"size": 15}},
        "height": height,
        "paper_bgcolor": colour("ground"),
        "plot_bgcolor": colour("ground"),
        "font": {"family": FONT, "color": colour("ink"), "size": 13},
        "margin": {"l": 14, "r": 14, "t": 56, "b": 48},
        "hovermode": "closest",
        "dragmode": False,
        "bargap": 0,
        "barmode": "overlay",
        "showlegend": False,
        "legend": {"orientation": "h", "y": -0.22, "x": 0, "font": {"size": 12}},
        "hoverlabel": {
            "bgcolor": colour("ground"),
            "bordercolor": colour("soft"),
            "font": {"color": colour("ink"), "size": 13},
            "align": "left",
        },
    }
    return {"data": data, "layout": {**common, **layout}}
