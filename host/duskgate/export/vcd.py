"""A recording as a value change dump (IEEE 1364-2005, clause 18): one wire a channel, 1 ns, 1 means active.

A level that the logger could not know is `x`: between two starts of the board, while it was blind, and where its guard
counted edges instead of storing them. Every stamped edge stands as a change from 0 to 1 or back, also beside an `x`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from .. import __version__
from ..errors import UsageError
from ..fields import CHANNELS
from ..logfile.recording import Recording
from ..logfile.vcd import LATEST_NS
from .timeline import TimeLine, iso, lay_out

SIGNALS = CHANNELS[:7]
CODES = "!\"#$%&'"
INACTIVE, ACTIVE, X = 0, 1, 2
# what stands at one moment, in this order
BEGIN, RESTORE, EDGE, LOSE, END = range(5)


def vcd_bytes(rec: Recording, clock: Any, numbers: np.ndarray) -> tuple[bytes, list[str]]:
    """The dump, and sentences on how its starts were placed. `numbers`: of the starts in `clock`.

    Raises UsageError where there is nothing to dump, or more than 52 days of it.
    """
    if not len(rec.boots):
        raise UsageError("there is no start of the board to write")
    line = lay_out(rec, clock, numbers)
    if int(line.last_ns[-1]) > LATEST_NS:
        raise UsageError("the starts of the board span more than 52 days: name one night with --date")
    said = placing(line)
    channels = channels_of(rec)
    parts = [_channel_events(rec, line, channel) for channel in channels]
    t_ns, rank, order, token = (np.concatenate(column) for column in zip(*parts, strict=True))
    sorting = np.lexsort((order, rank, t_ns))
    return _head(line, said, channels) + _body(
        t_ns[sorting], token[sorting], len(channels), int(line.last_ns[-1])
    ), said


def channels_of(rec: Recording) -> list[int]:
    """Channels that a board had wired, or that have edges."""
    mask = int(np.bitwise_or.reduce(rec.boots["channel_mask"].to_numpy(np.int64)))
    seen = set(rec.edges["channel"].unique().tolist())
    if mask < 0:  # a capture does not say which channels it had
        mask = int(np.bitwise_or.reduce(np.maximum(rec.boots["levels"].to_numpy(np.int64), 0)))
        seen = seen or {0}
    return [c for c in range(len(SIGNALS)) if c in seen or mask >> c & 1]


def placing(line: TimeLine) -> list[str]:
    """Sentences on where the time line begins and how each start stands on it."""
    n = len(line.placed)
    zero = "unknown" if line.zero_utc_us is None else iso(line.zero_utc_us)
    said = [f"Time 0 is the begin of the first of {n} starts of the board, UTC {zero}." if n > 1
            else f"Time 0 is the begin of the board's start, UTC {zero}."]  # fmt: skip
    if n > 1:
        said.append("Within a start times are board time; each start stands where the UTC of its first record puts it.")
    for how, what in (("later", "moved behind the one before it, which its UTC touches"),
                      ("unknown", "without time of day: put 1 s behind the one before it")):  # fmt: skip
        found = [str(k) for k in range(1, n) if line.placed[k] == how]
        said += [f"Start {', '.join(found)}: {what}."] if found else []
    return said


def _head(line: TimeLine, said: list[str], channels: list[int]) -> bytes:
    date = "unknown" if line.zero_utc_us is None else iso(line.zero_utc_us)
    rows = [f"$date {date} $end", f"$version Duskgate {__version__} $end"]
    rows += [f"$comment {text} $end" for text in (*said, "1: beam broken, contact closed, light seen. x: not known.")]
    rows += [f"$comment start {k}: time = board time + {o} ns $end" for k, o in enumerate(line.offset_ns.tolist())]
    rows += ["$timescale 1 ns $end", "$scope module logger $end"]
    rows += [f"$var wire 1 {CODES[c]} {SIGNALS[c]} $end" for c in channels]
    return "\n".join([*rows, "$upscope $end", "$enddefinitions $end", ""]).encode("ascii")


def _body(t_ns: np.ndarray, token: np.ndarray, begins: int, end: int) -> bytes:
    """A time mark before the changes of each moment. The first `begins` of them are the values that the dump begins
    with."""
    new = np.flatnonzero(np.diff(t_ns, prepend=t_ns[0] - 1))
    marks = np.char.add(np.char.add(b"#", t_ns[new].astype("S20")), b"\n").astype(object)
    marks[0] += b"$dumpvars\n"
    text = b"".join(np.insert(token, [*new, begins], [*marks, b"$end\n"]).tolist())
    return text + (b"" if int(t_ns[-1]) == end else f"#{end}\n".encode())


def _channel_events(rec: Recording, line: TimeLine, channel: int) -> tuple[np.ndarray, ...]:
    """Moment, rank, order among equals and text of every change of one channel."""
    rows = np.flatnonzero(rec.edges["channel"].to_numpy() == channel)
    boot = rec.edges["boot"].to_numpy(np.int64)[rows]
    level = rec.edges["level"].to_numpy(np.int64)[rows]
    edge_t = rec.edges["t_ns"].to_numpy(np.int64)[rows] + line.offset_ns[boot]
    lo, hi = _spells(rec, line, channel)
    n, k = len(line.first_ns), len(lo)
    t_ns = np.concatenate([line.first_ns, hi, edge_t, lo, line.last_ns[:-1]])
    rank = np.repeat([BEGIN, RESTORE, EDGE, LOSE, END], [n, k, len(rows), k, n - 1])
    own = np.concatenate([np.zeros(n + k, np.int64), np.arange(len(rows)), np.zeros(k + n - 1, np.int64)])
    known = _level_at(rec, line, channel, (edge_t, level), np.concatenate([line.first_ns, hi]))
    dark = _inside(edge_t, lo, hi)
    after = np.concatenate([known, np.where(dark, X, level), np.full(k + n - 1, X)])
    wanted = np.concatenate([known, level, np.full(k + n - 1, X)])
    order = np.lexsort((own, rank, t_ns))
    before = np.empty(len(order), np.int64)
    before[order] = np.concatenate([[X], after[order][:-1]])
    token = _tokens(channel, rank == EDGE, before, wanted, after)
    tie = np.concatenate([np.full(n + k, channel), rows, np.full(k + n - 1, channel)])
    return t_ns, rank, tie, token


def _tokens(channel: int, edge: np.ndarray, before: np.ndarray, wanted: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Text of each event. An edge that does not follow from what stands before it is preceded by the other level, and
    that by an x, so that no reader sees a change there that nobody stamped."""
    code = CODES[channel].encode("ascii") + b"\n"
    zero, one, lost = (letter + code for letter in (b"0", b"1", b"x"))
    words = np.array([b"", lost, zero, one], dtype=object)
    other = edge & (before != 1 - wanted)
    first = words[np.where(other & (before != X), 1, 0)]
    second = words[np.where(other, 3 - wanted, 0)]  # the opposite level
    value = np.array([zero, one, lost], dtype=object)[wanted]
    return first + second + value + words[np.where(edge & (after == X), 1, 0)]


def _spells(rec: Recording, line: TimeLine, channel: int) -> tuple[np.ndarray, np.ndarray]:
    """Begin and end, ns of the line, of times in which the channel's level was not known; they do not overlap."""
    sums = rec.chatter[rec.chatter["channel"] == channel]
    parts = [(rec.blind["boot"], rec.blind["from_ns"], rec.blind["to_ns"]),
             (sums["boot"], sums["t_ns"], sums["t_ns"] + sums["span_ns"])]  # fmt: skip
    boot, lo, hi = (np.concatenate([np.asarray(part[i], np.int64) for part in parts]) for i in range(3))
    lo = np.maximum(lo + line.offset_ns[boot], line.first_ns[boot])
    hi = np.minimum(hi + line.offset_ns[boot], line.last_ns[boot])
    order = np.argsort(lo[hi > lo], kind="stable")
    lo, hi = lo[hi > lo][order], np.maximum.accumulate(hi[hi > lo][order])
    new = np.append(True, lo[1:] > hi[:-1])[: len(lo)]
    return lo[new], hi[np.append(new[1:], True)[: len(hi)]]


def _inside(t_ns: np.ndarray, lo: np.ndarray, hi: np.ndarray) -> np.ndarray:
    """Whether each moment lies inside a spell; its ends are outside."""
    at = np.searchsorted(lo, t_ns, side="left") - 1
    return (at >= 0) & (t_ns < hi[np.maximum(at, 0)]) if len(lo) else np.zeros(len(t_ns), bool)


def _level_at(
    rec: Recording, line: TimeLine, channel: int, edges: tuple[np.ndarray, np.ndarray], t_ns: np.ndarray
) -> np.ndarray:
    """The level just before whatever happens at each moment: the opposite of the start's next edge; without one, what
    the start's last edge left or what it began with; X where nothing says it."""
    edge_t, level = edges
    boot = np.searchsorted(line.first_ns, t_ns, side="right") - 1
    began = rec.boots["levels"].to_numpy(np.int64)
    out = np.where(began < 0, X, began >> channel & 1)[boot]
    at = np.searchsorted(edge_t, t_ns, side="left")
    earlier = np.maximum(at - 1, 0)
    if len(edge_t):
        has = (at > 0) & (edge_t[earlier] >= line.first_ns[boot])
        out = np.where(has, level[earlier], out)
        later = np.minimum(at, len(edge_t) - 1)
        has = (at < len(edge_t)) & (edge_t[later] <= line.last_ns[boot])
        out = np.where(has, 1 - level[later], out)
    return out
