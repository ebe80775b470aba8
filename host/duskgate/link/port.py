"""The only user of a real port: opens it, keeps every wait bounded, decides retries, compares clocks.

The clock is handed in (`monotonic`, `monotonic_ns`, `time_ns`, `sleep`); the module `time` is one.
"""

import errno
import os
import select
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import serial
from serial.tools import list_ports

from ..errors import BoardRefused, LinkError, UsageError
from .answers import (
    MARKED,
    MAX_SEGMENT,
    RECENT,
    SEGMENT_ROW,
    STATE,
    TICK,
    HostClock,
    Recent,
    Segment,
    SegmentState,
    checked,
    checked_who,
    parse_list,
)
from .framing import MAX_REQUEST
from .session import Answer, Failure, Session, Why

USB_IDS = ((0x2E8A, 0x0005),)  # MicroPython's default for this family of chips; a maker's own board may differ
BAUD = 115_200  # means nothing on USB; some boards reset on unusual rates
CHUNK = 1 << 16
POLL_S = 0.05
# For 16 ms after DTR rose a board queues every start of a USB frame, 16 at most. Where it collects garbage meanwhile,
# some 35 ms, the queue is full; a request that comes just then is lost and leaves the port deaf until a restart.
# Old output that the board kept comes after these 16 ms as well.
SETTLE_S = 0.15
STALE_S = 0.5  # longest time spent on throwing away what an earlier conversation left
TRIES = 3
MAX_SEGMENTS = 4096
MAX_RECENT = 8 * 4096  # bytes; the board keeps fewer records than these
NOTE_BYTES = 120
NOTE_KINDS = {"refilled": 1, "cells": 2, "moved": 3, "text": 4}
MOST_PIECES = 8  # segments in one `get` or `pulled`: so many always fit into a request line
CLOCK_SAMPLES = 8
CLOCK_FEWEST = 3
CLOCK_AGREE = 1.25  # the two quickest trips this near to each other: quicker ones are not to be had
Progress = Callable[[int], None]
Wanted = tuple[int, int, int]  # segment, offset, bytes


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A port on which a board may sit: how to open it and the USB serial number, where there is one."""

    url: str
    serial_number: str


def find_ports(explicit: str | None = None) -> list[FoundPort]:
    """Ports to ask: the one named by the user, else every USB port that shows the chip family's ids."""
    if explicit:
        return [FoundPort(explicit, "")]
    found = [p for p in list_ports.comports() if (p.vid, p.pid) in USB_IDS]
    return sorted((FoundPort(p.device, p.serial_number or "") for p in found), key=lambda p: p.url)


def one_port(explicit: str | None = None) -> str:
    """URL of the only board there is, or of the one named. Raises LinkError for none and UsageError for several."""
    found = find_ports(explicit)
    if not found:
        raise LinkError("no board found on USB: plug it in (a cable that carries data), or name its port with --port")
    if len(found) > 1:
        names = ", ".join(p.url for p in found)
        raise UsageError(f"{len(found)} boards are plugged in ({names}): choose one with --port")
    return found[0].url


class BoardLink:
    """Conversation with one board over any URL that pyserial opens (device, pty path, socket://host:port).

    Every call ends within a bound: the board's silence is given up after `silence_s`, a whole answer after a time in
    proportion to its length, and a request after `TRIES` of these. Raises LinkError; BoardRefused when the board said
    no.
    """

    def __init__(self, url: str, clock: Any = time, opener: Callable[..., Any] | None = None, silence_s: float = 3.0):
        self.url = url
        self.clock = clock
        self._opener = opener or serial.serial_for_url
        self._session = Session(first_ss=clock.time_ns() // 1000 & 0xFF, silence_s=silence_s)
        self._port: Any = None
        self._selectable = False

    def __enter__(self) -> "BoardLink":
        self.open()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    def open(self) -> None:
        """Open the port for this program alone and throw away what is waiting in it."""
        try:
            self._port = self._opener(
                self.url, baudrate=BAUD, timeout=POLL_S, write_timeout=2.0, exclusive=None if os.name == "nt" else True
            )
            self._selectable = _can_select(self._port)
            if self._selectable:
                self._port.timeout = 0  # waits are made with select, so that a read takes all that is there
        except (OSError, ValueError) as error:  # SerialException is an OSError
            self._port = None
            raise LinkError(_why_not_open(self.url, error)) from error
        self._raise_dtr()
        self.clock.sleep(SETTLE_S)
        self._discard_stale()

    def close(self) -> None:
        """Close the port. Closing twice does no harm."""
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except OSError:
                pass  # the board is gone already

    def who(self) -> dict:
        """Facts of `who`, checked."""
        return checked_who(self.ask("who").facts)

    def state(self) -> dict:
        """Facts of `state`, checked."""
        return checked(self.ask("state").facts, STATE, "state")

    def commit(self) -> dict:
        """Have everything that waits in the board's memory written to its store."""
        return self.ask("commit").facts

    def list_segments(self) -> list[Segment]:
        """Segments on the board, oldest first."""
        return parse_list(self.ask("list", expect=MAX_SEGMENTS * SEGMENT_ROW.size).data)

    def read_segment(
        self, number: int, offset: int, length: int, progress: Progress | None = None, into: bytearray | None = None
    ) -> bytes:
        """`length` bytes of segment `number` from `offset`; fewer when the segment ends before.

        `into` receives the bytes in order even when the call ends in an error. `progress` is told how much that is.
        """
        got = bytearray()
        start = 0 if into is None else len(into)
        tell = None if progress is None else lambda n: progress(start + n)
        try:
            self.read_pieces([(number, offset, length)], tell, [got])
        finally:
            if into is not None:
                into += got
        return bytes(got)

    def read_pieces(
        self, wanted: Sequence[Wanted], progress: Progress | None = None, into: list[bytearray] | None = None
    ) -> list[bytearray]:
        """Bytes of several segments, as few requests as can be; fewer of one that ends before.

        `into`: an empty buffer for each, which receive the bytes in order even when the call ends in an error.
        `progress` is told how much there is of all of them.
        """
        out = [bytearray() for _ in wanted] if into is None else into
        rest = {k: (n, offset, min(length, MAX_SEGMENT)) for k, (n, offset, length) in enumerate(wanted) if length > 0}
        failures = 0
        while rest:
            asked = list(rest)[:MOST_PIECES]
            words = [(rest[k][0], rest[k][1] + len(out[k]), rest[k][2] - len(out[k])) for k in asked]
            held = sum(map(len, out))
            outcome = self._exchange(
                "get", tuple(w for piece in words for w in piece), sum(piece[2] for piece in words),
                progress=progress and partial(_told, progress, held), into=[out[k] for k in asked],
            )  # fmt: skip
            done = len(outcome.parts) + isinstance(outcome, Answer)
            rest = {k: w for k, w in rest.items() if k not in asked[:done] and len(out[k]) < w[2]}
            if isinstance(outcome, Failure) and rest:
                # any progress starts the count of failures anew: a bad wire is slow, not hopeless
                failures = 1 if sum(map(len, out)) > held else failures + 1
                self._give_up("get", outcome, failures >= TRIES)
        return out

    def mark_pulled(self, number: int, size: int, crc: int) -> bool:
        """Tell the board that segment `number` is safe on a disk. True when it is marked, now or by an earlier try."""
        try:
            return number in self.mark_all([(number, size, crc)])
        except BoardRefused as refused:
            if refused.code != "segment":
                raise
            # the answer to an earlier try may have been lost: the list tells
            return any(s.number == number and s.state is SegmentState.PULLED for s in self.list_segments())

    def mark_all(self, told: Sequence[tuple[int, int, int]]) -> list[int]:
        """Tell the board that segments (number, size, CRC-32) are safe on a disk: the numbers that it marked.

        Raises BoardRefused where one of them is not as told; those before it may be marked then.
        """
        marked: list[int] = []
        for at in range(0, len(told), MOST_PIECES):
            facts = self.ask("pulled", *(word for one in told[at : at + MOST_PIECES] for word in one)).facts
            marked += checked(facts, MARKED, "pulled")["marked"]
        return marked

    def measure_clock(self, samples: int = CLOCK_SAMPLES) -> HostClock:
        """Compare the host's clock with the board's ticks: of several `tick` requests the quickest one counts.

        The board's tick lies somewhere within the round trip; its middle is taken, half of it is the uncertainty. No
        more are asked for once the two quickest trips agree.
        """
        trips: list[int] = []
        best: HostClock | None = None
        for _ in range(samples):
            before_utc_ns, before_ns = self.clock.time_ns(), self.clock.monotonic_ns()
            facts = checked(self.ask("tick").facts, TICK, "tick")
            trip_ns = self.clock.monotonic_ns() - before_ns
            # a microsecond on top covers the rounding to whole microseconds
            found = HostClock(
                facts["boot_id"], facts["tick"], (before_utc_ns + trip_ns // 2) // 1000, trip_ns // 2000 + 1
            )
            if best is None or found.boot_id != best.boot_id or found.unc_us < best.unc_us:
                best = found
            trips = sorted([*trips, trip_ns])
            if len(trips) >= CLOCK_FEWEST and trips[1] <= CLOCK_AGREE * trips[0]:
                break
        if best is None:
            raise ValueError("at least one sample is needed")
        return best

    def host_clock(self, measured: HostClock) -> dict:
        """Write a comparison of clocks into the board's log."""
        return self.ask("host", measured.tick, round(measured.utc_us / 1000), measured.unc_us + 500).facts

    def recent(self, from_number: int = 0) -> Recent:
        """Records of this boot that the board still has in memory, from a running number on (0: all of them)."""
        answer = self.ask("recent", from_number, expect=MAX_RECENT)
        facts = checked(answer.facts, RECENT, "recent")
        return Recent(facts["first"], facts["next"], answer.data)

    def shots(self, count: int, gap_ms: int) -> dict:
        """Fire the rig `count` times, `gap_ms` apart, the first at once; 0, 0 ends a series. Asked once only."""
        return self.ask("shot", count, gap_ms, tries=1).facts

    def note(self, kind: str, head: int = 0, text: str = "") -> dict:
        """Write a note of now into the log. Asked once only: a second try could write it twice."""
        if len(text.encode("utf-8")) > NOTE_BYTES:
            raise UsageError(f"the note is longer than the log holds ({NOTE_BYTES} bytes): shorten it")
        words = (NOTE_KINDS[kind], head, text) if text else (NOTE_KINDS[kind], head)
        return self.ask("note", *words, tries=1).facts

    def set_clock(self, unix_second: int) -> dict:
        """Set the clock chip to that second, beginning at the moment of receipt. Asked once only."""
        return self.ask("clock", unix_second, tries=1).facts

    def setting(self, name: str | None = None, value: int | None = None) -> dict:
        """All settings, after changing one when it is named."""
        return self.ask("settings").facts if name is None else self.ask("set", name, value).facts

    def restart(self, how: str = "log") -> dict:
        """Have the board commit, answer and restart: `log` as usual, `hold` for maintenance. Asked once only."""
        return self.ask("restart", how, tries=1).facts

    def ask(self, verb: str, *arguments: object, tries: int = TRIES, expect: int = 0) -> Answer:
        """One request, asked again when no right answer comes. Raises LinkError or BoardRefused."""
        failures = 0
        while True:
            outcome = self._exchange(verb, arguments, expect)
            if isinstance(outcome, Answer):
                return outcome
            failures += 1
            self._give_up(verb, outcome, failures >= tries)

    def _give_up(self, verb: str, failure: Failure, last: bool) -> None:
        """Raise what a failure means, or return when another try is due."""
        if failure.why is Why.REFUSED:
            if failure.code == "busy" and not last:
                self.clock.sleep(0.2)
                return
            if failure.code == "verb":
                raise BoardRefused(
                    "verb",
                    f"the board's firmware does not know '{verb}': it is older than this tool; "
                    "`duskgate load` renews it",
                )
            raise BoardRefused(failure.code, f"the board refused '{verb}': {failure.text}")
        if last:
            raise LinkError(
                f"no right answer from {self.url} to '{verb}' ({failure.text}): check that the board logs "
                "(lamp), that no other program uses the port, and plug it in again"
            )

    def _exchange(
        self,
        verb: str,
        arguments: tuple,
        expect: int = 0,
        *,
        progress: Progress | None = None,
        into: Sequence[bytearray] = (),
    ) -> Answer | Failure:
        """Send one request and wait for its outcome.

        `into`: a buffer for each part of the answer; data that came in order goes there whatever happens.
        """
        session, clock = self._session, self.clock
        try:
            line = session.request(verb, arguments, clock.monotonic(), expect, max(1, len(into)))
        except ValueError as error:
            raise UsageError(f"'{verb}' is too long for the link ({MAX_REQUEST} bytes): shorten the text") from error
        outcome: Answer | Failure | None = None
        try:
            # the line feed before it ends whatever half line lies in the board's buffer
            self._write(b"\n" + line)
            while outcome is None:
                data = self._read(max(0.0, min(session.deadline - clock.monotonic(), POLL_S)))
                now = clock.monotonic()
                outcome = (session.receive(data, now) if data else None) or session.expired(now)
                if progress is not None and session.received:
                    progress(session.received)
        finally:
            kept = (*outcome.parts, outcome.data) if outcome is not None else session.drop()
            for buffer, part in zip(into, kept, strict=False):  # fewer parts where it was cut
                buffer.extend(part)
        if progress is not None:
            progress(sum(map(len, kept)))
        return outcome

    def _read(self, wait_s: float) -> bytes:
        """All bytes that are there, after waiting at most `wait_s` for the first; b"" when none came."""
        try:
            if self._selectable:
                ready, _, _ = select.select([self._port], [], [], wait_s)
                return self._port.read(CHUNK) if ready else b""
            first = self._port.read(1)  # waits POLL_S at most
            return first + self._port.read(self._port.in_waiting) if first else b""
        except (OSError, TypeError, ValueError) as error:  # pyserial trips over a handle that is gone
            raise LinkError(f"the board at {self.url} is gone (unplugged or restarted): try again") from error

    def _write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except (OSError, TypeError, ValueError) as error:
            raise LinkError(f"the board at {self.url} takes no bytes (unplugged or stuck): plug it in again") from error

    def _raise_dtr(self) -> None:
        """Show the board that somebody listens. Some ports (ptys, sockets) have no such line."""
        try:
            self._port.dtr = True
        except OSError as error:
            if error.errno not in (errno.ENOTTY, errno.EINVAL):
                raise LinkError(f"cannot set up {self.url}: {error}") from error

    def _discard_stale(self) -> None:
        end = self.clock.monotonic() + STALE_S
        while self.clock.monotonic() < end and self._read(0.0):
            pass


def _told(progress: Progress, held: int, received: int) -> None:
    progress(held + received)


def _can_select(port: Any) -> bool:
    """Whether the port's handle can be waited for: everything on POSIX, sockets everywhere."""
    try:
        select.select([port], [], [], 0)
    except (OSError, TypeError, ValueError, AttributeError):
        return False
    return True


def _why_not_open(url: str, error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number == errno.ENOENT:
        return f"there is no port {url}: is the board plugged in? `duskgate boards` lists what is there"
    if number in (errno.EACCES, errno.EPERM):
        return f"no permission to open {url}: on Linux, join the group that owns it (often dialout), then log in again"
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "exclusively lock" in str(error):
        return f"{url} is in use by another program: close that one first"
    return f"cannot open {url}: {' '.join(str(error).split())[:160]}"
