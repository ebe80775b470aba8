"""Writes the golden bytes of FORMAT.md: blocks.json, requests.json, frames.json beside this file.

Written from FORMAT.md with struct and zlib alone; it shares no code with the board or the host. What it writes is
committed, and a test fails when this script would write something else.
"""

import json
import struct
import zlib
from itertools import pairwise
from pathlib import Path

HERE = Path(__file__).parent

# The CRC-32 used everywhere, by its published check value (catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC).
CRC_CHECK = {"of": "123456789", "is": 0xCBF43926}


def record(number: int, tag: int, extra: int) -> bytes:
    return struct.pack("<Q", number & 0xFFFFFFFFFFFF)[:6] + bytes([tag, extra])


def block(boot_id: int, boot_no: int, sequence: int, records: list[list[int]]) -> bytes:
    body = b"".join(record(*r) for r in records)
    head = bytes.fromhex("d644470a") + bytes([1, 24]) + struct.pack("<HIII", len(records), boot_id, boot_no, sequence)
    return head + struct.pack("<I", zlib.crc32(head + body)) + body


def request(ss: int, words: list[str]) -> bytes:
    body = f"({ss:02X} {' '.join(escape(word) for word in words)})".encode()
    return body + b"%04X\n" % (zlib.crc32(body) % 65536)


def escape(word: str) -> str:
    plain = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-~"
    return "".join(chr(b) if chr(b) in plain else f"%{b:02X}" for b in word.encode())


def frame(kind: int, ss: int, payload: bytes) -> bytes:
    head = b"\xe7\x9d" + struct.pack("<BBH", kind, ss, len(payload))
    return head + struct.pack("<H", zlib.crc32(head) % 65536) + payload + struct.pack("<I", zlib.crc32(payload))


def pulse_header(number: int, kept: int, peak: int, cut: int) -> int:
    return number | kept << 16 | peak << 28 | cut << 40


def nibbles_of(codes: list[int]) -> list[int]:
    found = [codes[0] // 256, codes[0] // 16 % 16, codes[0] % 16]
    for before, code in pairwise(codes):
        near = -7 <= code - before <= 7
        found += [code - before + 7] if near else [15, code // 256, code // 16 % 16, code % 16]
    return found


def numbered(nibbles: list[int], first: int) -> list[list[int]]:
    """Records 82 with 12 nibbles each, the first as the lowest."""
    rows = [nibbles[at : at + 12] for at in range(0, len(nibbles), 12)]
    return [[sum(n << 4 * k for k, n in enumerate(row)), 0x82, first + i] for i, row in enumerate(rows)]


# differences of 0, 7, -7, 8 and -8, and steps over most of the range
PULSE_CODES = [100, 100, 107, 100, 108, 100, 1100, 1090, 900, 500, 260, 130, 104, 101]
PULSE_NIBBLES = nibbles_of(PULSE_CODES)

BLOCKS = {
    "one levels record": (1, 1, 0, [[0, 0x02, 0x7F]]),
    "a boot statement": (
        0xDEADBEEF,
        12,
        0,
        [
            [0, 0x02, 0x7E],
            [12, 0x4A, 0],
            [1, 0x42, 0],
            [9, 0x40, 0],
            [125_000_000, 0x41, 0],
            [0x7F, 0x43, 0],
            [0xFF, 0x44, 0],
            [0x000100, 0x45, 0],
            [0x011C00, 0x46, 0],
            [2, 0x47, 0],
            [0x8F4B601866E6, 0x48, 0],
            [0x218A, 0x48, 1],
            [0x11223344, 0x49, 0],
        ],
    ),
    "largest tick, negative temperature": (
        0xFFFFFFFF,
        0xFFFFFFFF,
        0xFFFFFFFE,
        [[2**48 - 1, 0x03, 0], [-1234, 0x59, 0], [2**48 - 1, 0x52, 0], [0, 0x78, 255]],
    ),
    "a full block": (7, 3, 1029, [[16_777_215 * k, 0x01, k % 128] for k in range(508)]),
    "a light pulse in two groups": (
        0xDEADBEEF,
        12,
        7,
        [
            [5_000_000_000, 0x03, 0],
            [pulse_header(number=9, kept=14, peak=1100, cut=0), 0x80, 0b0001],
            [2000 | 4500 << 24, 0x81, 0],
            *numbered(PULSE_NIBBLES[:12], 0),
            [5_000_000_000, 0x03, 0],
            [9, 0x85, 0],
            *numbered(PULSE_NIBBLES[12:], 1),
        ],
    ),
    "what was missed of light pulses": (
        0xDEADBEEF,
        12,
        8,
        [[6_000_000_000, 0x03, 0], [3, 0x83, 0], [2, 0x83, 1], [1, 0x83, 2], [86_400_000_123, 0x84, 0]],
    ),
}
REQUESTS = {
    "no argument": (0x00, ["who"]),
    "numbers": (0x7F, ["get", "12", "4096", "28672"]),
    "two segments": (0x01, ["get", "12", "4096", "28672", "13", "0", "24"]),
    "text with spaces, signs and umlauts": (0xFF, ["note", "4", "2", "dew on head 2 (50%) - \u00fc"]),
    "empty argument": (0x10, ["note", "1", "0", ""]),
}
FRAMES = {
    "empty facts": (1, 0, b"{}"),
    "data": (2, 0xA5, struct.pack("<I", 1020) + bytes(range(256)) * 3),
    "largest data": (2, 1, struct.pack("<I", 0) + bytes(4092)),
    "end": (3, 0xFF, b'{"bytes": 1788, "crc": 2018365746}'),
    "end of a part": (3, 0x10, b'{"bytes": 24, "crc": 4294967295, "more": 2}'),
    "refused": (4, 9, '{"code": "verb", "text": "no such request: \u00fc"}'.encode()),
}


def text(rows: list[dict]) -> str:
    """JSON with one row a line, so that a difference shows where it is."""
    return "[\n" + ",\n".join(json.dumps(row) for row in rows) + "\n]\n"


def golden() -> dict[str, list[dict]]:
    """File name -> what stands in it."""
    return {
        "blocks.json": [
            {"what": what, "boot_id": b[0], "boot_no": b[1], "sequence": b[2], "records": b[3], "hex": block(*b).hex()}
            for what, b in BLOCKS.items()
        ],
        "requests.json": [
            {"what": what, "ss": ss, "words": words, "hex": request(ss, words).hex()}
            for what, (ss, words) in REQUESTS.items()
        ],
        "frames.json": [
            {"what": what, "kind": kind, "ss": ss, "payload": payload.hex(), "hex": frame(kind, ss, payload).hex()}
            for what, (kind, ss, payload) in FRAMES.items()
        ],
    }


if __name__ == "__main__":
    assert zlib.crc32(CRC_CHECK["of"].encode()) == CRC_CHECK["is"]
    for name, rows in golden().items():
        (HERE / name).write_text(text(rows))
