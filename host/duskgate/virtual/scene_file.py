"""The scene file: what the virtual board's inputs do, and when.

First line: a JSON header. Then records of 16 bytes `<QII`: time in nanoseconds by the board's own crystal since the
scene's start, what happens, and a value. Sorted by time.
"""

import json
from pathlib import Path

import numpy as np

from ..errors import UsageError

RECORD = np.dtype([("t_ns", "<u8"), ("what", "<u4"), ("value", "<u4")])
LEVELS, CLOCK_SECOND, SUPPLY_MV, TEMP_C100, RESET, LOSE, CLOCK_STATE, BUTTON, FIFO_DROP, CLOCK_AHEAD = range(10)


def records(t_ns, what: int, value) -> np.ndarray:
    """(n,) array of dtype RECORD; a negative value is written in two's complement."""
    t_ns = np.atleast_1d(np.asarray(t_ns, dtype=np.int64))
    out = np.zeros(len(t_ns), RECORD)
    out["t_ns"] = t_ns
    out["what"] = what
    out["value"] = np.asarray(value, dtype=np.int64) & 0xFFFFFFFF
    return out


def in_order(parts: list[np.ndarray]) -> np.ndarray:
    """All records by time; at one instant in the order in which the parts were given."""
    rows = np.concatenate(parts)
    return rows[np.argsort(rows["t_ns"], kind="stable")]


def write(path: Path, header: dict, rows: np.ndarray) -> None:
    """Write a scene file: one line of JSON, then the records."""
    line = json.dumps({"scene": 1, **header}, separators=(",", ":"))
    path.write_bytes(line.encode("ascii") + b"\n" + rows.astype(RECORD).tobytes())


def read(path: Path) -> tuple[dict, np.ndarray]:
    """Header and records of a scene file. UsageError with what is wrong."""
    line, newline, body = path.read_bytes().partition(b"\n")
    try:
        header = json.loads(line)
    except ValueError:
        header = None
    if not newline or not isinstance(header, dict) or header.get("scene") != 1:
        raise UsageError(f"{path} is not a scene file of version 1: its first line is no scene header")
    if len(body) % RECORD.itemsize:
        raise UsageError(f"{path} ends inside a record of {RECORD.itemsize} bytes: write the scene again")
    return header, np.frombuffer(body, RECORD)


def level_records(channel: np.ndarray, start_ns: np.ndarray, end_ns: np.ndarray) -> np.ndarray:
    """Level records of closed intervals on channels: overlapping ones of a channel count as one, and changes of several
    channels at one instant make one record. Channel 0..6, times int64; a last change of no channel is left out."""
    t = np.concatenate([start_ns, end_ns])
    bit = np.concatenate([channel, channel]).astype(np.int64)
    step = np.concatenate([np.ones(len(start_ns), np.int64), -np.ones(len(end_ns), np.int64)])
    order = np.argsort(t, kind="stable")
    t, bit, step = t[order], bit[order], step[order]
    last = np.append(np.diff(t) > 0, True)
    value = np.zeros(int(last.sum()), np.int64)
    for ch in np.unique(bit):
        held = np.cumsum(np.where(bit == ch, step, 0))[last] > 0
        value |= held.astype(np.int64) << int(ch)
    t = t[last]
    new = np.concatenate([[value[0] != 0], value[1:] != value[:-1]]) if len(value) else np.zeros(0, bool)
    return records(t[new], LEVELS, value[new])


def edges(rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Edges that the level records hold: (t_ns int64, channel int8, level int8), in a log's order."""
    level = rows[rows["what"] == LEVELS]
    value = level["value"].astype(np.int64)
    change = value ^ np.concatenate([[0], value[:-1]])
    n, ch = np.nonzero(change[:, None] >> np.arange(7) & 1)
    return level["t_ns"].astype(np.int64)[n], ch.astype(np.int8), (value[n] >> ch & 1).astype(np.int8)
