"""What the numbers of a board's faults mean (FORMAT.md, tag 78 and section 2.4), in words and with what to do. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from duskgate.fields import BEAM, BEAM2, CHANNELS, FLASHES, SYNC

UNDRIVEN = 15
INPUT_NEW, INPUT_LONG, INPUT_TWINS, INPUT_HUM, INPUT_CHATTER, INPUT_SILENT = range(18, 24)
OF_INPUTS = (UNDRIVEN, INPUT_NEW, INPUT_LONG, INPUT_TWINS, INPUT_HUM, INPUT_CHATTER, INPUT_SILENT)
BEAM_BITS = 1 << BEAM | 1 << BEAM2
FLASH_BITS = sum(1 << c for c in FLASHES)

# number -> (what it says, what to do); {detail} where the detail says something to a person
BOARD = {
    1: ("the settings file was damaged: defaults hold", "look at low_mask and channels, set them again"),
    2: ("a setting was unknown or out of bounds: its default holds (line {detail})", "set it again"),
    3: ("the clock chip did not answer", "check its four wires (SDA, SCL, 3V3, ground)"),
    4: ("the supply could not be measured", "look at the divider"),
    5: ("the button failed", "restart the board; load the firmware again if it stays"),
    6: ("the lamp failed", "restart the board; load the firmware again if it stays"),
    7: ("the link failed in an answer", "another cable; load the firmware again if it stays"),
    8: ("writing to the store failed (error {detail})", "pull the log; a worn flash needs a new board"),
    9: ("the store was full: edges were not kept", "pull the log before the night"),
    10: ("segment {detail} had a torn end, a new one was begun", "nothing: power went in the middle of a write"),
    11: ("the edge stamper was silent", "restart the board; load the firmware again if it stays"),
    12: ("the program ended with an error before this start ({detail} in a row)", "load the firmware again"),
    13: ("the clock chip jumped", "new cell in it, then duskgate clock"),
    14: ("the watchdog failed", "restart the board; load the firmware again if it stays"),
    16: ("stamps were overtaken while being read", "mend what flickers"),
    17: ("the contact that fires the rig failed", "look at SHOT and its optocoupler"),
    24: ("light pulses were not watched any more", "restart the board; load the firmware again if it stays"),
}

# the same for an input; {who} its name, or several
INPUT = {
    UNDRIVEN: ("nothing drives {who}", "plug it in, or clear its bit in the setting channels"),
    INPUT_LONG: (
        "{who} broken for more than half an hour: likely dew or a drop on a window, or something in the beam",
        "wipe the windows, clear the beam, measure the emitter's supply",
    ),
    INPUT_TWINS: (
        "{who} change at the same moments: likely a short between their pins or cable cores",
        "unplug one and look again",
    ),
    INPUT_HUM: (
        "{who} flickers at {hz} Hz: likely lamplight on mains, or hum in its cable",
        "shade the sensor from lamps; screened cable, its pull-up at the board",
    ),
    INPUT_CHATTER: (
        "{who} changes more than 200 times a second: likely a receiver at its limit, dew, or a missing pull-up",
        "align it with the middle of its range, wipe the windows, check its pull-up",
    ),
    INPUT_SILENT: (
        "{who} never changed while a light sensor saw many lights: likely a wire off, a sensor not aimed, a head off",
        "pull its wire to ground at the input stage: if it reacts, the fault is outside",
    ),
}


@dataclass(frozen=True)
class Words:
    """A fault for a person: what, what to do, and the mask of the inputs that it speaks of (0: none)."""

    text: str
    todo: str
    channels: int = 0
    number: int = 0


def words(number: int, detail: int) -> Words:
    """Words of a fault. A number that this tool does not know is said as such."""
    if number in BOARD:
        text, todo = BOARD[number]
        return Words(text.format(detail=detail), todo, number=number)
    mask = detail & 0x7F
    if number not in OF_INPUTS or not (mask or number == UNDRIVEN):
        said = f"fault {number} ({detail}), which this tool does not know"
        return Words(said, "use the newest Duskgate", number=number)
    text, todo = _input(number, detail & 0xFF, detail >> 8 & 0xFF)
    return Words(text, todo, mask, number)


def inputs_of(state: dict[str, Any]) -> list[Words]:
    """What a board says of its inputs now (`inputs` of its state); none from a firmware that does not look at them."""
    told = state.get("inputs")
    rows = told if isinstance(told, list) else []
    return [words(*row) for row in rows if isinstance(row, list) and [type(part) for part in row] == [int, int]]


def names(mask: int) -> str:
    """'BEAM', 'BEAM and SYNC', 'FLASH1, FLASH2 and FLASH3'."""
    found = [name for bit, name in enumerate(CHANNELS) if mask >> bit & 1]
    return " and ".join([", ".join(found[:-1]), found[-1]] if len(found) > 1 else found)


def _input(number: int, mask: int, hz: int) -> tuple[str, str]:
    who = names(mask)
    if number == INPUT_NEW:
        return _from_start(mask, who)
    text, todo = INPUT[number]
    return text.format(who=who, hz=hz), todo


def _from_start(mask: int, who: str) -> tuple[str, str]:
    if mask & BEAM_BITS:
        return (
            f"{who} active since the start, nearly without a pause: likely aim, polarity or a short to ground",
            "unplug the receiver: if it then reads whole, align it or turn its output round (dark on)",
        )
    if mask & 1 << SYNC:
        return f"{who} closed since the start: likely its two wires turned, or a short", "turn its two wires"
    return (
        f"{who} lit since the start, nearly without a pause: likely daylight in its tube, or polarity",
        "look after dusk; pinhole or grey film, or turn its output round",
    )
