"""What an interrupted pull has got so far, kept until the pull is whole.

A file of pieces, each with a head of `<4sIIIII`: magic, segment, offset, length, CRC-32 of the bytes, CRC-32 of the
20 bytes before. It belongs to this program alone, lies in the logbook and goes away with the finished pull. A cut in
the middle of a write costs the last piece only.
"""

import os
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path

from ..errors import UsageError
from .safewrite import NO_LINK

MAGIC = b"part"
HEAD = struct.Struct("<4sIIIII")
HEAD_CHECKED = 20


@dataclass(frozen=True, slots=True)
class PartPiece:
    """Bytes of one segment from an offset on."""

    segment: int
    offset: int
    data: bytes


class PartFile:
    """Pieces in the order in which they came. Raises UsageError when the disk does not take them."""

    def __init__(self, path: Path):
        self.path = path

    def load(self) -> list[PartPiece]:
        """Every whole piece; what follows the last whole one is cut off, so that appending goes on there."""
        if self.path.is_symlink() or (self.path.exists() and not self.path.is_file()):
            raise UsageError(f"{self.path}: is not a file of ours but a link or a device: take it away and pull again")
        try:
            raw = self.path.read_bytes()
        except FileNotFoundError:
            return []
        except OSError as error:
            raise UsageError(f"{self.path}: cannot be read ({error.strerror}): check the access rights") from error
        pieces, end = _pieces_of(raw)
        if end < len(raw):
            with self._written("r+b") as file:
                file.truncate(end)
        return pieces

    def whole_pieces(self) -> list[PartPiece]:
        """Every whole piece; the file stays as it is. Nothing where it cannot be read."""
        try:
            return _pieces_of(self.path.read_bytes())[0]
        except OSError:
            return []

    def append(self, piece: PartPiece) -> None:
        """Add a piece; it is with the operating system when this returns."""
        head = HEAD.pack(MAGIC, piece.segment, piece.offset, len(piece.data), zlib.crc32(piece.data), 0)[:HEAD_CHECKED]
        with self._written("ab") as file:
            try:
                left = memoryview(head + struct.pack("<I", zlib.crc32(head)) + piece.data)
                while left:  # a disk that is nearly full takes a part and says so only at the next write
                    left = left[file.write(left) :]
            except OSError as error:
                raise UsageError(f"{self.path.parent}: no room to write ({error.strerror}): free some space") from error

    def remove(self) -> None:
        """Take the file away; no harm when there is none."""
        try:
            self.path.unlink(missing_ok=True)
        except OSError as error:
            raise UsageError(f"{self.path}: cannot be removed ({error.strerror}): check the access rights") from error

    def _written(self, mode: str):
        try:
            return open(self.path, mode, buffering=0, opener=_not_through_a_link)
        except OSError as error:
            raise UsageError(f"{self.path}: cannot be written ({error.strerror}): check the access rights") from error


def _not_through_a_link(path: str, flags: int) -> int:
    return os.open(path, flags | NO_LINK, 0o666)


def _pieces_of(raw: bytes) -> tuple[list[PartPiece], int]:
    """The whole pieces, and where the last of them ends."""
    pieces, end = [], 0
    while (found := _piece_at(raw, end)) is not None:
        pieces.append(found)
        end += HEAD.size + len(found.data)
    return pieces, end


def _piece_at(raw: bytes, at: int) -> PartPiece | None:
    if len(raw) - at < HEAD.size:
        return None
    magic, segment, offset, length, crc, check = HEAD.unpack_from(raw, at)
    if magic != MAGIC or zlib.crc32(raw[at : at + HEAD_CHECKED]) != check:
        return None
    data = raw[at + HEAD.size : at + HEAD.size + length]
    if len(data) != length or zlib.crc32(data) != crc:
        return None
    return PartPiece(segment, offset, data)
