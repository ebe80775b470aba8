"""The evening as a strip: light, dark, best window and lull over the hours, drawn to scale."""

from __future__ import annotations

from typing import Any

from . import words

LONG, HIGH = 1000.0, 132.0
LANES = {"sky": 0.0, "dark": 30.0, "best": 56.0, "lull": 82.0}
LANE_HIGH = 20.0
HOUR_US = 3_600_000_000


def strip(facts: dict, local: Any) -> dict | None:
    """Shapes of the strip in a box of LONG x HIGH, every one with its words; None without a timetable."""
    steps = facts["timetable"]
    if not steps:
        return None
    lo, hi = steps[0]["at_utc_us"], max(s["until_utc_us"] or s["at_utc_us"] for s in steps)

    def x(at: int) -> float:
        return round(LONG * (min(max(at, lo), hi) - lo) / (hi - lo), 1)

    bars = [_bar("sky", b["name"], b["start_utc_us"], b["end_utc_us"], x, local) for b in facts["sky"]["bands"]]
    dark = (facts["dark"] or {}).get("spans_utc_us") or []
    bars += [_bar("dark", "dark enough", a, b, x, local) for a, b in dark]
    for lane, name in (("best", "best window"), ("lull", "lull")):
        found = facts["best_window" if lane == "best" else "lull"]
        bars += [_bar(lane, name, found["start_utc_us"], found["end_utc_us"], x, local)] if found else []
    session = facts["session"]
    marks = [{"x": x(session[k]), "text": f"{word} {local.clock(session[k])}"}
             for k, word in (("start_utc_us", "start"), ("end_utc_us", "end"))]  # fmt: skip
    first = -(-lo // HOUR_US) * HOUR_US
    hours = [{"x": x(at), "text": local.clock(at)} for at in range(first, hi, HOUR_US)]
    said = [f"{m['text']}" for m in marks] + [b["text"] for b in bars if b["lane"] != "sky" and b["width"]]
    return {"long": LONG, "high": HIGH, "bars": [b for b in bars if b["width"] > 0], "marks": marks,
            "hours": _thin(hours), "alt": f"The evening as a strip: {words.listed(said)}."}  # fmt: skip


def _bar(lane: str, name: str, start: int, end: int, x: Any, local: Any) -> dict:
    left, right = x(start), x(end)
    return {"lane": lane, "name": name, "kind": name.split(maxsplit=1)[0], "x": left, "width": round(right - left, 1),
            "y": LANES[lane], "high": LANE_HIGH, "text": f"{name} {local.span(start, end)}"}  # fmt: skip


def _thin(hours: list[dict]) -> list[dict]:
    """Every hour, or every second, third .. where they would run into one another."""
    step = max(1, -(-len(hours) // 10))
    return hours[::step]
