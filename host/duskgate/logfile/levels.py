"""From level bytes to edges: which channel changed, when, and to what (FORMAT.md sections 2.1 to 2.3)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.logfile import tags
from duskgate.logfile.words import Words, run_starts

CHANNEL_BITS = 0x7F  # bit 7, SECOND, is used up on the board
BIT_COUNT = np.array([bin(i).count("1") for i in range(128)], dtype=np.int8)
LOWEST_BIT = bytes(max((i & -i).bit_length() - 1, 0) for i in range(256))


@dataclass
class Edges:
    """One row per changed channel: tick, channel, whether it is active after; how many rows each boot has."""

    tick: np.ndarray
    channel: np.ndarray
    active: np.ndarray
    per_boot: np.ndarray


@dataclass
class Guarded:
    """Summarised spans of one channel in one boot, in ticks, sorted by start; `level` is the wire's at their end."""

    boot: int
    channel: int
    start: np.ndarray
    end: np.ndarray
    level: np.ndarray


def find_edges(
    words: Words, breaks: np.ndarray, guarded: list[Guarded], low_masks: np.ndarray
) -> tuple[Edges, np.ndarray]:
    """Edges, and the positions of the records that state levels without being edges.

    `breaks` are positions from which the level before is not known: the start of each boot and of what follows a
    hole. The first edge record after one tells the levels, but not which of them changed at its tick.
    low_masks: per boot, bit set where the wire of a channel is low when it is active.
    """
    level = words.index & np.uint8(CHANNEL_BITS)
    _carry_over(level, words.others)
    changed = np.empty_like(level)
    changed[:1] = 0
    np.bitwise_xor(level[1:], level[:-1], out=changed[1:])
    stated = words.tag == tags.LEVELS
    first = words.levels_at_or_after(breaks)
    stated[first[first < len(words)]] = True
    changed[stated] = 0
    for span in guarded:
        _mask_guarded(words, (level, changed, stated), span)
    return _expand(words, level, changed, low_masks), np.flatnonzero(stated)


def _carry_over(level: np.ndarray, others: np.ndarray) -> None:
    """Records that state no levels take those of the record before them, so that nothing changes at them."""
    before = run_starts(others) - 1
    level[others] = level[np.maximum(before, 0)]


def _mask_guarded(words: Words, levels: tuple[np.ndarray, np.ndarray, np.ndarray], span: Guarded) -> None:
    """Inside a summarised span the channel's bit is true but its changes are no edges; after it the level at the
    span's end is the one to compare with."""
    level, changed, stated = levels
    low = words.boot_starts[span.boot]
    high = words.boot_starts[span.boot + 1] if span.boot + 1 < len(words.boot_starts) else len(words)
    at = low + np.flatnonzero(words.tag[low:high] - np.uint8(tags.EDGE) <= tags.LEVELS - tags.EDGE)
    tick = words.number(at)
    bit = np.uint8(1 << span.channel)
    inside = np.searchsorted(span.start, tick, side="right") > np.searchsorted(span.end, tick, side="right")
    changed[at[inside]] &= ~bit
    # the first record at or after a span's end, when it is not itself inside the next span
    first = np.searchsorted(tick, span.end, side="left")
    ok = first < len(tick)
    first, end_level = first[ok], span.level[ok]
    keep = ~inside[first] & ~stated[at[first]]
    where, end_level = at[first[keep]], end_level[keep]
    differs = ((level[where] & bit) != 0) != (end_level != 0)
    changed[where] = np.where(differs, changed[where] | bit, changed[where] & ~bit)


def _expand(words: Words, level: np.ndarray, changed: np.ndarray, low_masks: np.ndarray) -> Edges:
    mask = changed != 0
    bits, active, tick = changed[mask], level[mask], words.number(mask)
    ends = [*words.boot_starts.tolist(), len(words)][1:]
    per_boot = np.array(
        [np.count_nonzero(mask[a:b]) for a, b in zip(words.boot_starts.tolist(), ends, strict=True)], np.int64
    )
    low = low_masks.astype(np.uint8)
    if len(low):
        active ^= low[0] if len({*low.tolist()}) == 1 else np.repeat(low, per_boot)
    if (bits & (bits - np.uint8(1))).any():
        count = BIT_COUNT[bits]
        boot = np.repeat(np.arange(len(per_boot)), per_boot)
        per_boot = np.bincount(boot, weights=count, minlength=len(per_boot)).astype(np.int64)
        tick, active, channel = np.repeat(tick, count), np.repeat(active, count), _several(bits, count)
    else:
        channel = lowest_bit(bits)
    active >>= channel.view(np.uint8)
    active &= np.uint8(1)
    return Edges(tick, channel, active.view(np.int8), per_boot)


def _several(bits: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Channels of records in which several changed at one tick, lowest first; a row for each."""
    left = np.repeat(bits, count)
    starts = np.cumsum(count, dtype=np.int64) - count
    rank = np.arange(len(left)) - np.repeat(starts, count)
    for k in range(1, int(count.max())):
        again = rank >= k
        left[again] &= left[again] - 1  # drops the lowest bit once for every row before this one
    return lowest_bit(left)


def lowest_bit(bits: np.ndarray) -> np.ndarray:
    """Number of the lowest set bit of each byte. A byte translation is five times as fast as indexing with bytes."""
    return np.frombuffer(bytearray(bits).translate(LOWEST_BIT), np.int8)
