"""Requests in, frames out (FORMAT.md section 5): bounded buffers, no port and no clock inside.

A request is a short text line, so that the byte 03 always means Ctrl-C; a frame carries its own checks. What a verb
does stands in core/verbs.py.
"""

import binascii
import struct

from core.checks import carried, table
from core.shim import const

REQUEST_MOST = const(240)  # with its line feed
PAYLOAD_MOST = const(4096)
DATA_MOST = const(4092)
HEADER = const(8)
MAGIC = b"\xe7\x9d"

FACTS = const(1)
DATA = const(2)
END = const(3)
REFUSED = const(4)

GIVE_UP_MS = const(2000)


class Refusal(Exception):
    """A verb says no; the answer carries its code and text. Raised before anything was sent."""

    def __init__(self, code, text):
        super().__init__(text)
        self.code = code
        self.text = text


def low_check(data):
    return binascii.crc32(data) & 0xFFFF


def unescape(argument):
    """%XX escapes to bytes, then UTF-8. ValueError where that is not what it holds."""
    if "%" not in argument:
        return argument
    head = argument.split("%")
    out = bytearray(head[0].encode())
    for piece in head[1:]:
        if len(piece) < 2:
            raise ValueError("escape")
        out.append(int(piece[:2], 16))
        out.extend(piece[2:].encode())
    return bytes(out).decode()


class RequestReader:
    """feed() bytes, get (ss, verb, arguments) out. `bad` counts lines refused by their check or form.

    Bytes before `(` are skipped; a line longer than the limit is dropped whole and counted.
    """

    def __init__(self):
        self._line = bytearray(REQUEST_MOST)
        self._n = 0
        self.bad = 0

    def feed(self, data):
        """Returns a list of requests, nearly always empty or of one; what follows a cut line waits for its rest."""
        found = []
        at = 0
        while at < len(data):
            end = data.find(b"\n", at)
            self._take(data[at:] if end < 0 else data[at:end])
            if end < 0:
                break
            if self._n:
                self._end(found)
            self._n = 0
            at = end + 1
        return found

    def _take(self, piece):
        """Keep what belongs to a request. `(` is never inside one: whatever stood before is skipped, a torn one too."""
        begin = piece.rfind(b"(")
        if begin >= 0:
            piece = piece[begin:]
            self._n = 0
        elif not self._n:
            return
        n = min(len(piece), REQUEST_MOST - self._n)
        self._line[self._n : self._n + n] = piece[:n]
        self._n += n

    def _end(self, found):
        n = self._n
        request = self._parse(bytes(self._line[:n])) if n < REQUEST_MOST else None
        if request is None:
            self.bad += 1
        else:
            found.append(request)

    def _parse(self, line):
        # (SS verb arguments)CCCC
        if len(line) < 10 or line[-5:-4] != b")" or min(line) < 0x20 or max(line) > 0x7E:
            return None
        if b"%04X" % low_check(line[:-4]) != line[-4:]:
            return None
        try:
            words = line[1:-5].decode().split(" ")
            ss = int(words[0], 16)
            arguments = [unescape(word) for word in words[2:]]
        except ValueError:
            return None
        if len(words) < 2 or len(words[0]) != 2:
            return None
        return ss, words[1], arguments


def json_text(value):
    """JSON of None, bool, int, float, str, list, tuple and pairs; enough for facts.

    A tuple of 2-tuples whose first parts are names is an object: the board keeps an order without a dict.
    """
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, list):
        return "[" + ", ".join([json_text(part) for part in value]) + "]"
    if isinstance(value, tuple):
        return "{" + ", ".join([_quoted(name) + ": " + json_text(part) for name, part in value]) + "}"
    if value is None:
        return "null"
    if value is True:
        return "true"
    if value is False:
        return "false"
    return str(value)


def _quoted(text):
    if '"' in text or "\\" in text or min(text.encode() or b" ") < 0x20:
        text = "".join([_escaped(character) for character in text])
    return '"' + text + '"'


def _escaped(character):
    if character in '"\\':
        return "\\" + character
    return "\\u%04x" % ord(character) if ord(character) < 0x20 else character


class Frames:
    """Builds one frame at a time in a buffer made once. Each method returns the frame's length in `buf`."""

    def __init__(self):
        self.buf = bytearray(HEADER + PAYLOAD_MOST + 4)
        self.view = memoryview(self.buf)
        self._bits = table(DATA_MOST)
        self._first = self._check = 0  # CRC-32 of the last data frame's offset, and of its payload

    def data_room(self, n):
        """Where up to 4,092 data bytes go before data() is called."""
        return self.view[HEADER + 4 : HEADER + 4 + min(n, DATA_MOST)]

    def data(self, ss, offset, n):
        struct.pack_into("<I", self.buf, HEADER, offset)
        self._first = binascii.crc32(self.view[HEADER : HEADER + 4])
        self._check = binascii.crc32(self.view[HEADER + 4 : HEADER + 4 + n], self._first)
        return self._close(DATA, ss, n + 4, self._check)

    def joined(self, check, n):
        """CRC-32 of bytes whose own is `check`, and the n data bytes of the frame just made after them."""
        if n == DATA_MOST:
            return carried(check ^ self._first, self._bits) ^ self._check
        return binascii.crc32(self.view[HEADER + 4 : HEADER + 4 + n], check)

    def facts(self, ss, pairs):
        return self._text(FACTS, ss, pairs)

    def end(self, ss, n_bytes, check, besides=()):
        return self._text(END, ss, (("bytes", n_bytes), ("crc", check)) + besides)

    def refused(self, ss, code, text):
        return self._text(REFUSED, ss, (("code", code), ("text", text)))

    def _text(self, kind, ss, pairs):
        payload = json_text(pairs).encode()
        if len(payload) > PAYLOAD_MOST:
            kind = REFUSED
            payload = b'{"code": "busy", "text": "the answer is too long for one frame"}'
        self.buf[HEADER : HEADER + len(payload)] = payload
        return self._close(kind, ss, len(payload), binascii.crc32(payload))

    def _close(self, kind, ss, n, check):
        struct.pack_into("<2sBBH", self.buf, 0, MAGIC, kind, ss, n)
        struct.pack_into("<H", self.buf, 6, low_check(self.view[:6]))
        struct.pack_into("<I", self.buf, HEADER + n, check)
        return HEADER + n + 4


class Sender:
    """Sends the frames of one answer, as far as the stream takes them.

    `stream.write(view)` returns how many bytes it took, 0 or None for none. A frame once begun is always finished,
    also after a newer request: a receiver that believed its header would otherwise wait for the rest.
    """

    def __init__(self, stream, frames):
        self._stream = stream
        self._frames = frames
        self._answer = None  # generator of frame lengths, 0 for "nothing yet"
        self._next = None
        self._at = self._end = 0
        self._moved_ms = 0
        self._stuck = False  # the frame begun waits for a host that stopped reading
        self.given_up = 0

    def busy(self):
        """True while something is to be sent to a host that reads."""
        return self._answer is not None or self._next is not None or (self._at < self._end and not self._stuck)

    def start(self, answer, now_ms):
        """A new answer ends the one under way, but for the frame begun."""
        self.drop()
        self._next = answer
        if self._at >= self._end:
            self._moved_ms = now_ms

    def drop(self):
        """Forget the answer under way, but for the frame begun."""
        for answer in (self._answer, self._next):
            if answer is not None:
                answer.close()  # lets it close its file
        self._answer = self._next = None

    def pump(self, now_ms):
        """One step: send, or make the next frame. True while another step may do something at once."""
        if self._at < self._end:
            sent = self._stream.write(self._frames.view[self._at : self._end])
            if sent:
                self._at += sent
                self._moved_ms = now_ms
                self._stuck = False
                return True
            if now_ms - self._moved_ms > GIVE_UP_MS and self.busy():
                self.drop()
                self._stuck = True
                self.given_up += 1
            return False
        if self._next is not None:
            self._answer, self._next = self._next, None
            self._moved_ms = now_ms
        if self._answer is None:
            return False
        try:
            length = next(self._answer)
        except StopIteration:
            self._answer = None
            return False
        self._at, self._end = 0, length
        return True
