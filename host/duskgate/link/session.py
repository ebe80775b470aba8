"""One conversation with the board as a state machine: bytes and times come in as arguments, outcomes go out.

No port, no clock, no sleeping here, and no retries: what to do after a failure is decided by the caller, who may go on
from `Failure.data`, the part that came in order and was checked frame by frame.
"""

import json
import zlib
from dataclasses import dataclass, field
from enum import Enum

from .framing import OFFSET, Frame, FrameReader, Kind, encode_request

END_KEYS = ("bytes", "crc", "more")  # what an end says of its data; anything else that it says is handed on
MAX_ANSWER = 4 << 20  # bytes of data that one answer may hold; a whole store is smaller


class State(Enum):
    """Where the conversation stands."""

    IDLE = "idle"
    ASKED = "asked"
    STREAMING = "streaming"


class Event(Enum):
    """What can happen to it."""

    REQUEST = "request"
    FACTS = "facts"
    DATA = "data"
    PART = "part"  # an end after which more parts of the same answer come
    END = "end"
    REFUSED = "refused"
    BROKEN = "broken"
    SILENCE = "silence"


TRANSITIONS: dict[tuple[State, Event], State] = {
    (State.IDLE, Event.REQUEST): State.ASKED,
    # a new request ends whatever answer is still under way
    (State.ASKED, Event.REQUEST): State.ASKED,
    (State.STREAMING, Event.REQUEST): State.ASKED,
    (State.ASKED, Event.FACTS): State.IDLE,
    (State.ASKED, Event.REFUSED): State.IDLE,
    (State.ASKED, Event.DATA): State.STREAMING,
    (State.ASKED, Event.PART): State.STREAMING,
    (State.STREAMING, Event.PART): State.STREAMING,
    (State.ASKED, Event.END): State.IDLE,
    (State.STREAMING, Event.DATA): State.STREAMING,
    (State.STREAMING, Event.END): State.IDLE,
    # the store can fail in the middle of an answer
    (State.STREAMING, Event.REFUSED): State.IDLE,
    (State.ASKED, Event.BROKEN): State.IDLE,
    (State.STREAMING, Event.BROKEN): State.IDLE,
    (State.ASKED, Event.SILENCE): State.IDLE,
    (State.STREAMING, Event.SILENCE): State.IDLE,
}
EVENT_OF_KIND = {Kind.FACTS: Event.FACTS, Kind.DATA: Event.DATA, Kind.END: Event.END, Kind.REFUSED: Event.REFUSED}


class Why(Enum):
    """Why a request failed."""

    SILENCE = "silence"
    BROKEN = "broken"
    REFUSED = "refused"


@dataclass(frozen=True)
class Answer:
    """A request answered in full: facts of a closing facts frame, or data whose total CRC was right.

    With data, `facts` holds what the end frame said besides their length and check. `parts`: those before `data`, the
    last one, in an answer of several.
    """

    facts: dict = field(default_factory=dict)
    data: bytes = b""
    parts: tuple[bytes, ...] = ()


@dataclass(frozen=True)
class Failure:
    """A request not answered. `data` came in order, each frame with a right CRC; `code` is the board's when refused.

    `parts` are those of an answer in several that were whole before `data`, the begin of the next one.
    """

    why: Why
    text: str
    data: bytes = b""
    code: str = ""
    parts: tuple[bytes, ...] = ()


class ProtocolError(Exception):
    """Inside this module: an event that the state does not allow, or a payload that makes no sense."""


class Session:
    """At most one open request. `first_ss` should differ from one program start to the next."""

    def __init__(
        self, first_ss: int = 0, *, silence_s: float = 3.0, whole_s: float = 10.0, slowest_bytes_s: float = 2000.0
    ):
        self.state = State.IDLE
        self.silence_s = silence_s
        self.whole_s = whole_s
        self.slowest_bytes_s = slowest_bytes_s
        self.reader = FrameReader()
        self.stale = 0
        self.doubled = 0
        self._ss = (first_ss - 1) & 0xFF
        self._data = bytearray()  # of the part that is coming
        self._parts: list[bytes] = []
        self._base = 0  # bytes of the parts before it
        self._more = 0  # parts that are to come after it
        self._most = 0
        self._silent_at = 0.0
        self._late_at = 0.0

    @property
    def received(self) -> int:
        """Data bytes of the open answer so far."""
        return self._base + len(self._data)

    @property
    def deadline(self) -> float:
        """Time (s, the caller's clock) at which an open request is given up when nothing more comes."""
        return min(self._silent_at, self._late_at)

    def request(self, verb: str, arguments: tuple[object, ...], now: float, expect: int = 0, parts: int = 1) -> bytes:
        """Bytes to send. `expect`: data bytes that a right answer holds at most; `parts`: ends that close it."""
        ss = (self._ss + 1) & 0xFF
        line = encode_request(ss, verb, arguments)
        self._move(Event.REQUEST)
        self._ss = ss
        self._clear()
        self._more = parts - 1
        self._most = min(expect, MAX_ANSWER)
        self._silent_at = now + self.silence_s
        self._late_at = now + self.whole_s + self._most / self.slowest_bytes_s
        return line

    def receive(self, data: bytes, now: float) -> Answer | Failure | None:
        """Outcome of the open request, or None when more bytes are needed. Frames of other requests are skipped."""
        outcome: Answer | Failure | None = None
        for frame in self.reader.feed(data):
            if self.state is State.IDLE or frame.ss != self._ss:
                self.stale += 1
                continue
            try:
                outcome = self._take(frame, now)
            except ProtocolError as error:
                outcome = self._fail(Event.BROKEN, Why.BROKEN, str(error))
        return outcome

    def expired(self, now: float) -> Failure | None:
        """Failure when the open request has waited too long at `now`, else None."""
        if self.state is State.IDLE or now < self.deadline:
            return None
        said = f"fell silent after {self.received} bytes" if self.received else "nothing came"
        if now >= self._late_at:
            said = "the answer took too long"
        return self._fail(Event.SILENCE, Why.SILENCE, said)

    def drop(self) -> tuple[bytes, ...]:
        """Give the open request up and return the parts that had come in order, the last one perhaps not whole."""
        kept = (*self._parts, bytes(self._data))
        self._clear()
        self.state = State.IDLE
        return kept

    def _take(self, frame: Frame, now: float) -> Answer | Failure | None:
        if frame.kind not in EVENT_OF_KIND:
            raise ProtocolError(f"frame of unknown kind {frame.kind:02X}")
        event = EVENT_OF_KIND[Kind(frame.kind)]
        self._allowed(event)
        if event is Event.DATA:
            if self._append(frame.payload):
                self._silent_at = now + self.silence_s
            self._move(event)
            return None
        said = _json_object(frame.payload)
        if event is Event.REFUSED:
            text = _one_line(said.get("text")) or "no reason given"
            return self._fail(event, Why.REFUSED, text, _one_line(said.get("code")))
        if event is Event.END:
            if said.get("more", 0) == self._more + 1 and self._parts:
                self.doubled += 1  # the end of the part before, once more
                return None
            self._check_end(said)
            if self._more:
                self._next_part()
                return None
        self._move(event)
        facts = {k: v for k, v in said.items() if event is Event.FACTS or k not in END_KEYS}
        return Answer(facts, bytes(self._data), tuple(self._parts))

    def _next_part(self) -> None:
        self._move(Event.PART)
        self._base += len(self._data)
        self._parts.append(bytes(self._data))
        self._data.clear()
        self._more -= 1

    def _append(self, payload: bytes) -> bool:
        """Put a data frame at its place; False for a frame that had come before."""
        if len(payload) < OFFSET.size:
            raise ProtocolError("data frame without its offset")
        offset = OFFSET.unpack_from(payload)[0] - self._base
        data = payload[OFFSET.size :]
        if offset < 0 or (offset + len(data) <= len(self._data) and self._data[offset : offset + len(data)] == data):
            self.doubled += 1
            return False
        if offset != len(self._data):
            raise ProtocolError(f"data for offset {self._base + offset} came where {self.received} was due")
        if self.received + len(data) > self._most:
            raise ProtocolError(f"more than the {self._most} bytes asked for")
        self._data += data
        return True

    def _check_end(self, said: dict) -> None:
        right = zlib.crc32(self._data)
        if said.get("more", 0) != self._more:
            raise ProtocolError(f"the board tells {_number(said.get('more', 0))} parts to come, {self._more} are due")
        if said.get("bytes") != len(self._data):
            raise ProtocolError(f"the board sent {_number(said.get('bytes'))} bytes, {len(self._data)} arrived")
        if said.get("crc") != right:
            self._data.clear()  # every frame was right and the whole is not: none of it can be trusted
            raise ProtocolError("the check over the whole answer is wrong")

    def _clear(self) -> None:
        self._data.clear()
        self._parts.clear()
        self._base = 0

    def _allowed(self, event: Event) -> None:
        if (self.state, event) not in TRANSITIONS:
            raise ProtocolError(f"{event.value} frame while {self.state.value}")

    def _move(self, event: Event) -> None:
        self._allowed(event)
        self.state = TRANSITIONS[self.state, event]

    def _fail(self, event: Event, why: Why, text: str, code: str = "") -> Failure:
        self._move(event)
        *parts, kept = self.drop()
        return Failure(why, text, kept, code, tuple(parts))


def _json_object(payload: bytes) -> dict:
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError) as error:
        raise ProtocolError("the board's answer is not readable JSON") from error
    if not isinstance(said, dict):
        raise ProtocolError("the board's answer is not a JSON object")
    return said


def _one_line(text: object) -> str:
    """Text from the board for a person: printable, one line, bounded; "" where it is no text."""
    return "".join(c if c.isprintable() else " " for c in text[:200]).strip() if isinstance(text, str) else ""


def _number(said: object) -> str:
    return str(said) if type(said) is int and abs(said) < 1 << 48 else "an unknown number of"
