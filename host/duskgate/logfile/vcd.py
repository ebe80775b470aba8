"""Reads value change dumps (VCD, IEEE 1364-2005 clause 18) in which scalar variables carry the channels' names.

Value 1 means active (beam broken, contact closed, light seen) unless the caller says which wires are active low.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from duskgate.errors import UsageError, shown
from duskgate.fields import READING_KINDS
from duskgate.logfile.captures import SIGNALS, finish
from duskgate.logfile.recording import UNKNOWN_LEVEL, Recording, coded, table
from duskgate.logfile.spells import frame, sorted_table

UNITS_FS = {"s": 10**15, "ms": 10**12, "us": 10**9, "ns": 10**6, "ps": 10**3, "fs": 1}
FS_PER_NS = 10**6
LATEST_NS = 1 << 52  # some 52 days, as in edges.csv
COMMENT = re.compile(rb"(?<!\S)\$comment(?!\S)")
SECTION = re.compile(rb"(?<!\S)\$(\w+)")
END = re.compile(rb"(?<!\S)\$end(?!\S)")
VECTOR = re.compile(rb"(?<!\S)[bBrR]\S*\s+\S+")
TIMESCALE = re.compile(r"(10{0,2})\s*([munpf]?s)")
BODY_WORDS = (b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff", b"$end")
LONGEST = 24  # characters of a token that is a time or a scalar change
UNKNOWN = 2


@dataclass
class _Head:
    timescale_fs: int
    codes: dict[int, bytes]  # channel -> identifier code
    body_at: int


@dataclass
class _Body:
    tokens: np.ndarray  # (n, width) bytes
    first: np.ndarray  # first byte of each
    t_ns: np.ndarray  # time of each


def read_vcd(path: str | Path, low_mask: int = 0) -> Recording:
    """A dump as a Recording of one boot. low_mask: bit set where the wire of that channel is active low.

    A change from or to x or z is no edge: the time in which a level was unknown is a blind spell.
    Raises UsageError naming the line of what cannot be read.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}). Check the name and the access rights.") from error
    head = _read_head(path, data)
    tokens, first = _body(path, data, head.body_at)
    body = _Body(tokens, first, _times(path, data, head, tokens, first))
    return _recording(path, head, body, low_mask)


def _line(data: bytes, at: int) -> int:
    return data.count(b"\n", 0, max(at, 0)) + 1


def _read_head(path: Path, data: bytes) -> _Head:
    scale, codes, seen = 0, {}, []
    for match, stop in _sections(_without_comments(data)):
        word, text = match[1], data[match.end() : stop.start()].decode("latin-1").split()
        if word == b"enddefinitions":
            break
        if word == b"timescale":
            scale = _timescale(path, data, match.start(), " ".join(text))
        elif word == b"var":
            if len(text) < 4:
                raise UsageError(f"{path}, line {_line(data, match.start())}: a variable needs type, size, code, name.")
            name = re.sub(r"\[.*", "", text[3]).upper()
            seen.append(name)
            if name in SIGNALS:
                if text[1] != "1":
                    where = f"{path}, line {_line(data, match.start())}"
                    width = shown(text[1], 20)
                    raise UsageError(f"{where}: {name} is {width} bits wide; a channel must be a single bit.")
                codes.setdefault(SIGNALS.index(name), text[2].encode("latin-1"))
    else:
        raise UsageError(f"{path}: this is not a value change dump ($enddefinitions is missing).")
    if not scale:
        raise UsageError(f"{path}: $timescale is missing, so the times have no unit.")
    if not codes:
        found = ", ".join(shown(name, 40) for name in seen[:8]) or "none"
        raise UsageError(f"{path}: no variable is named as a channel ({', '.join(SIGNALS)}); found: {found}.")
    return _Head(scale, codes, stop.end())


def _sections(data: bytes, begin: re.Pattern[bytes] = SECTION) -> Iterator[tuple[re.Match[bytes], re.Match[bytes]]]:
    """Begin and end of each `$word ... $end`. One pass: what has no end is looked for once, not from every word."""
    at = 0
    while (word := begin.search(data, at)) and (stop := END.search(data, word.end())):
        yield word, stop
        at = stop.end()


def _without_comments(data: bytes) -> bytes:
    """Comments blanked, because they may hold words that look like sections; every offset and line stays."""
    out, at = [], 0
    for word, stop in _sections(data, COMMENT):
        out += [data[at : word.start()], re.sub(rb"\S", b" ", data[word.start() : stop.end()])]
        at = stop.end()
    return b"".join([*out, data[at:]])


def _timescale(path: Path, data: bytes, at: int, text: str) -> int:
    match = TIMESCALE.fullmatch(text)
    if not match:
        raise UsageError(f"{path}, line {_line(data, at)}: timescale {text[:20]!r} is not 1, 10 or 100 of s to fs.")
    return int(match[1]) * UNITS_FS[match[2]]


def _body(path: Path, data: bytes, at: int) -> tuple[np.ndarray, np.ndarray]:
    """Tokens as fixed-width bytes (n, width) and their first bytes; vectors and comments left out."""
    body = data[at:]
    if b"$comment" in body:
        body = _without_comments(body)
    body = VECTOR.sub(b" ", body)
    words = body.split()
    width = max(map(len, words), default=1)
    if width > LONGEST:
        raise _bad_token(path, data, at, max(words, key=len))
    tokens = np.array(words, dtype=f"S{width}").view(np.uint8).reshape(len(words), width)
    first = tokens[:, 0] if len(words) else np.empty(0, np.uint8)
    wrong = ~np.isin(first, np.frombuffer(b"#01xXzZ$", np.uint8))
    if wrong.any():
        raise _bad_token(path, data, at, words[int(np.argmax(wrong))])
    for i in np.flatnonzero(first == ord("$")).tolist():
        if words[i] not in BODY_WORDS:
            raise _bad_token(path, data, at, words[i])
    return tokens, first


def _bad_token(path: Path, data: bytes, at: int, token: bytes) -> UsageError:
    whole = rb"(?!\S)" if len(token) <= LONGEST else b""
    match = re.compile(rb"(?<!\S)" + re.escape(token[:LONGEST]) + whole).search(data, at)
    line = _line(data, match.start() if match else at)
    return UsageError(f"{path}, line {line}: {token[:30].decode('latin-1')!r} is neither a time nor a value change.")


def _times(path: Path, data: bytes, head: _Head, tokens: np.ndarray, first: np.ndarray) -> np.ndarray:
    """ns of every token: of the time mark before it, 0 before the first."""
    marks = np.flatnonzero(first == ord("#"))
    value = np.zeros(len(marks), np.int64)
    # at least one column, also where every word of the body is one byte long: a bare "#" then is a time without digits
    digits = np.pad(tokens[marks, 1:], ((0, 0), (0, 1)))
    known = digits != 0
    bad = ~((digits >= 48) & (digits <= 57)) & known
    if len(marks) and (bad.any() or not known[:, 0].all()):
        at = marks[int(np.argmax(bad.any(axis=1) | ~known[:, 0]))]
        raise _bad_token(path, data, head.body_at, bytes(tokens[at]).rstrip(b"\0"))
    if len(marks) and known[:, 18:].any():
        raise UsageError(f"{path}: a time has more than 18 digits; write the dump with a coarser timescale.")
    for column in range(digits.shape[1]):
        value = np.where(known[:, column], value * 10 + digits[:, column].astype(np.int64) - 48, value)
    if len(value) and (np.diff(value) < 0).any():
        at = marks[int(np.argmax(np.diff(value) < 0)) + 1]
        text = bytes(tokens[at]).rstrip(b"\0").decode()
        raise UsageError(f"{path}: time goes back at {text}; a dump must be in time order.")
    ns = _to_ns(path, value, head.timescale_fs)
    owner = np.cumsum(first == ord("#"))
    return np.concatenate([[0], ns])[owner] if len(first) else np.empty(0, np.int64)


def _to_ns(path: Path, value: np.ndarray, scale_fs: int) -> np.ndarray:
    if scale_fs >= FS_PER_NS:
        factor = scale_fs // FS_PER_NS
        latest, ns = LATEST_NS // factor, value * factor
    else:
        divisor = FS_PER_NS // scale_fs
        latest, ns = LATEST_NS * divisor, (value + divisor // 2) // divisor
    if len(value) and int(value[-1]) > latest:
        raise UsageError(f"{path}: its times reach beyond 52 days; is the timescale right?")
    return ns


def _recording(path: Path, head: _Head, body: _Body, low_mask: int) -> Recording:
    tokens, first, time = body.tokens, body.first, body.t_ns
    changes = np.isin(first, np.frombuffer(b"01xXzZ", np.uint8))
    level = np.full(len(first), UNKNOWN, np.int8)
    level[first == ord("0")], level[first == ord("1")] = 0, 1
    parts, gone, known_at = [], [], [np.empty(0, np.int64)]
    states: dict[int, tuple[np.ndarray, np.ndarray]] = {}
    end = int(time[-1]) if len(time) else 0
    for channel, code in sorted(head.codes.items()):
        mine = np.flatnonzero(changes & _is_code(tokens, code))
        t, value = time[mine], level[mine]
        value = np.where(value == UNKNOWN, UNKNOWN, value ^ (low_mask >> channel & 1)).astype(np.int8)
        before = np.concatenate([[UNKNOWN], value[:-1]]) if len(value) else value
        edge = (value != before) & (value != UNKNOWN) & (before != UNKNOWN)
        parts.append((t[edge], np.full(edge.sum(), channel, np.int8), value[edge], mine[edge]))
        lost = np.flatnonzero((value == UNKNOWN) & (before != UNKNOWN))
        found = np.flatnonzero((value != UNKNOWN) & (before == UNKNOWN))
        known_at.append(t[found])
        back = np.searchsorted(found, lost)
        gone += [(int(t[i]), int(t[found[k]]) if k < len(found) else end) for i, k in zip(lost, back, strict=True)]
        states[channel] = (t, value)
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    order = np.lexsort((columns[3], columns[0]))
    t_ns, channel, value = (column[order] for column in columns[:3])
    edges = table("edges", boot=np.zeros(len(order), np.int32), t_ns=t_ns, channel=channel, level=value)
    rec = finish(edges, _levels(np.unique(np.concatenate(known_at)), states), np.zeros(1, np.int64), [str(path)])
    rec.boots = rec.boots.assign(first_ns=np.int64(time[0] if len(time) else 0), last_ns=np.int64(end))
    if gone:
        spells = np.array(sorted(set(gone)), np.int64)
        rec.blind = sorted_table([frame(np.zeros(len(spells)), spells[:, 0], spells[:, 1], UNKNOWN_LEVEL)])
    return rec


def _is_code(tokens: np.ndarray, code: bytes) -> np.ndarray:
    width = tokens.shape[1] - 1
    if len(code) > width:
        return np.zeros(len(tokens), bool)
    padded = np.frombuffer(code.ljust(width, b"\0"), np.uint8)
    out = tokens[:, 1] == padded[0]
    for column in range(1, width):
        out &= tokens[:, column + 1] == padded[column]
    return out


def _levels(times: np.ndarray, states: dict[int, tuple[np.ndarray, np.ndarray]]):
    """The active levels of all channels whenever one of them became known; unknown ones count as inactive."""
    mask = np.zeros(len(times), np.int64)
    for channel, (t, value) in states.items():
        at = np.searchsorted(t, times, side="right") - 1
        active = (at >= 0) & (value[np.maximum(at, 0)] == 1) if len(value) else np.zeros(len(times), bool)
        mask |= active.astype(np.int64) << channel
    kind = coded("readings", "kind", np.full(len(times), READING_KINDS.index("levels"), np.int8))
    zeros = np.zeros(len(times), np.int64)
    return table("readings", boot=zeros, t_ns=times, kind=kind, value=mask, index=zeros)
