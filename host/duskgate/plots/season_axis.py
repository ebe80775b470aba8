"""Hours after sunset, or of the clock, as the axis that the season's figures share; dates as short words."""

from __future__ import annotations

from .style import axis, colour, words_at

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def clock(hours: float) -> str:
    """Hours from midnight as '22:30'."""
    minutes = round(hours * 60) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def short_date(night: str, year: bool = False) -> str:
    """'18 Jul' of '2026-07-18', with its year where that is asked for."""
    parts = night.split("-")
    if len(parts) != 3:
        return night
    said = f"{int(parts[2])} {MONTHS[int(parts[1]) - 1]}"
    return f"{said} {parts[0]}" if year else said


def hours_axis(by: str, lo: float, hi: float) -> dict:
    """Axis of hours from the night's zero, lo and hi in hours."""
    step = 1 if hi - lo <= 14 else 2
    ticks = [float(k) for k in range(int(lo // 1), int(hi) + 1) if k % step == 0 and lo <= k <= hi]
    said = [clock(k) for k in ticks] if by == "clock" else [f"{k:g}" for k in ticks]
    title = "local time" if by == "clock" else "hours after sunset"
    return axis(title, range=[lo, hi], tickvals=ticks, ticktext=said, showgrid=False)


def span_words(start_s: float, end_s: float, by: str) -> str:
    """A bin for a hover sentence: 'from 22:00 to 23:00', 'from 1 to 2 h after sunset'."""
    if by == "clock":
        return f"from {clock(start_s / 3600)} to {clock(end_s / 3600)}"
    return f"from {start_s / 3600:g} to {end_s / 3600:g} h after sunset"


def best_frame(facts: dict, label: str, **place) -> tuple[list[dict], list[dict]]:
    """Dashed frame of the best window over the height of the figure, with its word above; nothing where none is."""
    best = facts["best_window"]
    if "start_s" not in best:
        return [], []
    x0, x1 = best["start_s"] / 3600, best["end_s"] / 3600
    box = {
        "type": "rect", "x0": x0, "x1": x1, "y0": 0, "y1": 1, "yref": "paper",
        "line": {"color": colour("frame"), "width": 2, "dash": "dash"}, **place,
    }  # fmt: skip
    return [box], [words_at((x0 + x1) / 2, 1.0, label, yref="paper", yanchor="bottom", xanchor="center")]
