"""Records that a board still has in memory -> edges and values, in board ticks (FORMAT.md, sections 2 and 5.3)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

RECORD_BYTES = 8
EDGE, LEVELS, LAST_STAMPED, LAST_CHATTER = 0x01, 0x02, 0x3F, 0x6D
CHATTER_EDGES, LOST, NOTE, FAULT, SHOT = 0x68, 0x60, 0x70, 0x78, 0x7A
CHANNEL_BITS = 0x7F
WORDS = np.dtype([("low", "<u4"), ("high", "<u2"), ("tag", "u1"), ("index", "u1")])


@dataclass(frozen=True)
class Edges:
    """Changes of single channels in order: tick, channel number, active after the change (broken, closed, lit)."""

    tick: np.ndarray
    channel: np.ndarray
    active: np.ndarray

    def of(self, channel: int, active: bool = True) -> np.ndarray:
        """Ticks at which that channel became active (or inactive)."""
        return self.tick[(self.channel == channel) & (self.active == active)]


@dataclass(frozen=True)
class Looked:
    """One look: edges, value records as (tag, index, value), and the wire levels at its end (None: none was told)."""

    edges: Edges
    values: list[tuple[int, int, int]]
    levels: int | None
    last_tick: int | None

    def has(self, tag: int) -> bool:
        """Whether a value record of that tag is there."""
        return any(t == tag for t, _, _ in self.values)


def look(data: bytes, low_mask: int, levels: int | None = None) -> Looked:
    """Take records apart.

    data: whole records, 8 bytes each. low_mask: bit set where a low wire means active. levels: the wire before the
    first record, where the record before it was seen; without it the first record tells levels and no edge.
    """
    words = np.frombuffer(data, WORDS, len(data) // RECORD_BYTES)
    number = words["low"].astype(np.int64) | words["high"].astype(np.int64) << 32
    stamped = words["tag"] <= LAST_STAMPED
    states = (words["tag"] == EDGE) | (words["tag"] == LEVELS)
    level = (words["index"][states] & CHANNEL_BITS).astype(np.int64)
    before = np.concatenate([[level[0] if levels is None and len(level) else levels or 0], level[:-1]]).astype(np.int64)
    before = before[: len(level)]
    changed = np.where(words["tag"][states] == EDGE, level ^ before, 0)
    bit = changed[:, None] >> np.arange(7) & 1
    row, channel = np.nonzero(bit)
    active = ((level ^ low_mask)[row] >> channel & 1).astype(bool)
    value = ~stamped
    values = list(
        zip(words["tag"][value].tolist(), words["index"][value].tolist(), number[value].tolist(), strict=True)
    )
    return Looked(
        Edges(number[states][row], channel, active),
        values,
        int(level[-1]) if len(level) else levels,
        int(number[stamped].max()) if stamped.any() else None,
    )


def active_levels(levels: int, low_mask: int, channels: int) -> int:
    """Bit set: that channel in use is active."""
    return (levels ^ low_mask) & channels & CHANNEL_BITS


def active_share(edges: Edges, channel: int, span_ticks: float, need: int) -> float | None:
    """Share of the time between the first and the last change in which the channel was active.

    None where fewer than `need` changes were seen, or no time (span_ticks) at all.
    """
    mine = edges.channel == channel
    tick, active = edges.tick[mine], edges.active[mine]
    if len(tick) < need or span_ticks <= 0:
        return None
    spans = np.diff(tick)
    return float(spans[active[:-1]].sum() / max(spans.sum(), 1))
