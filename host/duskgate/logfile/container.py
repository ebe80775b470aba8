"""Log files on the host: takes a `.dgl`, a bare segment or any damaged file apart into pieces of segments.

Layout: FORMAT.md section 6. Whatever is wrong with a file becomes a row of the problems table; only a file that
cannot be opened at all is an error.
"""

from __future__ import annotations

import hashlib
import json
import re
import struct
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from duskgate.errors import UsageError, shown
from duskgate.logfile.blocks import MAGIC as BLOCK_MAGIC
from duskgate.logfile.recording import problem

MAGIC = b"\xd6DG\x1a"
CONTAINER_VERSION = 1
SHOWN_SEGMENTS = 20
LONGEST_BOARD = 64
PREFIX = struct.Struct("<4sII")
SEGMENT_NAME = re.compile(r"(\d{8})\.(seg|out)")


@dataclass(frozen=True)
class Piece:
    """Consecutive bytes of one segment (None: unknown), lying at `file_offset` of `file`."""

    file: str
    file_offset: int
    data: memoryview
    segment: int | None = None
    offset: int = 0


@dataclass
class LogFile:
    name: str
    header: dict | None = None
    pieces: list[Piece] = field(default_factory=list)
    problems: list[dict] = field(default_factory=list)


def read_log_file(path: str | Path) -> LogFile:
    """Take one file apart. Raises UsageError when it cannot be opened (missing, a folder, no permission)."""
    path = Path(path)
    if path.is_dir():
        raise UsageError(f"{path}: this is a folder, not a log file. Name a .dgl file in it.")
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}). Check the name and the access rights.") from error
    return split(data, str(path))


def split(data: bytes, name: str) -> LogFile:
    """The same from bytes; `name` is used in problems and tells the segment number of a bare segment file."""
    log = LogFile(name)
    if not data:
        log.problems.append(problem(name, 0, 0, "the file is empty"))
        return log
    if data[:4] != MAGIC:
        match = SEGMENT_NAME.fullmatch(Path(name).name)
        log.pieces = [Piece(name, 0, memoryview(data), int(match[1]) if match else None)]
        return log
    log.header, body_at, reason = _read_header(data)
    if log.header is None:
        log.problems.append(problem(name, 0, body_at, f"the file's header is damaged ({reason}); the blocks were read"))
        log.pieces = [Piece(name, body_at, memoryview(data)[body_at:])]
        return log
    _check_version(log)
    _cut_pieces(log, data, body_at)
    return log


def _read_header(data: bytes) -> tuple[dict | None, int, str]:
    """Header, where the blocks begin, and why there is no header."""
    if len(data) < PREFIX.size:
        return None, len(data), "cut short"
    _, length, crc = PREFIX.unpack_from(data)
    end = PREFIX.size + length
    if end > len(data):
        return None, _first_block(data), "its length points beyond the end of the file"
    text = data[PREFIX.size : end]
    if zlib.crc32(text) != crc:
        return None, end if data[end : end + 4] == BLOCK_MAGIC else _first_block(data), "its check does not fit"
    try:
        header = json.loads(text.decode("utf-8"))
    except (ValueError, RecursionError):
        return None, end, "it is not JSON text"
    if not isinstance(header, dict):
        return None, end, "it is not a JSON object"
    return header, end, ""


def _first_block(data: bytes) -> int:
    at = data.find(BLOCK_MAGIC, PREFIX.size)
    return len(data) if at < 0 else at


def _check_version(log: LogFile) -> None:
    assert log.header is not None
    version = log.header.get("duskgate_log")
    if version != CONTAINER_VERSION:
        said = _version_words(version)
        text = f"the file's header has version {said}, this program knows {CONTAINER_VERSION}; the blocks were read"
        log.problems.append(problem(log.name, 0, 0, text))


def _version_words(version: object) -> str:
    return str(version) if type(version) is int and abs(version) < 1 << 48 else repr(shown(version, 20))


def _cut_pieces(log: LogFile, data: bytes, at: int) -> None:
    """Cut the bytes after the header as the header's list says; what the list does not cover is a piece of its own."""
    assert log.header is not None
    view, said, start = memoryview(data), _listed_pieces(log.header), at
    for segment, offset, size, _ in said:
        log.pieces.append(Piece(log.name, at, view[at : at + size], segment, offset))
        at += size
    if at < len(data):
        log.pieces.append(Piece(log.name, at, view[at:]))
        text = f"{len(data) - at} bytes at the end are not in the file's own list of pieces; their blocks were read"
        log.problems.append(problem(log.name, at, len(data) - at, text))
    elif at > len(data):
        log.problems.append(problem(log.name, len(data), 0, f"the file ends {at - len(data)} bytes too early"))
    digest = log.header.get("sha256")
    if at == len(data) and isinstance(digest, str) and hashlib.sha256(view[start:]).hexdigest() != digest.lower():
        log.problems.append(problem(log.name, start, len(data) - start, _changed(log.pieces, said)))


def _listed_pieces(header: dict) -> list[tuple[int, int, int, int]]:
    """(segment, offset, bytes, crc) of each listed piece, up to the first entry that makes no sense."""
    out = []
    entries = header.get("pieces")
    for entry in entries if isinstance(entries, list) else ():
        try:
            values = tuple(entry[key] for key in ("segment", "offset", "bytes", "crc"))
        except (KeyError, TypeError, IndexError):
            break
        if not all(isinstance(value, int) and 0 <= value < 1 << 48 for value in values):
            break
        out.append(values)
    return out


def _changed(pieces: Iterable[Piece], said: list[tuple[int, int, int, int]]) -> str:
    bad = [str(piece.segment) for piece, entry in zip(pieces, said, strict=False) if zlib.crc32(piece.data) != entry[3]]
    more = f" and {len(bad) - SHOWN_SEGMENTS} more" if len(bad) > SHOWN_SEGMENTS else ""
    where = f" (segment {', '.join(bad[:SHOWN_SEGMENTS])}{more})" if bad else ""
    return f"the bytes after the header are not those that were pulled{where}; good blocks were read"


def board_of(header: dict | None) -> str | None:
    """The board's id in a header, or None where it states none that could be one."""
    board = header.get("board") if header else None
    if not isinstance(board, str) or not 0 < len(board) <= LONGEST_BOARD:
        return None
    return board.lower() if board.isascii() and board.isprintable() else None
