"""A recording as a capture: `edges.csv` and `readings.csv`, which `logfile.captures` reads back the same.

Edges come back to the nanosecond. Of the readings those seven kinds come back that a capture knows. Times without sight
are written as growing `lost_edges`, because a capture has no other word for them.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..errors import UsageError
from ..fields import BOOT_CAUSES, CHANNELS
from ..logfile.captures import CAPTURE_KINDS, EDGE_HEADER, LATEST_US, READING_HEADER
from ..logfile.recording import Recording
from ..timebase.anchors import collect
from .starts import count, span_of

TAKEN_OVER = ("boot_cause", "battery_mv", "temp_c100", "levels")
ROUNDS = ("battery_mv", "temp_c100")  # a loss is dated back to the last of these, or to the last count

UNSURE = "clock second that the board was not sure of is"
UNSURE_MANY = "clock seconds that the board was not sure of are"


def capture_files(rec: Recording, counted: bool) -> tuple[dict[str, bytes], list[str]]:
    """Name -> content of the two files, and sentences on what they cannot hold.

    counted: the recording's own `lost_edges` readings follow the rules of a capture (they came from one); else they are
    made from its blind spells. Raises UsageError where a time is beyond what a capture may hold.
    """
    numbers = boot_numbers(rec)
    edges, readings = edge_rows(rec, numbers), reading_rows(rec, numbers, counted)
    latest = max(float(part["t_us"].max()) if len(part) else 0.0 for part in (edges, readings))
    if latest > LATEST_US:
        raise UsageError(
            "one start of the board lasted longer than the 52 days that a capture can hold: use --format csv"
        )
    return {"edges.csv": _csv(edges), "readings.csv": _csv(readings)}, not_held(rec, counted)


def boot_numbers(rec: Recording) -> np.ndarray:
    """The board's own count of its starts where it rises, as a capture demands; else 0, 1, .."""
    own = rec.boots["boot_no"].to_numpy(np.int64)
    rises = len(own) and own[0] >= 0 and own[-1] < 1 << 31 and bool((np.diff(own) > 0).all())
    return own if rises else np.arange(len(own))


def edge_rows(rec: Recording, numbers: np.ndarray) -> pd.DataFrame:
    """Columns boot, t_us, channel, level: every edge, in order of starts and time."""
    rows = rec.edges
    names = np.array(CHANNELS, dtype=object)[rows["channel"].to_numpy(np.int64)]
    values = (numbers[rows["boot"].to_numpy(np.int64)], rows["t_ns"].to_numpy() / 1000, names, rows["level"].to_numpy())
    return pd.DataFrame(dict(zip(EDGE_HEADER, values, strict=True)))


def reading_rows(rec: Recording, numbers: np.ndarray, counted: bool) -> pd.DataFrame:
    """Columns boot, t_us, kind, value, in order of starts, time and kind."""
    taken = rec.readings[rec.readings["kind"].isin([*TAKEN_OVER, *(["lost_edges"] if counted else [])])]
    parts = [*_statements(rec), tuple(taken[name].to_numpy() for name in ("boot", "t_ns", "kind", "value"))]
    parts += [*_clock_rows(rec), *([] if counted else [_loss_rows(rec)])]
    boot, t_ns, kind, value = (np.concatenate([np.asarray(part[i], object) for part in parts]) for i in range(4))
    boot, t_ns = boot.astype(np.int64), t_ns.astype(np.int64)
    rank = pd.Index(CAPTURE_KINDS).get_indexer(pd.Index(kind.astype(str)))
    order = np.lexsort((rank, t_ns, boot))  # stable: readings of one kind and moment keep their order
    columns = (numbers[boot[order]], t_ns[order] / 1000, kind[order], value[order].astype(np.int64))
    return pd.DataFrame(dict(zip(READING_HEADER, columns, strict=True)))


def _statements(rec: Recording) -> list[tuple]:
    """Why a start came and its first levels, where they are known and no reading says them."""
    first, _ = span_of(rec)
    codes = {word: code for code, word in BOOT_CAUSES.items()}
    cause = rec.boots["cause"].astype(object).map(lambda word: codes.get(word, 0)).to_numpy(np.int64)
    out = []
    for kind, value, known in (("boot_cause", cause, cause > 0), ("levels", *_first_levels(rec))):
        rows = np.setdiff1d(np.flatnonzero(known), rec.reading(kind)["boot"].to_numpy(np.int64))
        out.append((rows, first[rows], [kind] * len(rows), value[rows]))
    return out


def _first_levels(rec: Recording) -> tuple[np.ndarray, np.ndarray]:
    levels = rec.boots["levels"].to_numpy(np.int64)
    return levels, levels >= 0


def _clock_rows(rec: Recording) -> list[tuple]:
    """Clock seconds that the board itself was sure of, and host clock readings, of the log and of the pull."""
    out = []
    for boot, found in enumerate(collect(rec).boots):
        for kind, t_ns, us in (
            ("rtc_unix_ms", found.rtc_ns, found.rtc_us),
            ("host_unix_ms", found.host_ns, found.host_us),
        ):
            n = len(t_ns)
            out.append((np.full(n, boot), t_ns, [kind] * n, us // 1000))
    return out


def _loss_rows(rec: Recording) -> tuple:
    """A count that stands at both ends of each start and grows over every blind spell.

    A reader dates a loss back to the last reading before it, so the count also grows at each reading inside a spell.
    """
    first, last = span_of(rec)
    spells = _joined(rec.blind, first, last)
    rounds = rec.readings[rec.readings["kind"].isin(ROUNDS)]
    boots, times, grows = [], [], []
    for boot in range(len(first)):
        at = rounds["t_ns"].to_numpy()[rounds["boot"].to_numpy() == boot]
        t, grown = [np.array([first[boot], last[boot]])], [np.zeros(2, np.int64)]
        for lo, hi in spells[boot]:
            inside = np.unique(at[(at > lo) & (at < hi)])
            t.append(np.concatenate([[lo], inside, [hi]]))
            grown.append(np.concatenate([[0], np.ones(len(inside) + 1, np.int64)]))
        t, grown = np.concatenate(t), np.concatenate(grown)
        order = np.lexsort((-grown, t))  # where a spell ends at the end of a start, the growth comes first
        boots.append(np.full(len(t), boot))
        times.append(t[order])
        grows.append(grown[order])
    n = sum(map(len, times))
    empty = [np.empty(0, np.int64)]
    value = np.cumsum(np.concatenate([*empty, *grows]))
    return np.concatenate([*empty, *boots]), np.concatenate([*empty, *times]), ["lost_edges"] * n, value


def _joined(blind: pd.DataFrame, first: np.ndarray, last: np.ndarray) -> list[list[tuple[int, int]]]:
    """Per start its blind spells without overlap, inside the start."""
    out: list[list[tuple[int, int]]] = [[] for _ in first]
    rows = blind.sort_values(["boot", "from_ns"], kind="stable")
    for boot, begin, end in rows[["boot", "from_ns", "to_ns"]].to_numpy(np.int64).tolist():
        lo, hi = max(begin, int(first[boot])), min(end, int(last[boot]))
        mine = out[boot]
        if mine and lo <= mine[-1][1]:
            mine[-1] = (mine[-1][0], max(mine[-1][1], hi))
        elif hi > lo:
            mine.append((lo, hi))
    return out


def not_held(rec: Recording, counted: bool) -> list[str]:
    """Sentences on what of this recording a capture cannot say."""
    kinds = rec.readings["kind"].astype(str)
    others = int((~kinds.isin([*CAPTURE_KINDS])).sum())
    found = [
        (len(rec.notes), "notes"),
        (len(rec.chatter), "sums of the chatter guard (edges that were counted and not stored)"),
        (others, "readings of other kinds (state of the clock, faults, losses by cause)"),
    ]
    left = [f"{n} {what}" for n, what in found if n]
    said = [f"A capture has no place for {', '.join(left)}: they are not in it."] if left else []
    unsure = sum(boot.dropped for boot in collect(rec).boots)
    if unsure:
        seconds = count(unsure, UNSURE, UNSURE_MANY)
        said.append(f"{seconds} left out.")
    if len(rec.blind) and not counted:
        times = count(len(rec.blind), "time without sight is", "times without sight are")
        said.append(f"{times} told by growing lost_edges, which then counts steps and not the edges that were lost.")
    return said


def _csv(rows: pd.DataFrame) -> bytes:
    return rows.to_csv(index=False, lineterminator="\n", float_format="%.3f").encode("ascii")
