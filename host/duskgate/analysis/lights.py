"""Light pulses of the sensors -> flash events, and which sensors may speak for which head."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.analysis.settings import Settings
from duskgate.analysis.traces import Traces
from duskgate.fields import CHANNELS, FLASHES

SEEN_APART = 3  # this often must two sensors differ before they count as separate
SEEN_APART_SHARE = 0.01


@dataclass
class Lights:
    """Flash events in time order: x (ns, first rise), bi, rise (n, 4: ns of each sensor's first rise, -1 dark)."""

    x: np.ndarray
    bi: np.ndarray
    rise: np.ndarray
    pulses_dropped: int = 0


def flash_events(traces: Traces, s: Settings) -> Lights:
    """Rises of all light sensors, pulses too short for a flash left out, joined into events."""
    xs, bis, which, dropped = [], [], [], 0
    for k, channel in enumerate(FLASHES):
        x, bi, n = _rises(traces, channel, s.light_glitch_us)
        xs.append(x)
        bis.append(bi)
        which.append(np.full(len(x), k))
        dropped += n
    x, bi, sensor = np.concatenate(xs), np.concatenate(bis), np.concatenate(which)
    order = np.argsort(x, kind="stable")
    x, bi, sensor = x[order], bi[order], sensor[order]
    event = _join(x, int(s.light_join_ms * 1e6))
    n = int(event[-1]) + 1 if len(event) else 0
    rise = np.full((n, 4), -1, np.int64)
    rise[event[::-1], sensor[::-1]] = x[::-1]  # backwards, so that the first rise of a sensor stays
    first = np.searchsorted(event, np.arange(n))
    return Lights(x[first], bi[first], rise, dropped)


def _rises(traces: Traces, channel: int, glitch_us: float) -> tuple[np.ndarray, np.ndarray, int]:
    mine = traces.channel == channel
    x, bi, level = traces.x[mine], traces.bi[mine], traces.level[mine]
    up = np.flatnonzero(level == 1)
    after = np.minimum(up + 1, len(x) - 1)
    width = x[after] - x[up]
    short = (after > up) & (level[after] == 0) & (width < glitch_us * 1000) & (bi[after] == bi[up])
    return x[up[~short]], bi[up[~short]], int(short.sum())


def _join(x: np.ndarray, join_ns: int) -> np.ndarray:
    """Event number of each rise: an event holds what rises within join_ns of its first rise."""
    if len(x) == 0:
        return np.zeros(0, np.int64)
    new = np.concatenate([[True], np.diff(x) > join_ns])
    first = np.flatnonzero(new)
    last = np.concatenate([first[1:], [len(x)]]) - 1
    long = x[last] - x[first] > join_ns
    for begin, end in zip(first[long].tolist(), last[long].tolist(), strict=True):
        at = begin
        while x[end] - x[at] > join_ns:
            at = int(np.searchsorted(x, x[at] + join_ns, side="right"))
            new[at] = True
    return np.cumsum(new) - 1


def head_groups(rise: np.ndarray, wired: list[int], given) -> tuple[list[tuple[str, list[int]]], str]:
    """Heads as (name, sensor columns) and how that is known.

    What the site file states counts. Else sensors that were never seen apart speak for one head together: several heads
    light one spot, and a sensor that sees every head is no evidence for any one of them.
    """
    if not wired:
        return [], "no light sensor"
    if given:
        stated = [[c for c in columns if c in wired] for _, columns in given]
        left = [c for c in wired if not any(c in columns for columns in stated)]
        return _named([*stated, left], wired), "stated in the site file"
    lit = rise >= 0
    need = max(SEEN_APART, SEEN_APART_SHARE * len(rise))
    group = {c: c for c in wired}
    for i in wired:
        for j in wired:
            if j > i and (lit[:, i] != lit[:, j]).sum() < need:
                old, new = group[j], group[i]
                group = {c: new if g == old else g for c, g in group.items()}
    members = [[c for c in wired if group[c] == g] for g in sorted(set(group.values()))]
    return _named(members, wired), "seen apart in this log" if len(members) > 1 else "the sensors were never seen apart"


def _named(members: list[list[int]], wired: list[int]) -> list[tuple[str, list[int]]]:
    """Heads named for their sensors; "all" where one head stands for several sensors and there is no other."""
    members = [m for m in members if m]
    if len(members) == 1 and len(wired) > 1:
        return [("all", members[0])]
    return [("+".join(CHANNELS[FLASHES[c]] for c in m), m) for m in members]


def head_rises(rise: np.ndarray, heads: list[tuple[str, list[int]]]) -> np.ndarray:
    """(n, heads): first rise of any sensor of each head, ns; -1 dark."""
    out = np.full((len(rise), len(heads)), -1, np.int64)
    for k, (_, columns) in enumerate(heads):
        part = rise[:, columns]
        first = np.where(part >= 0, part, np.iinfo(np.int64).max).min(axis=1) if len(rise) else part[:, 0]
        out[:, k] = np.where((part >= 0).any(axis=1), first, -1)
    return out
