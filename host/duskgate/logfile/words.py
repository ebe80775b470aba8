"""The records of a whole log side by side, as arrays: no step per record in Python.

Nearly all records of a busy night are edges, so whatever touches all of them works on bytes, and everything else on the
positions of the few `others`.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from duskgate.logfile import tags

MASK48 = np.uint64((1 << 48) - 1)
NS = 1_000_000_000


class Words:
    """Records of all blocks in the order of boot and sequence; `boot_starts` is where each boot's records begin."""

    def __init__(self, raw: np.ndarray, boot_starts: np.ndarray, block_starts: np.ndarray):
        self.raw = raw
        self.boot_starts = boot_starts
        self.block_starts = block_starts
        columns = raw.view(np.uint8).reshape(-1, 8)
        self.tag = np.ascontiguousarray(columns[:, 6])
        self.index = np.ascontiguousarray(columns[:, 7])

    def __len__(self) -> int:
        return len(self.raw)

    def number(self, at: np.ndarray) -> np.ndarray:
        """Tick of stamped records, value of value records: int64 of 48 bits. at: positions, or a mask of all."""
        out = self.raw[at]
        out &= MASK48
        return out.view(np.int64)

    @cached_property
    def others(self) -> np.ndarray:
        """Positions of all records that state no levels."""
        return np.flatnonzero((self.tag - np.uint8(tags.EDGE)) > tags.LEVELS - tags.EDGE)

    @cached_property
    def values(self) -> np.ndarray:
        """Positions of the value records."""
        return self.others[self.tag[self.others] >= tags.CYCLES]

    @cached_property
    def _value_tags(self) -> np.ndarray:
        return self.tag[self.values]

    @cached_property
    def _owners(self) -> np.ndarray:
        return run_starts(self.values) - 1

    def values_at(self, tag: int) -> np.ndarray:
        """Positions of the value records with one tag."""
        return self.values[self._value_tags == tag]

    def boot_of(self, at: np.ndarray) -> np.ndarray:
        """Number of the boot that each record (index array) belongs to."""
        return np.searchsorted(self.boot_starts, at, side="right") - 1

    def owner(self, at: np.ndarray) -> np.ndarray:
        """Position of the stamped record that each value record belongs to. Every block begins with one."""
        return self._owners[np.searchsorted(self.values, at)]

    def stamped_at_or_before(self, at: np.ndarray) -> np.ndarray:
        """The nearest stamped record at or before each position."""
        out = at.copy()
        is_value = self.tag[at] >= tags.CYCLES
        out[is_value] = self.owner(at[is_value])
        return out

    def levels_at_or_after(self, at: np.ndarray) -> np.ndarray:
        """The nearest record that states levels at or after each position; len(self) where there is none."""
        out = at.copy()
        ends = run_ends(self.others)
        where = np.searchsorted(self.others, at)
        hit = where < len(self.others)
        hit[hit] = self.others[where[hit]] == at[hit]
        out[hit] = ends[where[hit]] + 1
        return out


def run_starts(positions: np.ndarray) -> np.ndarray:
    """For each of some sorted positions the first of the unbroken run that it belongs to."""
    if not len(positions):
        return positions
    begins = np.concatenate([[True], np.diff(positions) != 1])
    return positions[np.flatnonzero(begins)[np.cumsum(begins) - 1]]


def run_ends(positions: np.ndarray) -> np.ndarray:
    """For each of some sorted positions the last of the unbroken run that it belongs to."""
    return -run_starts(-positions[::-1])[::-1]


def ticks_to_ns(ticks: np.ndarray, cycles: np.ndarray | int, clock: np.ndarray | int) -> np.ndarray:
    """ticks x cycles / clock in whole ns, exact (rounded to the nearest where a tick is not a whole number of ns).

    ticks below 2^48; cycles / clock at most 1e-5 s. Split into seconds and rest, so that nothing leaves 63 bits.
    """
    if not np.ndim(cycles) and not np.ndim(clock) and (cycles * NS) % clock == 0:
        return ticks * np.int64(cycles * NS // clock)
    whole = ticks * cycles
    seconds = whole // clock
    rest = whole - seconds * clock
    return seconds * NS + (rest * NS + clock // 2) // clock


def signed48(values: np.ndarray) -> np.ndarray:
    """48-bit two's complement values (uint64 array) as int64."""
    return (values << 16) >> 16
