"""Joins the pieces of segments that several pulls brought, so that a block split between two pulls is whole again."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field

from duskgate.logfile.container import Piece


@dataclass
class Stream:
    """Bytes that followed each other on the board, from one or more files."""

    parts: list[Piece] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    size: int = 0

    def append(self, piece: Piece) -> None:
        """Add the next piece of the same segment."""
        self.parts.append(piece)
        self.starts.append(self.size)
        self.size += len(piece.data)

    def joined(self) -> bytes | memoryview:
        """All pieces as one run of bytes."""
        if len(self.parts) == 1:
            return self.parts[0].data
        return b"".join(part.data for part in self.parts)

    def place(self, pos: int) -> tuple[str, int]:
        """File and offset in it of the stream's byte `pos`."""
        part = max(bisect_right(self.starts, pos) - 1, 0)
        return self.parts[part].file, self.parts[part].file_offset + pos - self.starts[part]


def assemble(pieces: Iterable[Piece]) -> list[Stream]:
    """Streams in the order of segments; pieces of unknown segment come last, each on its own.

    A piece that goes on exactly where another ended is joined to it. A piece that overlaps another is read on its
    own as well as used for what it adds, because either copy may be the damaged one; blocks found twice count once.
    """
    pieces = [piece for piece in pieces if len(piece.data)]
    known = sorted((p for p in pieces if p.segment is not None), key=lambda p: (p.segment, p.offset, -len(p.data)))
    streams: list[Stream] = []
    segment, end = None, -1
    for piece in known:
        last = piece.offset + len(piece.data)
        if piece.segment != segment or piece.offset > end:
            streams.append(Stream())
            segment, end = piece.segment, piece.offset
        elif piece.offset < end:
            alone = Stream()
            alone.append(piece)
            streams.insert(len(streams) - 1, alone)
        if last > end:
            skip = end - piece.offset
            streams[-1].append(
                Piece(piece.file, piece.file_offset + skip, piece.data[skip:], piece.segment, piece.offset + skip)
            )
            end = last
    for piece in pieces:
        if piece.segment is None:
            alone = Stream()
            alone.append(piece)
            streams.append(alone)
    return streams
