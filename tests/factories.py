"""Writes valid (and, asked to, broken) records, blocks, segments and log files for tests.

Written from FORMAT.md, record by record, apart from the package's own reader: the two must agree on the bytes.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Iterable, Sequence

TICKS_PER_SECOND = 125_000_000 / 9
NS_PER_TICK = 72
LOW_MASK = 0x7F
BOARD = "e66138528350ab2c"


def u48(number: int) -> bytes:
    return (number & (1 << 48) - 1).to_bytes(6, "little")


def edge(tick: int, wire: int) -> bytes:
    return u48(tick) + bytes([0x01, wire])


def levels(tick: int, wire: int) -> bytes:
    return u48(tick) + bytes([0x02, wire])


def moment(tick: int) -> bytes:
    return u48(tick) + bytes([0x03, 0])


def value(tag: int, number: int, index: int = 0) -> bytes:
    return u48(number) + bytes([tag, index])


def boot_statement(
    tick: int = 0, wire: int = 0x7F, boot_no: int = 1, cause: int = 1, restated: bool = False, low_mask: int = LOW_MASK,
    cycles: int = 9, clock: int = 125_000_000, board: str = BOARD,
) -> list[bytes]:  # fmt: skip
    raw = bytes.fromhex(board).ljust(12, b"\0")
    out = [levels(tick, wire)]
    if restated:
        out.append(value(0x4B, 1))
    out += [value(0x4A, boot_no), value(0x42, cause), value(0x40, cycles), value(0x41, clock)]
    out += [value(0x43, low_mask), value(0x44, 0xF9), value(0x45, 0x000100), value(0x46, 0x011D00), value(0x47, 3)]
    out += [value(0x48, int.from_bytes(raw[:6], "little"), 0), value(0x48, int.from_bytes(raw[6:], "little"), 1)]
    return [*out, value(0x49, 0x12345678)]


def note(kind: int, head: int = 0, text: str = "") -> list[bytes]:
    raw = text.encode()
    parts = [raw[i : i + 6].ljust(6, b"\0") for i in range(0, len(raw), 6)]
    return [value(0x70, kind, head)] + [value(0x71, int.from_bytes(p, "little"), i) for i, p in enumerate(parts)]


def pulse(codes: Sequence[int], tick: int = 1000, number: int = 1, flash: int = 1, lead_ns: int = 128_000,
          cut: int = 0, per_group: int = 59) -> list[list[bytes]]:  # fmt: skip
    """A light pulse's groups of records, one sample every 2 us (FORMAT.md 2.5)."""
    nibbles: list[int] = []
    for before, code in zip([None, *codes], codes, strict=False):
        if before is not None and abs(code - before) <= 7:
            nibbles.append(code - before + 7)
        else:
            nibbles += ([] if before is None else [15]) + [code >> 8, code >> 4 & 15, code & 15]
    rows = [nibbles[at : at + 12] for at in range(0, len(nibbles), 12)]
    samples = [value(0x82, sum(n << 4 * k for k, n in enumerate(row)), i & 0xFF) for i, row in enumerate(rows)]
    header = number & 0xFFFF | len(codes) << 16 | max(codes, default=0) << 28 | cut << 40
    first = [moment(tick), value(0x80, header, flash), value(0x81, 2000 | lead_ns << 24), *samples[:per_group]]
    more = range(per_group, len(samples), per_group)
    return [first, *([moment(tick), value(0x85, number & 0xFFFF), *samples[at : at + per_group]] for at in more)]


def chatter(channel: int, edges: int, shortest: int, longest: int, active: int, span: int, end: int) -> list[bytes]:
    numbers = (edges, shortest, longest, active, span, end)
    return [value(0x68 + i, number, channel) for i, number in enumerate(numbers)]


def block(records: Iterable[bytes], boot_id: int = 0x1234, boot_no: int = 1, seq: int = 0, version: int = 1) -> bytes:
    body = b"".join(records)
    head = b"\xd6\x44\x47\x0a" + bytes([version, 24]) + (len(body) // 8).to_bytes(2, "little")
    head += boot_id.to_bytes(4, "little") + boot_no.to_bytes(4, "little") + seq.to_bytes(4, "little")
    return head + zlib.crc32(head + body).to_bytes(4, "little") + body


def blocks(records: Sequence[bytes], per_block: int = 480, **where) -> list[bytes]:
    """Records cut into blocks; a block ends early where the next record could not begin one."""
    out, at, seq = [], 0, where.pop("seq", 0)
    while at < len(records):
        end = min(at + per_block, len(records))
        while end < len(records) and records[end][6] >= 0x40:
            end -= 1
        assert end > at, "a stamped record has too many values for a block"
        out.append(block(records[at:end], seq=seq, **where))
        at, seq = end, seq + 1
    return out


def dgl(
    pieces: Sequence[tuple[int, int, bytes]], /, board: str = BOARD, host_clock: Sequence[dict] = (),
    pulled_utc_us: int = 1_750_000_000_000_000, **extra,
) -> bytes:  # fmt: skip
    """A log file of (segment, offset, bytes)."""
    body = b"".join(data for _, _, data in pieces)
    header = {
        "duskgate_log": 1, "board": board, "tool": "factory", "pulled_utc_us": pulled_utc_us, "who": {},
        "host_clock": list(host_clock), "sha256": hashlib.sha256(body).hexdigest(),
        "pieces": [{"segment": s, "offset": o, "bytes": len(d), "crc": zlib.crc32(d)} for s, o, d in pieces],
    }  # fmt: skip
    text = json.dumps({**header, **extra}).encode()
    sizes = len(text).to_bytes(4, "little") + zlib.crc32(text).to_bytes(4, "little")
    return b"\xd6\x44\x47\x1a" + sizes + text + body


def flip(data: bytes, at: int, bit: int = 0) -> bytes:
    out = bytearray(data)
    out[at] ^= 1 << bit
    return bytes(out)
