"""From level bytes to edges: which channel changed, when, and to what (FORMAT.md sections 2.1 to 2.3)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.logfile import tags
from duskgate.logfile.words import Words

CHANNEL_BITS = 0x7F  # bit 7, SECOND, is used up on the board
BIT_COUNT = np.array([bin(i).count("1") for i in range(128)], dtype=np.int8)
LOWEST_BIT = np.array([0] + [(i & -i).bit_length() - 1 for i in range(1, 128)], dtype=np.int8)


@dataclass
class Edges:
    """One row per changed channel: the record's position, channel, wire level after the change."""

    at: np.ndarray
    channel: np.ndarray
    wire: np.ndarray


@dataclass
class Guarded:
    """Summarised spans of one channel in one boot, in ticks, sorted by start; `level` is the wire's at their end."""

    boot: int
    channel: int
    start: np.ndarray
    end: np.ndarray
    level: np.ndarray


def find_edges(words: Words, breaks: np.ndarray, guarded: list[Guarded]) -> tuple[Edges, np.ndarray]:
    """Edges, and the positions of the records that state levels without being edges.

    `breaks` are positions from which the level before is not known: the start of each boot and of what follows a
    hole. The first edge record after one tells the levels, but not which of them changed at its tick.
    """
    at = np.flatnonzero((words.tag == tags.EDGE) | (words.tag == tags.LEVELS))
    if not len(at):
        empty = np.empty(0, np.int64)
        return Edges(empty, empty.astype(np.int8), empty.astype(np.int8)), empty
    level = words.index[at] & CHANNEL_BITS
    before = np.empty_like(level)
    before[0] = level[0]
    before[1:] = level[:-1]
    stated = words.tag[at] == tags.LEVELS
    first = np.searchsorted(at, breaks)
    stated[first[first < len(at)]] = True
    changed = before ^ level
    changed[stated] = 0
    for span in guarded:
        _mask_guarded(words, at, (level, changed, stated), span)
    return _expand(at, level, changed), at[stated]


def _mask_guarded(
    words: Words, at: np.ndarray, levels: tuple[np.ndarray, np.ndarray, np.ndarray], span: Guarded
) -> None:
    """Inside a summarised span the channel's bit is true but its changes are no edges; after it the level at the
    span's end is the one to compare with."""
    level, changed, stated = levels
    starts = words.boot_starts
    low = np.searchsorted(at, starts[span.boot])
    high = np.searchsorted(at, starts[span.boot + 1]) if span.boot + 1 < len(starts) else len(at)
    tick = words.value[at[low:high]]
    bit = np.uint8(1 << span.channel)
    inside = np.searchsorted(span.start, tick, side="right") > np.searchsorted(span.end, tick, side="right")
    part = changed[low:high]
    part[inside] &= ~bit
    # the first record at or after a span's end, when it is not itself inside the next span
    first = np.searchsorted(tick, span.end, side="left")
    ok = first < len(tick)
    first, end_level = first[ok], span.level[ok]
    keep = ~inside[first] & ~stated[low:high][first]
    first, end_level = first[keep], end_level[keep]
    differs = ((level[low:high][first] & bit) != 0) != (end_level != 0)
    part[first] = np.where(differs, part[first] | bit, part[first] & ~bit)


def _expand(at: np.ndarray, level: np.ndarray, changed: np.ndarray) -> Edges:
    row = np.flatnonzero(changed)
    bits = changed[row]
    count = BIT_COUNT[bits]
    if len(row) and count.max() > 1:
        row, channel = _expand_several(row, bits, count)
    else:
        channel = LOWEST_BIT[bits]
    wire = ((level[row] >> channel.view(np.uint8)) & 1).view(np.int8)
    return Edges(at[row], channel, wire)


def _expand_several(row: np.ndarray, bits: np.ndarray, count: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Records in which several channels changed at one tick become several rows, lowest channel first."""
    out_row = np.repeat(row, count)
    left = np.repeat(bits, count)
    starts = np.cumsum(count, dtype=np.int64) - count
    rank = np.arange(len(left)) - np.repeat(starts, count)
    for k in range(1, int(count.max())):
        again = rank >= k
        left[again] &= left[again] - 1  # drops the lowest bit once for every row before this one
    return out_row, LOWEST_BIT[left]
