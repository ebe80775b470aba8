"""What a night uses up: fires of the heads' cells, hours of the logger's own supply, heat of the heads, and patience of
the animals. The heads' cells and the logger's are told apart: one shows in the recycle time, the other in its voltage.

Estimates are dicts with value, lo, hi, n; a lacking one has value None and a text. Rates per hour, lengths in hours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

MARGIN = 0.25  # share of fires and hours added for safety: our own choice


@dataclass(frozen=True)
class Fires:
    """Fires of tonight: expected_n and its interval, after the limit; share of the time in which the rig may fire.

    wanted_per_h: estimate without the limit; limit_per_h: None without; over: the limit cuts (or would, if told off).
    """

    wanted_per_h: dict[str, Any]
    limit_per_h: float | None
    hours: float
    expected_n: dict[str, Any]
    armed_share: float
    over: bool
    text: str
    busiest_n: int | None = None  # fires of the busiest hour of the log


def busiest(fire_s: np.ndarray, within_s: float = 3600.0) -> int:
    """Most fires in any stretch of that length, from a fire on and not counting its end. fire_s: s, any order."""
    t = np.sort(np.asarray(fire_s, float))
    return int((np.searchsorted(t, t + within_s, side="left") - np.arange(len(t))).max(initial=0))


def fires_tonight(
    per_h: dict[str, Any],
    hours: float,
    limit_per_h: float | None,
    exceed: bool = False,
    busiest_n: int | None = None,
) -> Fires:
    """Fires of a session, kept to a limit an hour unless `exceed` says otherwise.

    The interval is that of the rate over nights. Above the limit the rig has to rest for part of each hour.
    busiest_n: fires of the busiest hour of the log (`busiest`); a mean below the limit may hide such an hour.
    """
    if per_h.get("value") is None:
        text = f"how many fires an hour to expect is not known: {per_h.get('text', 'no rate')}"
        return Fires(per_h, limit_per_h, hours, per_h, 1.0, False, text, busiest_n)
    over = limit_per_h is not None and per_h["value"] > limit_per_h
    top = math.inf if limit_per_h is None or exceed else limit_per_h
    expected = {k: min(v, top) * hours if k in ("value", "lo", "hi") else v for k, v in per_h.items()}
    armed = min(1.0, top / per_h["value"]) if per_h["value"] > 0 else 1.0
    text = _limit_words(per_h, limit_per_h, armed, exceed)
    if busiest_n is not None and limit_per_h is not None and busiest_n > limit_per_h and not exceed:
        text += f"; the busiest hour of the log had {busiest_n} fires: stop there after {limit_per_h:g}"
    return Fires(per_h, limit_per_h, hours, expected, armed, over, text, busiest_n)


def _limit_words(per_h: dict, limit: float | None, armed: float, exceed: bool) -> str:
    said = f"{per_h['value']:.0f} fires an hour are to be expected ({per_h['lo']:.0f} to {per_h['hi']:.0f}, "
    said += f"n = {per_h['n']})"
    if limit is None:
        return f"{said}; no limit is set"
    if per_h["value"] <= limit:
        near = "" if per_h["hi"] <= limit else "; a busy night may pass it: count, and let the rig rest"
        return f"{said}, within the limit of {limit:g} an hour{near}"
    if exceed:
        return f"{said}, over the limit of {limit:g} an hour, which you chose to pass"
    return f"{said}, over the limit of {limit:g} an hour: let the rig rest {60 * (1 - armed):.0f} minutes of each hour"


@dataclass(frozen=True)
class Cells:
    """Sets of cells of one head for the night. per_set: estimate of fires until the recycle time passes the wanted gap.

    sets: to bring in all, margin included, by the cautious ends of both intervals; None unknown; spare: sets - 1.
    """

    head: str
    per_set: dict[str, Any] | None
    sets: int | None
    spare: int | None
    text: str


def head_cells(head: str, forecast: dict[str, Any] | None, expected_n: dict[str, Any], margin: float = MARGIN) -> Cells:
    """Cells of one head. forecast: estimates["supply"]["heads"][head] of a night that began on a fresh set
    ("fires" so far, "fires_left" as estimate or lacking), or None.
    """
    left = (forecast or {}).get("fires_left")
    if forecast is None or not left or left.get("value") is None or expected_n.get("value") is None:
        why = (left or {}).get("text") or expected_n.get("text") or "no night on these cells is in the logbook"
        seen = f"; a set has given at least {forecast['fires']} fires" if forecast and forecast.get("fires") else ""
        return Cells(head, None, None, None, f"{head}: fires of a set are not known ({why}){seen}; bring a spare set")
    so_far = forecast["fires"]
    per_set = {k: v + so_far if k in ("value", "lo", "hi") else v for k, v in left.items()}
    sets = max(1, math.ceil(expected_n["hi"] * (1 + margin) / max(per_set["lo"], 1.0)))
    text = (
        f"{head}: a set gives {per_set['value']:.0f} fires ({per_set['lo']:.0f} to {per_set['hi']:.0f}, "
        f"n = {per_set['n']}) until it recycles slower than {forecast['needed_gap_s']:g} s; "
        f"{expected_n['value']:.0f} are expected: bring {sets} set{'s' if sets > 1 else ''}"
    )
    return Cells(head, per_set, sets, sets - 1, text)


@dataclass(frozen=True)
class LoggerSupply:
    """Whether the logger's own cells last: enough yes, no or unknown."""

    enough: str
    hours_left: dict[str, Any]
    text: str


def logger_supply(hours_left: dict[str, Any] | None, hours: float, margin: float = MARGIN) -> LoggerSupply:
    """The logger's cells. hours_left: an estimate, {"at_least_h": x} or lacking (estimates["supply"]["logger"])."""
    need, left = hours * (1 + margin), hours_left or {}
    least = left.get("lo") if left.get("value") is not None else left.get("at_least_h")
    if least is None:
        text = "the logger's own supply: how long it lasts is not known; begin with fresh or full cells"
        return LoggerSupply("unknown", left, text)
    enough = least >= need
    if left.get("value") is not None:
        said = f"{left['value']:.0f} h left ({left['lo']:.0f} to {left['hi']:.0f}, n = {left['n']})"
        sure = "yes" if enough else "no"
    else:
        said, sure = f"at least {least:.0f} h left", "yes" if enough else "unknown"
    tail = {"yes": "enough for", "no": "not surely enough for", "unknown": "whether that covers tonight is not known:"}
    text = f"the logger's own supply: {said}, {tail[sure]} {hours:.1f} h with a margin of {margin:.0%}"
    return LoggerSupply(sure, left, text)


@dataclass(frozen=True)
class Rest:
    """Heat of one head: worst_n fires in any rest_s of the log, times the limit was passed, fires an hour it bears."""

    head: str
    per_h: float | None
    worst_n: int | None
    passed: int | None
    text: str


def thermal_rest(head: str, fire_s: np.ndarray, burst_fires: int | None, rest_s: float | None) -> Rest:
    """Whether the fires of a log would have been too many for a head that bears burst_fires in any rest_s.

    Both figures are the maker's, from the site file; without them nothing is said but that they are asked for.
    """
    if burst_fires is None or rest_s is None:
        text = f"{head}: what it bears before it must rest is not known; give burst_fires and burst_rest_s"
        return Rest(head, None, None, None, f"{text} (its manual says)")
    worst, passed = busiest(fire_s, rest_s), _passings(np.sort(np.asarray(fire_s, float)), burst_fires, rest_s)
    per_h = burst_fires * 3600 / rest_s
    text = f"{head}: at most {burst_fires} fires in {rest_s:g} s; the busiest such time of the log had {worst}"
    if passed:
        text += f": over it {passed} time{'s' if passed > 1 else ''}; let the head rest {rest_s:g} s after a burst"
    return Rest(head, per_h, worst, passed, text)


def _passings(t: np.ndarray, burst: int, rest_s: float) -> int:
    """Spells in which one more than `burst` fires lie within rest_s."""
    if len(t) <= burst:
        return 0
    over = t[burst:] - t[:-burst] < rest_s
    return int((over & ~np.concatenate([[False], over[:-1]])).sum())
