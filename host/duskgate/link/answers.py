"""What the board's answers must look like before anything is built on them (FORMAT.md, section 5.3)."""

import re
import struct
from dataclasses import dataclass
from enum import IntEnum

from ..errors import LinkError

SEGMENT_ROW = struct.Struct("<IIB3x")
MAX_SEGMENT = 32_768
LINK_VERSION = 1
BOARD_ID = re.compile(r"[0-9a-fA-F]{2,24}")
# key -> types that a right answer has there
WHO = {"board": str, "firmware": str, "log": int, "link": int, "boot_id": int, "boot_no": int}
TICK = {"tick": int, "boot_id": int}
MARKED = {"marked": list}
RECENT = {"first": int, "next": int}
STATE = {"unpulled_bytes": int, "free_bytes": int, "nights_left": (int, float), "store": str, "clock_state": int}


class SegmentState(IntEnum):
    """How a segment stands on the board."""

    NOT_PULLED = 0
    PULLED = 1
    GROWING = 2


@dataclass(frozen=True, slots=True)
class Segment:
    """One row of `list`: its number, committed bytes, state."""

    number: int
    size: int
    state: SegmentState


@dataclass(frozen=True, slots=True)
class Recent:
    """Records still in the board's memory: 8 bytes each, running numbers `first` up to but not including `next`."""

    first: int
    next: int
    data: bytes


@dataclass(frozen=True, slots=True)
class HostClock:
    """One comparison of clocks: at `tick` of boot `boot_id` the host's clock read `utc_us`, give or take `unc_us`."""

    boot_id: int
    tick: int
    utc_us: int
    unc_us: int

    def as_header(self) -> dict[str, int]:
        """Entry of `host_clock` in a log file's header."""
        return {"boot_id": self.boot_id, "tick": self.tick, "utc_us": self.utc_us, "unc_us": self.unc_us}


def checked(facts: dict, wanted: dict, verb: str) -> dict:
    """The facts as they came, once every wanted key is there with a value of its type. Raises LinkError."""
    for key, kinds in wanted.items():
        value = facts.get(key)
        if not isinstance(value, kinds) or isinstance(value, bool):
            raise LinkError(f"the board's answer to '{verb}' has no usable '{key}': its firmware may not fit this tool")
    return facts


def checked_who(facts: dict) -> dict:
    """Facts of `who`, with a sound board id and a link version that this program speaks. Raises LinkError."""
    checked(facts, WHO, "who")
    if not BOARD_ID.fullmatch(facts["board"]):
        raise LinkError("the board tells an id that is not hexadecimal: its firmware may not fit this tool")
    if facts["link"] != LINK_VERSION:
        raise LinkError(
            f"the board speaks link version {facts['link']}, this tool {LINK_VERSION}: "
            "update the older of the two, then try again"
        )
    return facts


def parse_list(data: bytes) -> list[Segment]:
    """Rows of `list`, oldest first as the board gave them. Raises LinkError for rows that cannot be true."""
    if len(data) % SEGMENT_ROW.size:
        raise LinkError("the board's list of segments is cut in the middle of a row; try again")
    rows = []
    seen: set[int] = set()
    for number, size, state in SEGMENT_ROW.iter_unpack(data):
        if size > MAX_SEGMENT or state > max(SegmentState) or number in seen:
            raise LinkError(
                f"the board's list makes no sense at segment {number} ({size} bytes, state {state}); try again"
            )
        seen.add(number)
        rows.append(Segment(number, size, SegmentState(state)))
    return rows
