"""An invented night of any number of edges: one night's scene, repeated in time within a single start of the board.

Only the edges and the minute readings are repeated; the supply goes on falling as slowly as it must not to fall below
the cut-off, the clock goes on. So a night of 100 repeats holds 100 times the edges, breaks, fires and minutes.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
from duskgate.logfile.recording import Recording
from duskgate.virtual import scenes

from tests.host.scene_recording import recording_of

PRESET, SEED = "border-night", 3


class SteadyClock:
    """UTC of a single start: its beginning and whole nanoseconds after it, known to 5 ms."""

    state = ("anchored",)
    notes = ()

    def __init__(self, start_utc_us: int):
        self.start_utc_us = start_utc_us

    def utc_us(self, boot, t_ns):
        """UTC (us) of board times (ns)."""
        return self.start_utc_us + np.asarray(t_ns, np.int64) // 1000

    def unc_us(self, boot, t_ns):
        """Uncertainty (us) of the same shape."""
        return np.full(np.shape(t_ns), 5000.0)


def long_night(edges: int, preset: str = PRESET, seed: int = SEED) -> SimpleNamespace:
    """`rec` and `clock` of a night of at least so many edges, cut to just that many."""
    scene = scenes.make(preset, seed)
    rec = recording_of(scene)
    if len(rec.boots) != 1:
        raise ValueError(f"{preset}: has resets, and a night that is repeated needs a single start")
    once = _closed(rec.edges)
    times = -(-edges // len(once))
    period = int(rec.boots["last_ns"].iloc[0]) + 1_000_000_008  # whole ticks of 72 ns, a second of rest between
    period -= period % 72
    all_edges = _repeated(once, times, period).iloc[:edges].reset_index(drop=True)
    readings = _repeated(rec.readings, times, period)
    shift = np.repeat(np.arange(times), len(rec.readings)) * (period // 1_000_000)
    readings["value"] += np.where(readings["kind"] == "rtc_unix_ms", shift, 0)
    boots = rec.boots.assign(last_ns=int(all_edges["t_ns"].iloc[-1]) + 1_000_000_000)
    readings = readings[readings["t_ns"] <= boots["last_ns"].iloc[0]].reset_index(drop=True)
    made = Recording(edges=all_edges, readings=readings, boots=boots, headers=[], source=["repeated"])
    return SimpleNamespace(rec=made, clock=SteadyClock(scene.start_utc_us))


def _closed(edges: pd.DataFrame) -> pd.DataFrame:
    """Without a last rise that no fall follows: each channel ends as it began, so that repeats alternate."""
    last = edges.groupby("channel", observed=True).tail(1)
    return edges.drop(last.index[last["level"] == 1]).reset_index(drop=True)


def _repeated(frame: pd.DataFrame, times: int, period_ns: int) -> pd.DataFrame:
    out = pd.concat([frame] * times, ignore_index=True)
    out["t_ns"] += np.repeat(np.arange(times, dtype=np.int64), len(frame)) * period_ns
    return out
