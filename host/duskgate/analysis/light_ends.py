"""Lights that the log shows only in part: the end without the beginning, and spans in which no light was kept.

An edge lost from the log must not make a head look full. Where a sensor falls dark without having lit, the rise was
lost and the head did light; where the log was blind, a light may have come at its very end.
"""

from __future__ import annotations

import numpy as np

from duskgate.analysis.traces import Traces
from duskgate.fields import FLASHES

PULSE_NS = 20_000_000  # no flash lasts longer: an end this soon after a rise belongs to it


def ends_alone(traces: Traces, channel: int) -> tuple[np.ndarray, np.ndarray]:
    """(ns, boot) of the edges at which a sensor fell dark though the edge before had left it dark already."""
    mine = traces.channel == channel
    x, bi, level = traces.x[mine], traces.bi[mine], traces.level[mine]
    stated = traces.first_levels[bi] if len(x) else traces.first_levels[:0]
    before = np.where(stated >= 0, stated >> channel & 1, 1)
    same = bi[1:] == bi[:-1]
    before[1:] = np.where(same, level[:-1], before[1:])
    alone = (level == 0) & (before == 0)
    return x[alone], bi[alone]


def of_head(traces: Traces, columns: list[int], rises: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Ends without a beginning of one head's sensors, sorted; those soon after a rise of another sensor left out."""
    found = [ends_alone(traces, FLASHES[c]) for c in columns]
    x, bi = (np.concatenate(part) for part in zip(*found, strict=True))
    order = np.argsort(x, kind="stable")
    x, bi = x[order], bi[order]
    first = np.concatenate([[True], np.diff(x) > PULSE_NS])[: len(x)]
    return x[first & ~follows(x, rises)], bi[first & ~follows(x, rises)]


def follows(x: np.ndarray, rises: np.ndarray) -> np.ndarray:
    """Whether each moment (ns) comes within a pulse's length after one of the rises (sorted)."""
    last = np.searchsorted(rises, x) - 1
    return (last >= 0) & (x - rises[np.maximum(last, 0)] <= PULSE_NS) if len(rises) else np.zeros(len(x), bool)


def ended(start: np.ndarray, ends: np.ndarray, lo: float, hi: float) -> np.ndarray:
    """Whether such an end lies where the light of each break would end: from lo after it to hi and a pulse (ns)."""
    return np.searchsorted(ends, start + hi + PULSE_NS, side="right") > np.searchsorted(ends, start + lo)


def unseen(traces: Traces, columns: list[int]) -> np.ndarray:
    """(n, 2) spans (ns) in which lights of one head were not kept: blind time, and its sensors' guarded chatter."""
    c = traces.chatter
    if len(c) == 0:
        return traces.blind
    mine = c[np.isin(c["channel"], [FLASHES[k] for k in columns])]
    x, length = mine["x"].to_numpy(np.int64), mine["span_ns"].to_numpy(np.int64)
    return np.concatenate([traces.blind, np.column_stack([x, x + length])])
