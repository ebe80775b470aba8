"""What every reader hands on: the tables of `fields.RECORDING`, in board time, with nothing interpreted yet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sized
from dataclasses import dataclass, field
from functools import cache, partial

import numpy as np
import pandas as pd

from duskgate.fields import BOOT_CAUSES, NOTE_KINDS, READING_KINDS, RECORDING

# Why the logger could not see for a while.
OVERRUN, MISSING, STORE = "stamper overrun", "missing blocks", "store full"
UNKNOWN_LEVEL = "level unknown"  # captures: the instrument itself did not know

CATEGORIES: dict[tuple[str, str], tuple[str, ...]] = {
    ("readings", "kind"): READING_KINDS,
    ("notes", "what"): tuple(NOTE_KINDS.values()),
    ("blind", "why"): (OVERRUN, MISSING, STORE, UNKNOWN_LEVEL),
    ("boots", "cause"): tuple(BOOT_CAUSES.values()),
}


def table(name: str, **columns: Sized) -> pd.DataFrame:
    """A table of `fields.RECORDING` with every column in its order and type; columns not given are empty.

    Text of a category column is turned into the fixed categories of that column.
    """
    if not any(map(len, columns.values())):
        return _empty(name).copy()  # made anew, the four of a plain log take 3 ms, copied 0.7
    return _made(name, columns)


@cache
def _empty(name: str) -> pd.DataFrame:
    return _made(name, {})


def _made(name: str, columns: Mapping[str, object]) -> pd.DataFrame:
    out = {}
    for column, dtype in RECORDING[name].items():
        values = columns.get(column, ())
        if dtype == "category":
            out[column] = values if isinstance(values, pd.Categorical) else category(name, column, values)
        elif dtype == "object":
            out[column] = pd.Series(values, dtype=object)
        else:
            out[column] = np.asarray(values, dtype=dtype)
    return pd.DataFrame(out, copy=False)


def category(name: str, column: str, values: object) -> pd.Categorical:
    """Category values of a column, with every word that `fields` allows for it."""
    return pd.Categorical(pd.Series(values, dtype=object), categories=list(CATEGORIES[(name, column)]))


def coded(name: str, column: str, codes: np.ndarray) -> pd.Categorical:
    """A category column from the codes of its fixed words (-1: none), without touching text row by row."""
    return pd.Categorical.from_codes(codes, categories=list(CATEGORIES[(name, column)]))


def problem(file: str, offset: int, size: int, what: str) -> dict:
    """One row of the problems table: `what` is a sentence; offset -1 where no single place is meant."""
    return {"file": file, "offset": offset, "bytes": size, "what": what}


def problems_table(rows: Iterable[dict]) -> pd.DataFrame:
    """Rows of (file, offset, bytes, what) as the table of problems."""
    rows = list(rows)
    return table("problems", **{column: [row[column] for row in rows] for column in RECORDING["problems"]})


@dataclass
class Recording:
    """Tables as `fields.RECORDING` names them; times are ns of board time since the start of their boot.

    `pulses` has a row per light pulse: `t_ns` of the FLASH edge, `flash` the mask of the FLASH inputs that changed (bit
    0 = FLASH1), `start_ns` of the first sample relative to the edge, `codes` a np.uint16 array, one every `step_ns`;
    not `complete`: only what stands before the first record that is missing.

    `boots` has one row per boot, in time order; `boot` elsewhere is its row number. `headers` are the headers of
    the log files (with the host clock readings of the pull), `source` the files read.
    """

    edges: pd.DataFrame = field(default_factory=partial(table, "edges"))
    readings: pd.DataFrame = field(default_factory=partial(table, "readings"))
    notes: pd.DataFrame = field(default_factory=partial(table, "notes"))
    chatter: pd.DataFrame = field(default_factory=partial(table, "chatter"))
    blind: pd.DataFrame = field(default_factory=partial(table, "blind"))
    boots: pd.DataFrame = field(default_factory=partial(table, "boots"))
    pulses: pd.DataFrame = field(default_factory=partial(table, "pulses"))
    problems: pd.DataFrame = field(default_factory=partial(table, "problems"))
    headers: list[dict] = field(default_factory=list)
    source: list[str] = field(default_factory=list)

    @property
    def damaged(self) -> bool:
        """Whether anything of the log could not be read."""
        return len(self.problems) > 0

    def reading(self, kind: str) -> pd.DataFrame:
        """The rows of one kind of reading, in the order of boots and time."""
        return self.readings[self.readings["kind"] == kind]


def merge(recordings: Iterable[Recording]) -> Recording:
    """One recording out of several that follow each other in time; boots are numbered through."""
    recordings = list(recordings)
    parts: dict[str, list[pd.DataFrame]] = {name: [] for name in RECORDING}
    shift = 0
    for rec in recordings:
        for name, tables in parts.items():
            frame: pd.DataFrame = getattr(rec, name)
            if "boot" in frame.columns and shift:
                frame = frame.assign(boot=(frame["boot"] + shift).astype(RECORDING[name]["boot"]))
            tables.append(frame)
        shift += len(rec.boots)
    joined = {name: _concat(name, tables) for name, tables in parts.items()}
    return Recording(
        **joined,
        headers=[header for rec in recordings for header in rec.headers],
        source=[name for rec in recordings for name in rec.source],
    )


def _concat(name: str, tables: list[pd.DataFrame]) -> pd.DataFrame:
    tables = [frame for frame in tables if len(frame)]
    if not tables:
        return table(name)
    return pd.concat(tables, ignore_index=True).astype(RECORDING[name])
