"""Several starts of the board on one time line, without touching the times within any of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from ..logfile.recording import Recording
from .starts import span_of

APART_NS = 1_000_000_000  # between a start whose time is unknown and what stands before it
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass
class TimeLine:
    """ns of the line = ns of board time + offset_ns[start]. first_ns and last_ns are ns of the line.

    zero_utc_us: UTC at 0 of the line, None where no start has a time of day. placed: per start "utc", "later" (its UTC
    would fall into the start before it, by the drift of the board's crystal) or "unknown" (no time of day).
    """

    offset_ns: np.ndarray
    first_ns: np.ndarray
    last_ns: np.ndarray
    placed: list[str]
    zero_utc_us: int | None


def lay_out(rec: Recording, clock: Any, numbers: np.ndarray) -> TimeLine:
    """0 of the line is the begin (tick 0) of the first start; each other start lies where the UTC of its first record
    says. `numbers`: of the starts in `clock`."""
    first, last = span_of(rec)
    offset, placed = np.zeros(len(first), np.int64), []
    zero_ns: int | None = None
    end = -1
    for k, number in enumerate(np.asarray(numbers).tolist()):
        known = clock.state[number] != "unknown"
        utc_ns = int(clock.utc_us(number, first[k])) * 1000 if known else 0
        start = int(first[k]) if k == 0 else end + APART_NS
        how = "unknown"
        if known:
            zero_ns = utc_ns - start if zero_ns is None else zero_ns
            wanted = utc_ns - zero_ns
            how = "utc" if wanted > end or k == 0 else "later"
            start = wanted if how == "utc" else end + 1
        offset[k] = start - int(first[k])
        end = int(last[k] + offset[k])
        placed.append(how)
    zero = None if zero_ns is None else zero_ns // 1000
    return TimeLine(offset, first + offset, last + offset, placed, zero)


def iso(utc_us: int) -> str:
    """2026-07-18T21:03:04.123456Z."""
    moment = EPOCH + timedelta(microseconds=int(utc_us))
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
