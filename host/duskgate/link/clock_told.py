"""What a pull says of the board's clock, from its state. Pure."""

from __future__ import annotations

from typing import Any

from ..errors import ahead_text

NO_CHIP, STOPPED, NO_WAVE = 2, 1, 4  # bits of the clock state, FORMAT.md tag 51
JUMPED = "clock chip jumped"  # as the board names fault 13 in its state
FAR_OFF_S = 60  # a chip that nobody set for a season strays by tens of seconds
BY_COMPUTER = "the times of this night rest on the computer's clock"


def clock_troubles(state: dict[str, Any]) -> list[str]:
    """Sentences on a clock that is gone or lies, from a board's `state` or what a log file keeps of it."""
    bits = state.get("clock_state")
    bits = bits if isinstance(bits, int) else 0
    if bits & NO_CHIP:
        return [f"no clock chip answered: {BY_COMPUTER}"]
    if bits & STOPPED:
        return [f"the clock chip's oscillator had stopped: {BY_COMPUTER}; new cell in it, then duskgate clock"]
    if bits & NO_WAVE:
        return ["no 1 Hz wave came from the clock chip: its seconds were not taken; wire SQW to its input"]
    faults = state.get("faults")
    if isinstance(faults, list) and any(JUMPED in str(fault) for fault in faults):
        return ["the clock chip jumped or stood still while its wave went on: new cell in it, then duskgate clock"]
    return []


def far_off(clock_second: object, now_s: int) -> list[str]:
    """A sentence where the board's clock, as its `state` gives it, and the computer's contradict each other."""
    if not isinstance(clock_second, int) or abs(clock_second - now_s) <= FAR_OFF_S:
        return []
    off = ahead_text(clock_second - now_s)
    return [f"the board's clock is {off} this computer's: where this computer is right, duskgate clock sets it"]
