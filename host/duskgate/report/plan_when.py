"""When: tonight's sky, the session, the best window and the lull that earlier nights showed, and the timetable."""

from __future__ import annotations

from typing import Any

from ..plan import timetable
from ..timebase import nights as nightnames
from . import plan_history, setting, words
from .night_sky import sky_of
from .plan_history import History

HOURS_ASSUMED = 4.0
HALF_DAY_US = 12 * 3_600_000_000
LULL_SEEN_S = 900.0  # an hour that was watched for less says nothing of a lull


def tonight(site: Any, date: str) -> dict:
    """Sun and moon of the night of that date, with local times; `known` False without a place."""
    zone = str(getattr(site, "zone", None) or "UTC")
    start, end = nightnames.bounds_utc_us(date, zone, nightnames.turn_of(site))
    sky = sky_of(site, date) if site is not None else None
    local = words.LocalTime(zone, start, end)
    return {"date": date, "zone": zone, "start_utc_us": start, "end_utc_us": end, "sky": sky,
            "active": str(getattr(site, "active", "night")), "local": local}  # fmt: skip


def twilight_dark(night: dict) -> dict:
    """Between the ends of nautical twilight; where there are none, nothing is dark, or all of it (polar night)."""
    sky = night["sky"]
    why = "the sun more than 12 degrees below the horizon stands for dark, until exposure and site tell the light"
    lo, hi = sky["dusk_utc_us"].get("nautical"), sky["dawn_utc_us"].get("nautical")
    if lo and hi and lo < hi:
        return {"start_utc_us": lo, "end_utc_us": hi, "basis": "assumed", "reason": why}
    if {b["name"] for b in sky["bands"]} <= {"night", "astronomical twilight"}:
        return {"start_utc_us": night["start_utc_us"], "end_utc_us": night["end_utc_us"], "basis": "assumed",
                "reason": why}  # fmt: skip
    return {"start_utc_us": None, "end_utc_us": None, "basis": "assumed", "reason": why}


def zero_us(history: History, night: dict) -> int | None:
    """From where the season's hours count tonight: sunset, or the clock's midnight; None where the sun does not set."""
    by, _ = plan_history.views(history)
    if by == "sunset":
        return (night["sky"] or {}).get("sunset_utc_us")
    return night["start_utc_us"] + (0 if night["active"] == "day" else HALF_DAY_US)


def best_window(history: History, night: dict) -> dict | None:
    """The best window of the earlier nights on tonight's clock, with how sure that is; None where nothing is ranked."""
    found, zero = history.season.get("best_window") or {}, zero_us(history, night) if history.nights else None
    if not words.finite(found.get("start_s")) or zero is None:
        return None
    lo, hi = (zero + round(found[k] * 1e6) for k in ("start_s", "end_s"))
    n = len(history.sighted)
    thin = n < 3
    sure = f"from {words.count(n, 'night')}: it may lie elsewhere on others" if thin else f"from {n} nights"
    rate = plan_history.rate_within(history, found["start_s"], found["end_s"])
    return {"start_utc_us": lo, "end_utc_us": hi, "rate_per_h": rate, "n": n, "thin": thin, "sure": sure,
            "text": f"{night['local'].span(lo, hi)} ({sure})"}  # fmt: skip


def marked(best: dict | None, dark: dict | None, local: words.LocalTime) -> dict | None:
    """The best window with a word where tonight is not dark enough for all of it."""
    if not best or not dark or not dark["start_utc_us"]:
        return best
    lo, hi = dark["start_utc_us"], dark["end_utc_us"]
    text = best["text"]
    if best["end_utc_us"] <= lo or best["start_utc_us"] >= hi:
        text += "; not dark enough then"
    elif best["start_utc_us"] < lo:
        text += f"; dark enough only from {local.clock(lo)}"
    elif best["end_utc_us"] > hi:
        text += f"; dark enough only until {local.clock(hi)}"
    return best | {"text": text}


def lull(history: History, night: dict, span: tuple[int, int]) -> dict | None:
    """The emptiest hour of the earlier nights inside a span of tonight; None where no two hours can be compared.

    `told`: its interval over nights lies below that of the busiest hour. Otherwise it may be chance, and text says so.
    """
    by, _ = plan_history.views(history)
    zero = zero_us(history, night) if history.nights else None
    if zero is None:
        return None
    rows = [(zero + round(r["start_s"] * 1e6), zero + round(r["end_s"] * 1e6), r)
            for r in history.season["hours"][by] if r["exposure_s"] >= LULL_SEEN_S]  # fmt: skip
    rows = [row for row in rows if row[0] >= span[0] and row[1] <= span[1] and _rate(row[2]) is not None]
    if len(rows) < 2:
        return None
    low, high = min(rows, key=lambda row: _rate(row[2])), max(rows, key=lambda row: _rate(row[2]))
    a, b = low[2]["rate_per_h"], high[2]["rate_per_h"]
    told = words.finite(a.get("hi")) and words.finite(b.get("lo")) and a["hi"] < b["lo"]
    if _rate(low[2]) == _rate(high[2]):
        return None
    n = low[2]["n_nights"]
    doubt = "" if told else "; it may be chance"
    text = f"{night['local'].span(low[0], low[1])}, {words.number(_rate(low[2]), 1)} visits per hour seen then"
    return {"start_utc_us": low[0], "end_utc_us": low[1], "rate_per_h": a, "n": n, "told": told,
            "short": f"{night['local'].span(low[0], low[1])} (n = {words.count(n, 'night')}{doubt.replace(';', ',')})",
            "text": f"{text} (n = {words.count(n, 'night')}{doubt})"}  # fmt: skip


def _rate(row: dict) -> Any:
    e = row["rate_per_h"]
    return e["value"] if e.get("value") is not None else e.get("seen")


def session_of(history: History, night: dict, dark: dict | None, hours: float, best: dict | None) -> tuple | None:
    """Start and end (us UTC) of the session; None where neither light nor history says when."""
    around = None
    if dark and dark["start_utc_us"]:
        around = (dark["start_utc_us"], dark["end_utc_us"])
    elif best:
        around = (best["end_utc_us"] - round(hours * 3.6e9), best["end_utc_us"])
    if around is None:
        return None
    return timetable.session(around, hours * 3600, _pair(best))


def expected_visits(history: History, night: dict, span: tuple[int, int]) -> dict | None:
    """Visits per hour that earlier nights had in the same hours; None without such nights."""
    zero = zero_us(history, night) if history.nights else None
    if zero is None:
        return None
    lo, hi = ((at - zero) / 1e6 for at in span)
    return plan_history.rate_within(history, lo, hi)


def timetable_of(night: dict, span: tuple[int, int], best: dict | None, empty: dict | None, cells: int | None) -> list:
    """Steps as plain rows: step, at_utc_us, until_utc_us, and their local times."""
    sunset = (night["sky"] or {}).get("sunset_utc_us") if night["active"] != "day" else None
    if sunset and sunset > span[0]:
        sunset = None  # a session in the light: nothing has to be done before sunset
    evening = timetable.Evening(span[0], span[1], sunset, _pair(best), _pair(empty), cells)
    clock = night["local"].clock
    return [
        {"step": s.step, "at_utc_us": s.at_us, "until_utc_us": s.until_us, "at": clock(s.at_us),
         "until": clock(s.until_us) if s.until_us is not None else ""}
        for s in timetable.steps(evening)
    ]  # fmt: skip


def _pair(window: dict | None) -> tuple[int, int] | None:
    return (window["start_utc_us"], window["end_utc_us"]) if window else None


def sky_facts(night: dict) -> dict:
    """The sky in the words of the other pages."""
    return setting.sky_facts(night["sky"], night["local"])


def allowances() -> list[dict]:
    """How long each step of the timetable was taken to be, s."""
    why = "our own round allowance, no measurement: start earlier if your rig takes longer"
    return [{"step": k, "seconds": v, "basis": "assumed", "reason": why} for k, v in timetable.ALLOWANCES.items()]
