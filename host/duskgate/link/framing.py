"""Requests and frames of the link as bytes (FORMAT.md, sections 5.1 and 5.2). Pure: no port, no clock.

Every buffer is bounded: a reader never keeps more than one unfinished frame.
"""

import struct
import zlib
from dataclasses import dataclass
from enum import IntEnum

MAGIC = b"\xe7\x9d"
MAX_PAYLOAD = 4096
MAX_REQUEST = 240
HEADER = struct.Struct("<2sBBHH")
CHECKED_PART = 6  # bytes of the header that its own check covers
CRC = struct.Struct("<I")
OFFSET = struct.Struct("<I")
MAX_DATA = MAX_PAYLOAD - OFFSET.size
PLAIN = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-~")


class Kind(IntEnum):
    """What a frame carries."""

    FACTS = 1
    DATA = 2
    END = 3
    REFUSED = 4


@dataclass(frozen=True, slots=True)
class Frame:
    """One whole, checked frame. `kind` may be a number that this version does not know."""

    kind: int
    ss: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Request:
    """One request line taken apart."""

    ss: int
    verb: str
    arguments: tuple[str, ...]


def escape(text: str) -> str:
    """Argument as it stands in a request: bytes of UTF-8 other than the plain ones become % and two hex digits."""
    return "".join(chr(b) if b in PLAIN else f"%{b:02X}" for b in text.encode("utf-8"))


def unescape(text: str) -> str:
    """The opposite of `escape`. Raises ValueError for a broken escape or for bytes that are not UTF-8."""
    out = bytearray()
    at = 0
    while at < len(text):
        if text[at] == "%":
            digits = text[at + 1 : at + 3]
            if len(digits) < 2:
                raise ValueError("escape cut short")
            out.append(int(digits, 16))
            at += 3
        else:
            out += text[at].encode("ascii")
            at += 1
    return out.decode("utf-8")


def encode_request(ss: int, verb: str, arguments: tuple[object, ...] = ()) -> bytes:
    """Request line with its check and line feed.

    `ss` 0..255 names the request; arguments are written as text and escaped. Raises ValueError when the line
    would be longer than the board takes.
    """
    words = [f"{ss:02X}", verb, *(escape(str(argument)) for argument in arguments)]
    body = ("(" + " ".join(words) + ")").encode("ascii")
    line = body + b"%04X\n" % (zlib.crc32(body) & 0xFFFF)
    if len(line) > MAX_REQUEST:
        raise ValueError(f"request of {len(line)} bytes, the board takes {MAX_REQUEST}")
    return line


def decode_request(line: bytes) -> Request | None:
    """Request in a line, or None when its check is not right. Bytes before the bracket are skipped."""
    start = line.rfind(b"(")
    end = line.rfind(b")")
    if start < 0 or end < start or len(line) > MAX_REQUEST:
        return None
    body, check = line[start : end + 1], line[end + 1 :].rstrip(b"\r\n")
    if check != b"%04X" % (zlib.crc32(body) & 0xFFFF):
        return None
    try:
        ss, verb, *arguments = body[1:-1].decode("ascii").split(" ")
        return Request(int(ss, 16), verb, tuple(unescape(a) for a in arguments))
    except ValueError:
        return None


def encode_frame(kind: int, ss: int, payload: bytes) -> bytes:
    """Frame around a payload. Raises ValueError for a payload above 4,096 bytes."""
    if len(payload) > MAX_PAYLOAD:
        raise ValueError(f"payload of {len(payload)} bytes, a frame holds {MAX_PAYLOAD}")
    head = HEADER.pack(MAGIC, kind, ss, len(payload), 0)[:CHECKED_PART]
    check = (zlib.crc32(head) & 0xFFFF).to_bytes(2, "little")
    return head + check + payload + CRC.pack(zlib.crc32(payload))


class FrameReader:
    """Finds whole frames in a stream of bytes with anything between them.

    Invariant: between two calls the buffer holds less than one largest frame, beginning at a magic that may still
    become a frame. `skipped` counts bytes thrown away, `bad_payloads` frames whose header was right and payload not.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self.skipped = 0
        self.bad_payloads = 0

    @property
    def pending(self) -> int:
        """Bytes kept for a frame that is not whole yet."""
        return len(self._buffer)

    def feed(self, data: bytes) -> list[Frame]:
        """All frames that are whole now, in order. Bytes of an unfinished frame are kept for the next call."""
        self._buffer += data
        buffer = bytes(self._buffer)
        frames: list[Frame] = []
        at = 0
        while True:
            found = buffer.find(MAGIC, at)
            if found < 0:
                # the last byte may be the first half of a magic
                keep = 1 if len(buffer) > at and buffer[-1:] == MAGIC[:1] else 0
                self.skipped += len(buffer) - keep - at
                at = len(buffer) - keep
                break
            self.skipped += found - at
            at = found
            frame, size = self._frame_at(buffer, at)
            if size == 0:
                break
            if frame is None:
                self.skipped += size
            else:
                frames.append(frame)
            at += size
        del self._buffer[:at]
        return frames

    def _frame_at(self, buffer: bytes, at: int) -> tuple[Frame | None, int]:
        """(frame, its size), (None, 1) where no frame begins, or (None, 0) when more bytes are needed to tell."""
        if len(buffer) - at < HEADER.size:
            return None, 0
        _, kind, ss, length, check = HEADER.unpack_from(buffer, at)
        right = zlib.crc32(buffer[at : at + CHECKED_PART]) & 0xFFFF
        if check != right or length > MAX_PAYLOAD:
            return None, 1
        start = at + HEADER.size
        end = start + length
        if len(buffer) < end + CRC.size:
            return None, 0
        payload = buffer[start:end]
        if CRC.unpack_from(buffer, end)[0] != zlib.crc32(payload):
            self.bad_payloads += 1
            return None, 1
        return Frame(kind, ss, payload), end + CRC.size - at
