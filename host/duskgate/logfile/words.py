"""The records of a whole log side by side, as arrays: no step per record in Python."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from duskgate.logfile import tags

MASK48 = (1 << 48) - 1
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

    @cached_property
    def value(self) -> np.ndarray:
        """Tick of stamped records, value of value records: int64 of 48 bits."""
        return (self.raw & np.uint64(MASK48)).view(np.int64)

    @cached_property
    def stamped(self) -> np.ndarray:
        """Positions of the stamped records."""
        return np.flatnonzero(self.tag < tags.CYCLES)

    @cached_property
    def value_positions(self) -> np.ndarray:
        return np.flatnonzero(self.tag >= tags.CYCLES)

    @cached_property
    def _value_tags(self) -> np.ndarray:
        return self.tag[self.value_positions]

    def values_at(self, tag: int) -> np.ndarray:
        """Positions of the value records with one tag."""
        return self.value_positions[self._value_tags == tag]

    def boot_of(self, at: np.ndarray) -> np.ndarray:
        return np.searchsorted(self.boot_starts, at, side="right") - 1

    def owner(self, at: np.ndarray) -> np.ndarray:
        """Position of the stamped record that each value record belongs to. Every block begins with one."""
        return self.stamped[np.searchsorted(self.stamped, at, side="right") - 1]


def ticks_to_ns(ticks: np.ndarray, cycles: np.ndarray | int, clock: np.ndarray | int) -> np.ndarray:
    """ticks x cycles / clock in whole ns, exact (rounded to the nearest where a tick is not a whole number of ns).

    ticks below 2^48; cycles / clock at most 1e-5 s. Split into seconds and rest, so that nothing leaves 63 bits.
    """
    if np.ndim(cycles) and len(np.unique(cycles)) == 1 and len(np.unique(clock)) == 1:
        cycles, clock = int(np.ravel(cycles)[0]), int(np.ravel(clock)[0])
    if not np.ndim(cycles) and not np.ndim(clock) and (cycles * NS) % clock == 0:
        return ticks * (cycles * NS // clock)
    whole = ticks * cycles
    seconds = whole // clock
    rest = whole - seconds * clock
    return seconds * NS + (rest * NS + clock // 2) // clock


def signed48(values: np.ndarray) -> np.ndarray:
    return (values << 16) >> 16
