"""The starts of the board that belong to a night, as a recording of their own."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..fields import RECORDING
from ..logfile.recording import Recording


def starts_of(rec: Recording, clock: Any, window_utc_us: tuple[int, int] | None) -> tuple[Recording, np.ndarray]:
    """The whole starts (boots) that reach into the window, numbered from 0, and their numbers in `rec`.

    Nothing is cut: a start that began before the window comes with all its edges, so that levels and clock seconds
    stay complete. None: every start. A start whose time of day is unknown lies in no window.
    """
    numbers = rec.boots["boot"].to_numpy(np.int64)
    if window_utc_us is None:
        return rec, numbers
    first, last = (rec.boots[name].to_numpy(np.int64) for name in ("first_ns", "last_ns"))
    known = np.array([state != "unknown" for state in clock.state], bool)
    lo, hi = clock.utc_us(numbers, first), clock.utc_us(numbers, np.maximum(first, last))
    kept = numbers[known & (hi >= window_utc_us[0]) & (lo < window_utc_us[1])]
    new = np.full(len(numbers), -1, np.int64)
    new[kept] = np.arange(len(kept))
    parts = {}
    for name, columns in RECORDING.items():
        rows = getattr(rec, name)
        if "boot" in columns:
            boot = new[rows["boot"].to_numpy(np.int64)]
            rows = rows[boot >= 0].assign(boot=boot[boot >= 0].astype(columns["boot"])).reset_index(drop=True)
        parts[name] = rows
    return Recording(**parts, headers=rec.headers, source=rec.source), kept


def span_of(rec: Recording) -> tuple[np.ndarray, np.ndarray]:
    """First and last moment of each start, ns of board time (int64), wide enough for all its edges."""
    first, last = (rec.boots[name].to_numpy(np.int64).copy() for name in ("first_ns", "last_ns"))
    boot, t_ns = rec.edges["boot"].to_numpy(np.int64), rec.edges["t_ns"].to_numpy(np.int64)
    np.minimum.at(first, boot, t_ns)
    np.maximum.at(last, boot, t_ns)
    return first, np.maximum(first, last)


def count(n: int, one: str, many: str) -> str:
    """'1 start', '2,000 starts'."""
    return f"{n:,} {one if n == 1 else many}"
