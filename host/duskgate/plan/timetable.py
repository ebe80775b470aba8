"""The evening in steps: when to set up, try, aim, check, start, rest and end. Instants in us UTC, lengths in s.

How long a step takes is our own round allowance, the same for every rig; it is no measurement and is told as assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

US = 1_000_000
SET_UP_S = 60 * 60.0
TEST_SHOTS_S = 20 * 60.0
AIM_S = 20 * 60.0
CHECK_S = 15 * 60.0
PACK_S = 30 * 60.0
ALLOWANCES = {"set_up": SET_UP_S, "test_shots": TEST_SHOTS_S, "aim": AIM_S, "check": CHECK_S, "pack": PACK_S}
ORDER = ("set_up", "test_shots", "aim", "check", "start", "best_from", "lull", "cells", "end", "pack")


@dataclass(frozen=True)
class Evening:
    """What a timetable hangs on. start and end: of the session. sunset: None by day, or where the sun does not set.

    best, lull: spans, or None where nothing is known. cells: when the first head's cells are expected to be spent.
    """

    start_us: int
    end_us: int
    sunset_us: int | None = None
    best: tuple[int, int] | None = None
    lull: tuple[int, int] | None = None
    cells_us: int | None = None


@dataclass(frozen=True)
class Step:
    """One line of the timetable: `step` is one of ORDER; `until_us` where it lasts."""

    step: str
    at_us: int
    until_us: int | None = None


def steps(evening: Evening) -> list[Step]:
    """Steps in the order of time. Raises ValueError where the session ends before it starts.

    Set-up ends at sunset at the latest, so that ladders, stands and cables are handled in daylight; the check comes
    right before the start, however much earlier the rest was done.
    """
    if evening.end_us <= evening.start_us:
        raise ValueError("the session must end after it starts")
    before_s = SET_UP_S + TEST_SHOTS_S + AIM_S + CHECK_S
    set_up = evening.start_us - _us(before_s)
    if evening.sunset_us is not None:
        set_up = min(set_up, evening.sunset_us - _us(SET_UP_S))
    test = set_up + _us(SET_UP_S)
    aim = test + _us(TEST_SHOTS_S)
    check = evening.start_us - _us(CHECK_S)
    out = [
        Step("set_up", set_up, test),
        Step("test_shots", test, aim),
        Step("aim", aim, aim + _us(AIM_S)),
        Step("check", check, evening.start_us),
        Step("start", evening.start_us),
        *_within(evening),
        Step("end", evening.end_us),
        Step("pack", evening.end_us, evening.end_us + _us(PACK_S)),
    ]
    return sorted(out, key=lambda s: (s.at_us, ORDER.index(s.step)))


def _within(evening: Evening) -> list[Step]:
    """What falls into the session; nothing that lies outside it."""
    out = []
    if evening.best and (best := _clipped(evening.best, evening)):
        out += [Step("best_from", best[0], best[1])]
    if evening.lull and (lull := _clipped(evening.lull, evening)):
        out += [Step("lull", *lull)]
    if evening.cells_us is not None and evening.start_us < evening.cells_us < evening.end_us:
        out += [Step("cells", evening.cells_us)]
    return out


def _clipped(span: tuple[int, int], evening: Evening) -> tuple[int, int] | None:
    lo, hi = max(span[0], evening.start_us), min(span[1], evening.end_us)
    return (lo, hi) if hi > lo else None


def session(dark: tuple[int, int], length_s: float, best: tuple[int, int] | None = None) -> tuple[int, int]:
    """Start and end of a session of that length inside `dark`, holding the end of the best window where there is one.

    Without a best window it starts with the dark. With one it ends with it, or starts with the dark if that is later.
    """
    lo, hi = dark
    length = min(_us(length_s), hi - lo)
    start = lo
    if best and best[0] < hi and best[1] > lo:
        start = max(lo, min(best[1], hi) - length)
        start = min(start, max(lo, best[0]))
    return start, min(start + length, hi)


def _us(seconds: float) -> int:
    return round(seconds * US)
