"""A recording cut to one night and laid on one axis: the arrays that every other module works on.

The axis `x` counts nanoseconds since the first boot shown. Inside a boot it differs from board time by a constant, so
intervals are exact; between boots it is as good as the clock, and boots never overlap on it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

APART_NS = 1_000_000_000  # boots are laid at least this far apart
BENCH = "bench"
BENCH_BEFORE_NS, BENCH_AFTER_NS, BENCH_SERIES_NS = 1_000_000_000, 2_000_000_000, 60_000_000_000
LOOK_BACK = 4096  # edges read for the levels at a cut before all of them are


@dataclass
class Traces:
    """Edges and statements of one night. Arrays of one length belong together; `bi` numbers the boots shown here."""

    clock: Any
    boot: np.ndarray  # number of each boot in the recording
    t0: np.ndarray  # first and last board time shown of each boot, ns
    t1: np.ndarray
    off: np.ndarray  # x = t + off
    known: np.ndarray  # whether the boot's place in UTC is known
    cause: list[str]
    first_levels: np.ndarray  # active levels at t0, -1 unknown
    masks: np.ndarray  # channels in use
    x: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    bi: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    channel: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int8))
    level: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int8))
    said_x: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))  # fresh statements of all levels
    said_bi: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    said: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    blind: np.ndarray = field(default_factory=lambda: np.zeros((0, 2), np.int64))
    blind_why: list[str] = field(default_factory=list)
    chatter: pd.DataFrame = field(default_factory=pd.DataFrame)  # with column x
    readings: pd.DataFrame = field(default_factory=pd.DataFrame)  # with columns x, bi
    notes: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def x0(self) -> np.ndarray:
        """Where each boot begins on the axis, ns, shape (boots,)."""
        return self.t0 + self.off

    @property
    def x1(self) -> np.ndarray:
        """Where each boot ends on the axis, ns, shape (boots,)."""
        return self.t1 + self.off

    def boot_index(self, x: np.ndarray) -> np.ndarray:
        """Which boot each moment of the axis belongs to (the one before it, for moments between boots)."""
        return np.clip(np.searchsorted(self.x0, x, side="right") - 1, 0, max(len(self.boot) - 1, 0))

    def utc_us(self, x: np.ndarray, bi: np.ndarray | None = None) -> np.ndarray:
        """UTC of moments of the axis."""
        x = np.asarray(x, np.int64)
        bi = self.boot_index(x) if bi is None else bi
        out = np.full(len(x), -1, np.int64)
        for k in np.unique(bi) if len(x) else ():
            mine = bi == k
            out[mine] = self.clock.utc_us(int(self.boot[k]), x[mine] - self.off[k])
        return out

    def t_ns(self, x: np.ndarray, bi: np.ndarray) -> np.ndarray:
        """Board time since boot (ns) of moments x (ns of the axis) in the boots of index bi."""
        return x - self.off[bi] if len(x) else np.zeros(0, np.int64)

    def used(self, channel: int) -> bool:
        """Whether a channel is in use in any boot shown: as the boots state, or else because it has edges."""
        stated = self.masks >= 0
        return bool((self.masks[stated] >> channel & 1).any()) or (
            not stated.all() and bool((self.channel == channel).any())
        )


def cut(rec: Any, clock: Any, window_utc_us: tuple[int, int] | None = None) -> Traces:
    """The part of a recording inside a window of UTC microseconds (all of it for None)."""
    boots = _boots(rec)
    shown = _shown(boots, clock, window_utc_us)
    traces = _lay_out(boots, clock, shown)
    _take_edges(traces, rec.edges, boots)
    _take_said(traces, rec.readings)
    _take_blind(traces, rec.blind)
    traces.chatter = _take_rows(traces, rec.chatter)
    traces.readings = _take_rows(traces, rec.readings)
    traces.notes = _take_rows(traces, rec.notes)
    _leave_out_bench(traces)
    return traces


def _leave_out_bench(traces: Traces) -> None:
    """Edges while the board itself fired the rig are no night's: that time counts as not watched."""
    r = traces.readings
    shots = np.sort(r["x"].to_numpy(np.int64)[(r["kind"] == "shot").to_numpy()]) if len(r) else np.zeros(0, np.int64)
    if len(shots) == 0:
        return
    first = np.concatenate([[True], np.diff(shots) > BENCH_SERIES_NS])
    last = np.concatenate([first[1:], [True]])
    lo = np.maximum(shots[first] - BENCH_BEFORE_NS, traces.x0[traces.boot_index(shots[first])])
    hi = np.minimum(shots[last] + BENCH_AFTER_NS, traces.x1[traces.boot_index(shots[last])])
    k = np.searchsorted(lo, traces.x, side="right") - 1
    keep = (k < 0) | (traces.x > hi[np.maximum(k, 0)])
    traces.x, traces.bi = traces.x[keep], traces.bi[keep]
    traces.channel, traces.level = traces.channel[keep], traces.level[keep]
    traces.blind = np.concatenate([traces.blind, np.column_stack([lo, hi])])
    traces.blind_why = [*traces.blind_why, *[BENCH] * len(lo)]


def _boots(rec: Any) -> dict[str, np.ndarray]:
    b = rec.boots
    return {
        "boot": b["boot"].to_numpy(np.int64),
        "t0": b["first_ns"].to_numpy(np.int64),
        "t1": b["last_ns"].to_numpy(np.int64),
        "levels": b["levels"].to_numpy(np.int64),
        "mask": b["channel_mask"].to_numpy(np.int64),
        "cause": np.asarray(b["cause"].astype(object).fillna("unknown"), object),
    }


def _shown(boots: dict, clock: Any, window: tuple[int, int] | None) -> list[tuple[int, int, int]]:
    """(row, first, last) of the boots inside the window, in board time."""
    rows = []
    for k, (boot, first, last) in enumerate(
        zip(boots["boot"].tolist(), boots["t0"].tolist(), boots["t1"].tolist(), strict=True)
    ):
        t0, t1 = first, max(first, last)
        if window is not None:
            u0, u1 = (int(v) for v in clock.utc_us(boot, np.array([t0, t1], np.int64)))
            if u1 < window[0] or u0 >= window[1]:
                continue
            t0 = _moment(clock, boot, first, t1, window[0]) if u0 < window[0] else t0
            t1 = _moment(clock, boot, t0, t1, window[1]) if u1 > window[1] else t1
        rows.append((k, t0, t1))
    return rows


def _moment(clock: Any, boot: int, lo: int, hi: int, utc_us: int) -> int:
    """First board time (to 1 us) at or after a UTC instant, by halving: the map of a boot is monotone."""
    while hi - lo > 1000:
        mid = (lo + hi) // 2
        if int(clock.utc_us(boot, np.array([mid], np.int64))[0]) >= utc_us:
            hi = mid
        else:
            lo = mid
    return hi


def _lay_out(boots: dict, clock: Any, shown: list[tuple[int, int, int]]) -> Traces:
    rows = np.array([r[0] for r in shown], np.int64)
    t0 = np.array([r[1] for r in shown], np.int64)
    t1 = np.array([r[2] for r in shown], np.int64)
    off = np.zeros(len(rows), np.int64)
    known = np.array([_is_known(clock, int(boots["boot"][r])) for r in rows], bool)
    origin, end = None, -APART_NS
    for k, row in enumerate(rows):
        start = end + APART_NS
        if known[k]:
            utc_ns = int(clock.utc_us(int(boots["boot"][row]), t0[k : k + 1])[0]) * 1000
            origin = utc_ns - start if origin is None else origin
            start = max(utc_ns - origin, start)
        off[k] = start - t0[k]
        end = start + t1[k] - t0[k]
    return Traces(
        clock,
        boots["boot"][rows],
        t0,
        t1,
        off,
        known,
        [str(boots["cause"][r]) for r in rows],
        boots["levels"][rows].copy(),
        boots["mask"][rows],
    )


def _is_known(clock: Any, boot: int) -> bool:
    state = getattr(clock, "state", None)
    if state is None:
        return True
    value = state(boot) if callable(state) else state[boot]
    return value != "unknown"


def _take_edges(traces: Traces, edges: pd.DataFrame, boots: dict) -> None:
    boot, t = edges["boot"].to_numpy(), edges["t_ns"].to_numpy(np.int64)
    channel, level = edges["channel"].to_numpy(), edges["level"].to_numpy()
    xs, bis, picks = [], [], []
    for k, number in enumerate(traces.boot.tolist()):
        a, b = np.searchsorted(boot, [number, number + 1])
        lo = a + np.searchsorted(t[a:b], traces.t0[k], side="left")
        hi = a + np.searchsorted(t[a:b], traces.t1[k], side="right")
        if lo > a and traces.first_levels[k] >= 0:
            traces.first_levels[k] = _levels_after(channel[a:lo], level[a:lo], int(traces.first_levels[k]))
        xs.append(t[lo:hi] + traces.off[k])
        bis.append(np.full(hi - lo, k, np.int64))
        picks.append(slice(lo, hi))
    if not xs:
        return
    traces.x, traces.bi = np.concatenate(xs), np.concatenate(bis)
    traces.channel = np.concatenate([channel[s] for s in picks]).astype(np.int8)
    traces.level = np.concatenate([level[s] for s in picks]).astype(np.int8)


def _levels_after(channel: np.ndarray, level: np.ndarray, start: int) -> int:
    """Levels after a run of edges that began with levels `start`."""
    late_channel, late_level = channel[-LOOK_BACK:], level[-LOOK_BACK:]
    for bit in range(7):
        at = np.flatnonzero(late_channel == bit)
        found = late_level
        if len(at) == 0 and len(channel) > LOOK_BACK:
            at, found = np.flatnonzero(channel == bit), level
        if len(at):
            start = (start & ~(1 << bit)) | (int(found[at[-1]]) << bit)
    return start


def _take_rows(traces: Traces, frame: pd.DataFrame) -> pd.DataFrame:
    """Rows of a table inside the boots shown, with the columns x and bi."""
    boot, t = frame["boot"].to_numpy(np.int64), frame["t_ns"].to_numpy(np.int64)
    if len(traces.boot) == 0 or len(frame) == 0:
        return frame.iloc[:0].assign(x=np.zeros(0, np.int64), bi=np.zeros(0, np.int64))
    k = np.clip(np.searchsorted(traces.boot, boot), 0, len(traces.boot) - 1)
    keep = (traces.boot[k] == boot) & (t >= traces.t0[k]) & (t <= traces.t1[k])
    k = k[keep]
    return frame[keep].assign(x=t[keep] + traces.off[k], bi=k)


def _take_said(traces: Traces, readings: pd.DataFrame) -> None:
    rows = _take_rows(traces, readings[readings["kind"] == "levels"])
    traces.said_x, traces.said_bi = rows["x"].to_numpy(np.int64), rows["bi"].to_numpy(np.int64)
    traces.said = rows["value"].to_numpy(np.int64)


def _take_blind(traces: Traces, blind: pd.DataFrame) -> None:
    spans, why = [], []
    for row in blind.itertuples(index=False):
        k = int(np.searchsorted(traces.boot, row.boot))
        if k >= len(traces.boot) or traces.boot[k] != row.boot:
            continue
        lo, hi = max(row.from_ns, traces.t0[k]), min(row.to_ns, traces.t1[k])
        if hi > lo:
            spans.append((lo + traces.off[k], hi + traces.off[k]))
            why.append(str(row.why))
    traces.blind = np.array(spans, np.int64).reshape(-1, 2)
    traces.blind_why = why
