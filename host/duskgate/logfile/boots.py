"""What each boot says about itself, and the order of the boots in time."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from duskgate.logfile import tags
from duskgate.logfile.words import Words

# Where no boot of a log states its tick: the stamper's 9 cycles at 125 MHz.
LONGEST_TICK_PER_S = 5_000_000
DEFAULT_CYCLES, DEFAULT_CLOCK, DEFAULT_LOW_MASK = 9, 125_000_000, 0x7F
STATED = (
    tags.CYCLES, tags.CLOCK, tags.BOOT_CAUSE, tags.LOW_MASK, tags.CHANNEL_MASK, tags.FIRMWARE, tags.INTERPRETER_VERSION,
    tags.INTERPRETER,
)  # fmt: skip
BACKWARDS_S = 3600  # a trusted clock that goes back further than this shows a wrong order of boots


@dataclass
class Statements:
    """Per boot (arrays of the number of boots); -1: not stated."""

    value: dict[int, np.ndarray]
    board: list[str]
    assumed: np.ndarray  # True where the tick or the polarity had to be assumed

    @property
    def cycles(self) -> np.ndarray:
        """Clock cycles in one tick (tag 40)."""
        return self.value[tags.CYCLES]

    @property
    def clock(self) -> np.ndarray:
        """System clock in Hz (tag 41)."""
        return self.value[tags.CLOCK]

    @property
    def low_mask(self) -> np.ndarray:
        """Bits of the channels that are active when the wire is low (tag 43)."""
        return self.value[tags.LOW_MASK]


def read_statements(words: Words, n_boots: int, boards: list[str | None]) -> Statements:
    """The first statement of each value in each boot; what one boot lacks is taken from the boot before or after."""
    value = {tag: np.full(n_boots, -1, np.int64) for tag in STATED}
    for tag in STATED:
        at = words.values_at(tag)[::-1]  # written backwards, so that the first statement stays
        value[tag][words.boot_of(at)] = words.number(at)
    cycles, clock = value[tags.CYCLES], value[tags.CLOCK]
    # No board of ours runs so slowly, and 48 bits of longer ticks would be a night of many years (of 200 ns: 651 days):
    # such a statement is not believed
    wrong = (cycles < 1) | (clock < 1) | (clock > 10**9) | (cycles > 10**4) | (cycles * LONGEST_TICK_PER_S > clock)
    cycles[wrong], clock[wrong] = -1, -1
    low = value[tags.LOW_MASK]
    low[low > 0xFF] = -1
    assumed = (cycles < 0) | (low < 0)
    for array, default in ((cycles, DEFAULT_CYCLES), (clock, DEFAULT_CLOCK), (low, DEFAULT_LOW_MASK)):
        _from_neighbours(array, default)
    return Statements(value, _boards(words, n_boots, boards), assumed)


def _from_neighbours(array: np.ndarray, default: int) -> None:
    known = np.flatnonzero(array >= 0)
    if not len(known):
        array[:] = default
        return
    missing = np.flatnonzero(array < 0)
    before = np.searchsorted(known, missing) - 1
    array[missing] = array[known[np.maximum(before, 0)]]


def _boards(words: Words, n_boots: int, boards: list[str | None]) -> list[str]:
    parts: list[dict[int, bytes]] = [{} for _ in range(n_boots)]
    at = words.values_at(tags.BOARD_ID)
    for boot, part, value in zip(
        words.boot_of(at).tolist(), words.index[at].tolist(), words.number(at).tolist(), strict=True
    ):
        if part < 2:
            parts[boot].setdefault(part, value.to_bytes(6, "little"))
    out = []
    for boot, said in enumerate(parts):
        raw = b"".join(said[part] for part in sorted(said))
        # two parts hold twelve bytes; an id of eight is padded with zeros at its end
        out.append(raw.rstrip(b"\0").hex() or boards[boot] or "")
    return out


@dataclass(frozen=True)
class BootKey:
    """What is known of a boot before its place in time is: `pull` orders the files in which it was first met."""

    boot_no: int
    boot_id: int
    pull: int
    first_clock: int | None  # first Unix second of the clock chip that was not marked as untrustworthy


def order_boots(keys: list[BootKey]) -> list[BootKey]:
    """Boots in time order: by boot number, equal numbers by first clock second.

    A board that was erased counts from the start again. That shows as one number used twice, or as a clock that goes
    back by more than an hour; then the order of the pulls comes before the number.
    """
    plain = sorted(keys, key=lambda k: (k.boot_no, _clock(k), k.pull))
    numbers = [k.boot_no for k in plain]
    if len(set(numbers)) == len(numbers) and not _goes_back(plain):
        return plain
    by_pull = sorted(keys, key=lambda k: (k.pull, k.boot_no, _clock(k)))
    return plain if _goes_back(by_pull) and not _goes_back(plain) else by_pull


def _clock(key: BootKey) -> int:
    return key.first_clock if key.first_clock is not None else 1 << 62


def _goes_back(keys: list[BootKey]) -> bool:
    clocks = [k.first_clock for k in keys if k.first_clock is not None]
    return any(later < earlier - BACKWARDS_S for earlier, later in pairwise(clocks))
