"""Finds the good blocks in bytes that may be damaged anywhere (FORMAT.md section 3)."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field

import numpy as np

MAGIC = b"\xd6DG\n"
VERSION = 1
HEADER = struct.Struct("<4sBBHIIII")
HEADER_SIZE = HEADER.size
CHECKED = 20  # bytes of the header that the CRC covers
MAX_RECORDS = 508
RECORD_SIZE = 8
FIRST_VALUE_TAG = 0x40

BLOCK = np.dtype(
    [("stream", "i4"), ("pos", "i8"), ("n", "i4"), ("boot_id", "i8"), ("boot_no", "i8"), ("seq", "i8"), ("crc", "u4")]
)


@dataclass
class Damage:
    """A stretch without a good block: where, how long, and what stood at its first block magic."""

    pos: int
    size: int
    why: str


@dataclass
class Scan:
    blocks: np.ndarray  # of BLOCK, in the order of the bytes
    damage: list[Damage] = field(default_factory=list)


def scan(data: bytes | memoryview, stream: int = 0) -> Scan:
    """All good blocks of `data` and the stretches between them. One step per block or per false magic."""
    view, whole = memoryview(data), None if isinstance(data, memoryview) else data
    rows: list[tuple] = []
    damage: list[Damage] = []
    good_end, pos, why = 0, 0, ""
    while True:
        end = _good_run(view, pos, stream, rows)
        if end > pos:
            damage += _between(good_end, pos, why)
            good_end, pos, why = end, end, ""
        if view[pos : pos + len(MAGIC)] != MAGIC:
            if len(view) - pos < len(MAGIC):
                break
            whole = bytes(view) if whole is None else whole  # memoryview has no find; most logs need none
            pos = whole.find(MAGIC, pos)
            if pos < 0:
                break
        size, fault, row = _examine(view, pos, stream)
        if fault:
            why = why or fault
        if size:
            damage += _between(good_end, pos, "" if fault else why)
            if fault:
                damage.append(Damage(pos, size, fault))
            else:
                rows.append(row)
            good_end, why = pos + size, ""
            pos = good_end
        else:
            pos += 1
    damage += _between(good_end, len(view), why)
    return Scan(np.array(rows, dtype=BLOCK), damage)


def _between(good_end: int, pos: int, why: str) -> list[Damage]:
    return [Damage(good_end, pos - good_end, why)] if pos > good_end else []


def _good_run(view: memoryview, pos: int, stream: int, rows: list[tuple]) -> int:
    """Adds the good blocks that follow each other from `pos` on to `rows`; where they end.

    It tells nothing of what ends them: `_examine` does. A call for each block would take a tenth of all decoding.
    """
    unpack, crc32, size = HEADER.unpack_from, zlib.crc32, len(view)
    while size - pos >= HEADER_SIZE:
        magic, version, header_size, n, boot_id, boot_no, seq, crc = unpack(view, pos)
        end = pos + HEADER_SIZE + RECORD_SIZE * n
        if magic != MAGIC or version != VERSION or header_size != HEADER_SIZE or not 1 <= n <= MAX_RECORDS:
            break
        if not boot_id or end > size or view[pos + HEADER_SIZE + 6] >= FIRST_VALUE_TAG:
            break
        if crc32(view[pos + HEADER_SIZE : end], crc32(view[pos : pos + CHECKED])) != crc:
            break
        rows.append((stream, pos, n, boot_id, boot_no, seq, crc))
        pos = end
    return pos


def _examine(view: memoryview, pos: int, stream: int) -> tuple[int, str, tuple]:
    """(size to step over or 0, fault, row of BLOCK) of the block that may begin at `pos`."""
    if len(view) - pos < HEADER_SIZE:
        return 0, "a block's header is cut short", ()
    _, version, header_size, n, boot_id, boot_no, seq, crc = HEADER.unpack_from(view, pos)
    if version > VERSION:
        return _newer(view, pos), f"a block of log version {version}, newer than this program reads ({VERSION})", ()
    if version != VERSION or header_size != HEADER_SIZE or not 1 <= n <= MAX_RECORDS or not boot_id:
        return 0, "a block's header is damaged", ()
    end = pos + HEADER_SIZE + RECORD_SIZE * n
    if end > len(view):
        return 0, f"a block of {n} records is cut short", ()
    if zlib.crc32(view[pos + HEADER_SIZE : end], zlib.crc32(view[pos : pos + CHECKED])) != crc:
        return 0, f"the check of a block of {n} records does not fit", ()
    fault = "" if view[pos + HEADER_SIZE + 6] < FIRST_VALUE_TAG else "a block does not begin with a stamped record"
    return (0 if fault else end - pos), fault, (stream, pos, n, boot_id, boot_no, seq, crc)


def _newer(view: memoryview, pos: int) -> int:
    """Size of a newer version's block, or 0 where its check does not show that it has the shape we know."""
    _, _, header_size, n, _, _, _, crc = HEADER.unpack_from(view, pos)
    end = pos + header_size + RECORD_SIZE * n
    # no more records than a block of ours holds: a longer one claimed at every few bytes would take for ever to check
    if header_size < HEADER_SIZE or n > MAX_RECORDS or end > len(view):
        return 0
    right = zlib.crc32(view[pos + header_size : end], zlib.crc32(view[pos : pos + CHECKED])) == crc
    return end - pos if right else 0


def gather(streams: list[bytes | memoryview], blocks: np.ndarray) -> np.ndarray:
    """The records of the blocks, one after the other, as little-endian 64-bit words.

    Blocks of one size that follow each other without a gap, which is most of them, are taken in one piece.
    """
    if not len(blocks):
        return np.empty(0, "<u8")
    stream, pos, n = blocks["stream"], blocks["pos"], blocks["n"]
    size = HEADER_SIZE + RECORD_SIZE * n.astype(np.int64)
    joined = (stream[1:] == stream[:-1]) & (n[1:] == n[:-1]) & (pos[1:] == pos[:-1] + size[:-1])
    starts = np.concatenate([[0], np.flatnonzero(~joined) + 1])
    out = np.empty(int(n.sum(dtype=np.int64)), "<u8")
    bytes_out, at = out.view(np.uint8), 0
    for first, count in zip(starts.tolist(), np.diff(np.append(starts, len(blocks))).tolist(), strict=True):
        row = int(size[first])
        part = np.frombuffer(streams[stream[first]], np.uint8, count * row, int(pos[first])).reshape(count, row)
        end = at + count * (row - HEADER_SIZE)
        bytes_out[at:end].reshape(count, -1)[:] = part[:, HEADER_SIZE:]
        at = end
    return out
