"""Walks over whole blocks to check them on arrival (FORMAT.md, section 3); decoding them is for the log file room."""

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

MAGIC = b"\xd6\x44\x47\x0a"
HEADER = struct.Struct("<4sBBHIIII")
CRC_COVERS = 20  # bytes of the header under the check
MAX_RECORDS = 508
RECORD = 8
TAG = 6
CLOCK_SECOND = 0x50
MOMENT = 0x03
# tags of the minute and hour statements: they say that the board lives, not that anything happened
HOUSEKEEPING = frozenset((MOMENT, 0x50, 0x51, 0x52, 0x53, 0x58, 0x59, 0x64, 0x79))


@dataclass(frozen=True, slots=True)
class Block:
    """One good block: where it stands, its length in bytes with header, its boot and its records."""

    offset: int
    size: int
    boot_id: int
    boot_no: int
    records: bytes

    @property
    def tags(self) -> bytes:
        """Tag of each record, one byte each."""
        return self.records[TAG::RECORD]


def block_at(data: bytes, at: int) -> Block | None:
    """The good block that begins at `at`, or None. A newer log version is good here: its bytes are kept as they are."""
    if len(data) - at < HEADER.size:
        return None
    magic, _version, header_size, n, boot_id, boot_no, _seq, crc = HEADER.unpack_from(data, at)
    start, end = at + HEADER.size, at + HEADER.size + RECORD * n
    if magic != MAGIC or header_size != HEADER.size or not 1 <= n <= MAX_RECORDS or end > len(data):
        return None
    records = data[start:end]
    if zlib.crc32(records, zlib.crc32(data[at : at + CRC_COVERS])) != crc:
        return None
    return Block(at, end - at, boot_id, boot_no, records)


def blocks(data: bytes) -> Iterator[Block]:
    """All good blocks in order; what lies between them is skipped to the next magic that opens one."""
    at = 0
    while at >= 0:
        block = block_at(data, at)
        if block is None:
            at = data.find(MAGIC, at + 1)
        else:
            yield block
            at += block.size


def sound_length(data: bytes) -> int:
    """Bytes of the unbroken run of good blocks at the beginning."""
    end = 0
    while (block := block_at(data, end)) is not None:
        end += block.size
    return end


def damaged_spans(data: bytes) -> list[tuple[int, int]]:
    """(offset, length) of everything that is not inside a good block."""
    spans = []
    end = 0
    for block in blocks(data):
        if block.offset > end:
            spans.append((end, block.offset - end))
        end = block.offset + block.size
    if end < len(data):
        spans.append((end, len(data) - end))
    return spans


def clock_seconds(data: bytes) -> list[int]:
    """Unix seconds (UTC) that the clock chip stated, in the order of the log."""
    found = []
    for block in blocks(data):
        tags = block.tags
        at = tags.find(CLOCK_SECOND)
        while at >= 0:
            found.append(int.from_bytes(block.records[RECORD * at : RECORD * at + 6], "little"))
            at = tags.find(CLOCK_SECOND, at + 1)
    return found


def quiet_moments(data: bytes) -> int | None:
    """Number of moments when the bytes hold nothing but housekeeping in good blocks, else None."""
    if sound_length(data) != len(data):
        return None
    moments = 0
    for block in blocks(data):
        if not HOUSEKEEPING.issuperset(block.tags):
            return None
        moments += block.tags.count(MOMENT)
    return moments
