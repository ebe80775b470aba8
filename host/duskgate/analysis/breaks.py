"""Edges of a beam -> its breaks: when it was broken, for how long, and the darkness whose ends were not both seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.analysis.traces import Traces


@dataclass
class Beam:
    """Closed breaks of one beam (start, end: ns on the axis; bi: boot) and its open ones.

    `open_start` are rises that were never seen to end; `dark` the spans known to be dark whose start or end was not
    seen (broken at boot, at the end of the log, across a loss).
    """

    start: np.ndarray
    end: np.ndarray
    bi: np.ndarray
    open_start: np.ndarray
    open_bi: np.ndarray
    dark: np.ndarray
    merged: int = 0  # clear times too short to count

    @property
    def duration(self) -> np.ndarray:
        """Length of each break, ns."""
        return self.end - self.start


def beam_breaks(traces: Traces, channel: int, merge_ns: int) -> Beam:
    """Breaks of one beam channel, clear times shorter than merge_ns taken as chatter of the same break."""
    x, bi, level, seen = _events(traces, channel)
    if len(x) < 2:
        empty = np.zeros(0, np.int64)
        return Beam(empty, empty, empty, empty, empty, np.zeros((0, 2), np.int64))
    on = level[:-1] == 1
    same = bi[:-1] == bi[1:]
    closed = on & same & seen[:-1] & seen[1:] & (level[1:] == 0)
    lost = on & same & ~closed
    at = np.flatnonzero(closed)
    start, end, which = x[at], x[at + 1], bi[at]
    rises = np.flatnonzero(lost & seen[:-1])
    start, end, which, merged = _merge(start, end, which, merge_ns)
    # a rise after a rise: a clear was lost in between, so the first span's length is not known
    dark_at = np.flatnonzero(lost & ((level[1:] == 0) | ~seen[1:]))
    dark = np.column_stack([x[dark_at], x[dark_at + 1]])
    return Beam(start, end, which, x[rises], bi[rises], dark, merged)


def _events(traces: Traces, channel: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Edges of a channel with what was said about its level without an edge: x, boot, level, seen as an edge."""
    mine = traces.channel == channel
    x, bi, level = traces.x[mine], traces.bi[mine], traces.level[mine]
    k = np.arange(len(traces.boot))
    start = _first_level(traces, channel, bi, level)
    known = start >= 0
    said = traces.said >> channel & 1
    all_x = np.concatenate([traces.x0[known], x, traces.said_x, traces.x1])
    all_bi = np.concatenate([k[known], bi, traces.said_bi, k])
    all_level = np.concatenate([start[known], level, said, np.full(len(k), -1)]).astype(np.int64)
    kind = np.concatenate([np.full(known.sum(), 0), np.full(len(x), 1), np.full(len(said), 2), np.full(len(k), 3)])
    order = np.lexsort((kind, all_x, all_bi))
    all_x, all_bi, all_level, kind = all_x[order], all_bi[order], all_level[order], kind[order]
    keep = _tells_something(all_x, all_bi, all_level, kind, traces.blind)
    return all_x[keep], all_bi[keep], all_level[keep], kind[keep] == 1


def _first_level(traces: Traces, channel: int, bi: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Level of the channel at each boot's start: as stated, else the opposite of its first edge; -1 unknown."""
    out = np.where(traces.first_levels >= 0, traces.first_levels >> channel & 1, -1)
    boots, first = np.unique(bi, return_index=True)
    unstated = out[boots] < 0
    out[boots[unstated]] = 1 - level[first[unstated]]
    return out


def _tells_something(
    x: np.ndarray, bi: np.ndarray, level: np.ndarray, kind: np.ndarray, blind: np.ndarray
) -> np.ndarray:
    """False for statements that only repeat the level of the moment before, with no blind time in between."""
    if not (kind == 2).any():
        return np.ones(len(x), bool)
    same = np.zeros(len(x), bool)
    same[1:] = (level[1:] == level[:-1]) & (bi[1:] == bi[:-1])
    if len(blind):
        ends = np.sort(blind[:, 1])
        before = np.zeros(len(x), np.int64)
        before[1:] = np.searchsorted(ends, x[:-1], side="right")
        same &= np.searchsorted(ends, x, side="right") == before
    return ~(same & (kind == 2))


def _merge(start: np.ndarray, end: np.ndarray, bi: np.ndarray, merge_ns: int):
    if len(start) == 0:
        return start, end, bi, 0
    joins = (start[1:] - end[:-1] < merge_ns) & (bi[1:] == bi[:-1])
    first = np.flatnonzero(np.concatenate([[True], ~joins]))
    last = np.concatenate([first[1:], [len(start)]]) - 1
    return start[first], end[last], bi[first], int(joins.sum())
