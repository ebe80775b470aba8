"""Fakes at the seams of the host side: a board that speaks the link, a wire that spoils it, a port, a clock.

They are written from FORMAT.md alone, without the host's own framing, and are stricter than the real thing: a fake
board answers nothing that it was not asked, and a fake clock moves only when somebody waits.
"""

import json
import os
import random
import select
import struct
import threading
import zlib
from collections.abc import Callable, Iterable
from pathlib import Path

try:
    import termios
    import tty
except ImportError:  # no pseudo-terminals on this system: PtyBoard is not used there
    pass


def crc_bytes(data: bytes) -> bytes:
    return struct.pack("<I", zlib.crc32(data))


def frame(kind: int, ss: int, payload: bytes) -> bytes:
    """Frame by FORMAT.md section 5.2."""
    head = b"\xe7\x9d" + bytes([kind, ss]) + struct.pack("<H", len(payload))
    return head + crc_bytes(head)[:2] + payload + crc_bytes(payload)


def request(ss: int, text: str) -> bytes:
    """Request by FORMAT.md section 5.1; `text` is what stands after the two digits, escaped already."""
    body = f"({ss:02X} {text})".encode()
    return body + f"{zlib.crc32(body) & 0xFFFF:04X}\n".encode()


def block(records: Iterable[bytes], boot_id: int = 77, boot_no: int = 1, seq: int = 0) -> bytes:
    """Good block by FORMAT.md section 3 around 8-byte records."""
    body = b"".join(records)
    head = b"\xd6\x44\x47\x0a" + struct.pack("<BBHIII", 1, 24, len(body) // 8, boot_id, boot_no, seq)
    return head + struct.pack("<I", zlib.crc32(head + body)) + body


def record(value: int, tag: int, index: int = 0) -> bytes:
    """Record by FORMAT.md section 2."""
    return value.to_bytes(6, "little") + bytes([tag, index])


def night_blocks(
    n_blocks: int, seed: int = 1, *, boot_id: int = 77, first_seq: int = 0, start_s: int = 1_750_000_000
) -> bytes:
    """Invented blocks of edges, with a clock second at the head of each."""
    rng = random.Random(seed)
    out = b""
    tick = 1000
    for k in range(n_blocks):
        seq = first_seq + k
        rows = [record(tick, 0x02)] + ([record(1, 0x42)] if seq == 0 else [])
        rows += [record(tick, 0x03), record(start_s + 60 * seq, 0x50)]
        for _ in range(rng.randrange(1, 200)):
            tick += rng.randrange(1, 5000)
            rows.append(record(tick, 0x01, rng.randrange(128)))
        out += block(rows, boot_id, 1, seq)
    return out


class FakeClock:
    """Time that moves when somebody sleeps or waits, and by `step_ns` whenever it is read."""

    def __init__(self, utc_s: float = 1_750_050_000.0, step_ns: int = 1000):
        self.utc_ns = int(utc_s * 1e9)
        self.ns = 5_000_000_000
        self.step_ns = step_ns

    def sleep(self, seconds: float) -> None:
        self.ns += int(seconds * 1e9)
        self.utc_ns += int(seconds * 1e9)

    def monotonic_ns(self) -> int:
        self.sleep(self.step_ns / 1e9)
        return self.ns

    def monotonic(self) -> float:
        return self.monotonic_ns() / 1e9

    def time_ns(self) -> int:
        self.sleep(self.step_ns / 1e9)
        return self.utc_ns


class FakeBoard:
    """Board with a store of segments. `feed` takes the host's bytes and returns the pieces that it would write.

    `segments`: number -> [bytes, state]. `refuse`: verb -> (code, text). `facts` overrides what verbs answer.
    """

    def __init__(self, segments: dict[int, list] | None = None, board: str = "e66138528361ac2f"):
        self.segments = segments if segments is not None else {}
        self.board = board
        self.refuse: dict[str, tuple[str, str]] = {}
        self.facts: dict[str, dict] = {}
        self.silent: set[str] = set()
        self.asked: list[tuple[str, ...]] = []
        self.bad = 0
        self.tick = 12345
        self.waiting = b""
        self.boot_id = 77
        self.records = [record(0, 0x02, 0x7F)]  # of this boot, for `recent`; a boot begins with a statement of levels
        self.kept = 512
        self.shots: list[tuple[int, int]] = []
        self.frame_data = 1020  # data bytes of a frame; a board may send less at once than it could (4,092)
        self._line = bytearray()

    def feed(self, data: bytes) -> list[bytes]:
        self._line += data
        out: list[bytes] = []
        while (end := self._line.find(b"\n")) >= 0:
            line, self._line = bytes(self._line[:end]), self._line[end + 1 :]
            out += self._answer(line)
        return out

    def _answer(self, line: bytes) -> list[bytes]:
        body = line[line.rfind(b"(") : line.rfind(b")") + 1]
        if not body or line[line.rfind(b")") + 1 :] != f"{zlib.crc32(body) & 0xFFFF:04X}".encode():
            self.bad += bool(line)
            return []
        assert len(line) < 240 and all(0x20 <= b <= 0x7E for b in body), line
        ss, verb, *args = body[1:-1].decode().split(" ")
        self.asked.append((verb, *args))
        return [] if verb in self.silent else self._speak(int(ss, 16), verb, args)

    def _speak(self, ss: int, verb: str, args: list[str]) -> list[bytes]:
        if verb in self.refuse:
            return self._refused(ss, *self.refuse[verb])
        if verb in self.facts:
            return self._facts(ss, self.facts[verb])
        handler: Callable | None = getattr(self, f"do_{verb}", None)
        return handler(ss, *args) if handler else self._refused(ss, "verb", f"no verb {verb}")

    def _facts(self, ss: int, facts: dict) -> list[bytes]:
        return [frame(1, ss, json.dumps(facts).encode())]

    def _refused(self, ss: int, code: str, text: str) -> list[bytes]:
        return [frame(4, ss, json.dumps({"code": code, "text": text}).encode())]

    def _data(self, ss: int, data: bytes, base: int = 0, **more: int) -> list[bytes]:
        most = self.frame_data
        out = [frame(2, ss, struct.pack("<I", base + k) + data[k : k + most]) for k in range(0, len(data), most)]
        return [*out, frame(3, ss, json.dumps({"bytes": len(data), "crc": zlib.crc32(data), **more}).encode())]

    def do_who(self, ss: int) -> list[bytes]:
        return self._facts(
            ss,
            {
                "board": self.board, "firmware": "0.1.0", "log": 1, "link": 1, "interpreter": "fake",
                "interpreter_kind": 3, "boot_id": self.boot_id, "boot_no": 1, "clock_hz": 125_000_000,
                "cycles_per_tick": 9,
                "channels": 0x7F, "low_mask": 0x7F, "wiring_check": ["FLASH4"],
            },
        )  # fmt: skip

    def do_state(self, ss: int) -> list[bytes]:
        unpulled = sum(len(d) for d, state in self.segments.values() if state != 1)
        return self._facts(
            ss,
            {
                "tick": self.tick, "levels": 127, "records": 10, "waiting": 0, "ring_lost": 0, "fifo_drops": 0,
                "store_lost": 0, "bad_requests": self.bad, "segments": len(self.segments), "unpulled_bytes": unpulled,
                "free_bytes": 1_000_000, "nights_left": 6, "store": "ok", "clock_second": 1_750_050_000,
                "clock_state": 0, "supply_mv": 3900, "temp_c100": 1650, "faults": [], "heap_free": 90_000,
                "edges": [4, 0, 0, 2, 2, 2, 0], "still_s": [5.0, None, None, 5.0, 5.0, 5.0, None], "shots_left": 0,
            },
        )  # fmt: skip

    def do_tick(self, ss: int) -> list[bytes]:
        self.tick += 1000
        return self._facts(ss, {"tick": self.tick, "boot_id": self.boot_id})

    def do_commit(self, ss: int) -> list[bytes]:
        if self.waiting and self.segments:
            last = self.segments[max(self.segments)]
            last[0] += self.waiting
            self.waiting = b""
        return self._facts(ss, {"committed": 1})

    def do_list(self, ss: int) -> list[bytes]:
        rows = [struct.pack("<IIB3x", n, len(d), state) for n, (d, state) in sorted(self.segments.items())]
        return self._data(ss, b"".join(rows))

    def do_get(self, ss: int, *args: str) -> list[bytes]:
        assert args and len(args) % 3 == 0, args
        out, base = [], 0
        for at in range(0, len(args), 3):
            number, offset, length = map(int, args[at : at + 3])
            if number not in self.segments:
                return self._refused(ss, "segment", f"no segment {number}")
            data = bytes(self.segments[number][0][offset : offset + length])
            more = len(args) // 3 - at // 3 - 1
            out += self._data(ss, data, base, **({"more": more} if more else {}))
            base += len(data)
        return out

    def do_pulled(self, ss: int, *args: str) -> list[bytes]:
        assert args and len(args) % 3 == 0, args
        marked: list[int] = []
        for at in range(0, len(args), 3):
            number, size, crc = map(int, args[at : at + 3])
            segment = self.segments.get(number)
            if segment is None or segment[1] == 1:
                return self._refused(ss, "segment", f"no segment {number}")
            if segment[1] == 2:
                return self._refused(ss, "growing", "still growing")
            if len(segment[0]) != size or zlib.crc32(segment[0]) != crc:
                return self._refused(ss, "mismatch", "size or check differ")
            segment[1] = 1
            marked.append(number)
        return self._facts(ss, {"marked": marked})

    def do_note(self, ss: int, *args: str) -> list[bytes]:
        return self._facts(ss, {"tick": self.tick})

    def do_host(self, ss: int, *args: str) -> list[bytes]:
        return self._facts(ss, {"tick": int(args[0])})

    def do_recent(self, ss: int, first: str) -> list[bytes]:
        following = len(self.records) + 1
        start = min(max(int(first), following - self.kept, 1), following)
        data = b"".join(self.records[start - 1 :])
        end = {"bytes": len(data), "crc": zlib.crc32(data), "first": start, "next": following}
        return [*self._data(ss, data)[:-1], frame(3, ss, json.dumps(end).encode())]

    def do_shot(self, ss: int, count: str, gap_ms: str) -> list[bytes]:
        assert (int(count), int(gap_ms)) == (0, 0) or (1 <= int(count) <= 500 and 100 <= int(gap_ms) <= 600_000)
        self.shots.append((int(count), int(gap_ms)))
        return self._facts(ss, {"shots": int(count)})

    def do_restart(self, ss: int, how: str) -> list[bytes]:
        assert how in ("log", "hold")
        return self._facts(ss, {"restart": how})

    def do_settings(self, ss: int) -> list[bytes]:
        return self._facts(ss, {"chatter_edges": 200})


class FakeClockChip(FakeBoard):
    """A board whose clock chip runs with the host's clock, `ahead_s` before it, until it is set.

    `stopped`: its oscillator had stopped; setting it clears that unless `dead_cell`.
    """

    def __init__(self, clock, ahead_s: float = 0.0, stopped: bool = False, dead_cell: bool = False):
        super().__init__()
        self.clock, self.ahead_s, self.stopped, self.dead_cell = clock, ahead_s, stopped, dead_cell
        self.sets: list[tuple[int, float]] = []

    def _now_s(self) -> float:
        return self.clock.time_ns() / 1e9

    def do_state(self, ss: int) -> list[bytes]:
        facts = json.loads(super().do_state(ss)[0][8:-4])
        facts |= {"clock_second": int(self._now_s() + self.ahead_s), "clock_state": int(self.stopped)}
        return self._facts(ss, facts)

    def do_clock(self, ss: int, second: str) -> list[bytes]:
        self.sets.append((int(second), self._now_s()))
        jump_ms = round((int(second) - self._now_s() - self.ahead_s) * 1000)
        self.ahead_s = int(second) - self._now_s()
        self.stopped = self.stopped and self.dead_cell
        return self._facts(ss, {"jump_ms": jump_ms})


class BadWire:
    """Spoils the pieces that pass: each fault strikes a piece with its own probability, from a seeded source.

    drop: the piece is lost. double: it comes twice. flip: one bit turns. split: it comes in several parts.
    delay: it comes after the piece that follows it. text: words of a console come before it. quiet_after: pieces that
    pass unspoilt at the end, so that a test can say when the wire is good again.
    """

    def __init__(self, seed: int, **faults: float):
        unknown = set(faults) - {"drop", "double", "flip", "split", "delay", "text"}
        assert not unknown, unknown
        self.rng = random.Random(seed)
        self.faults = faults
        self.struck = dict.fromkeys(faults, 0)
        self._late: list[bytes] = []

    def _strikes(self, fault: str) -> bool:
        hit = self.rng.random() < self.faults.get(fault, 0.0)
        if hit:
            self.struck[fault] += 1
        return hit

    def carry(self, pieces: Iterable[bytes]) -> list[bytes]:
        out: list[bytes] = []
        for piece in pieces:
            if self._strikes("delay"):
                self._late.append(piece)
                continue
            out += self._spoilt(piece)
            for late in self._late:
                out += self._spoilt(late)
            self._late.clear()
        return out

    def _spoilt(self, piece: bytes) -> list[bytes]:
        if self._strikes("drop"):
            return []
        if self._strikes("flip"):
            bent = bytearray(piece)
            bent[self.rng.randrange(len(bent))] ^= 1 << self.rng.randrange(8)
            piece = bytes(bent)
        if self._strikes("text"):
            piece = b"Traceback (most recent call last):\r\n\xe7" + piece
        parts = [piece]
        if self._strikes("split"):
            cuts = sorted(self.rng.randrange(len(piece) + 1) for _ in range(3))
            parts = [piece[a:b] for a, b in zip([0, *cuts], [*cuts, len(piece)], strict=True)]
        return parts * 2 if self._strikes("double") else parts


class FakePort:
    """What pyserial gives, over a board in this process. A read that finds nothing moves the clock by its time-out.

    `cut_after`: bytes from the board after which the port fails like one that was unplugged. `down` and `up` are
    wires for the two directions.
    """

    def __init__(self, board: FakeBoard, clock: FakeClock, down: BadWire | None = None, up: BadWire | None = None,
                 cut_after: int | None = None, trip_s: float = 0.001):  # fmt: skip
        self.board, self.clock, self.down, self.up = board, clock, down, up
        self.cut_after = cut_after
        self.trip_s = trip_s
        self.given = 0
        self.timeout = 0.05
        self.is_open = True
        self.buffer = bytearray()

    def __call__(self, url: str, **options: object) -> "FakePort":
        """Stands in for `serial_for_url`."""
        assert options["write_timeout"] and options["timeout"] is not None
        self.timeout = options["timeout"]
        self.is_open = True
        return self

    def write(self, data: bytes) -> int:
        assert self.is_open
        sent = self.up.carry([data]) if self.up else [data]
        for piece in sent:
            back = self.board.feed(piece)
            self.buffer += b"".join(self.down.carry(back) if self.down else back)
        self.clock.sleep(self.trip_s)
        return len(data)

    @property
    def in_waiting(self) -> int:
        return len(self.buffer)

    def read(self, size: int) -> bytes:
        assert self.is_open
        if self.cut_after is not None and self.given >= self.cut_after:
            raise OSError(5, "unplugged")
        if not self.buffer:
            self.clock.sleep(self.timeout)
            return b""
        if self.cut_after is not None:
            size = min(size, self.cut_after - self.given)
        out = bytes(self.buffer[:size])
        del self.buffer[:size]
        self.given += len(out)
        return out

    def close(self) -> None:
        self.is_open = False


class PtyBoard:
    """A fake board behind a real pseudo-terminal, served by a thread, for tests of the real port code."""

    def __init__(self, board: FakeBoard, greeting: bytes = b""):
        self.board = board
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.url = os.ttyname(self._slave)
        os.write(self._master, greeting)
        self._stop, self._wake = os.pipe()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> "PtyBoard":
        self._thread.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        os.write(self._wake, b"x")
        termios.tcflush(self._slave, termios.TCIOFLUSH)  # a write that waits for room ends
        self._thread.join(5)
        for handle in (self._master, self._slave, self._stop, self._wake):
            os.close(handle)

    def _serve(self) -> None:
        while True:
            ready, _, _ = select.select([self._master, self._stop], [], [])
            if self._stop in ready:
                return
            for piece in self.board.feed(os.read(self._master, 4096)):
                rest = piece
                while rest:
                    _, room, _ = select.select([self._stop], [self._master], [])
                    if not room:
                        return
                    rest = rest[os.write(self._master, rest) :]


def scene_file(
    path: Path,
    end_s: float = 600.0,
    breaks: Iterable[tuple[float, float]] = (),
    resets: Iterable[tuple[float, int]] = (),
    more: Iterable[tuple[float, int, int]] = (),
) -> Path:
    """Small invented scene for the virtual board: breaks of BEAM as (start s, length s), resets as (s, cause).

    A flash answers every break on all heads after 200 us, for 300 us. The clock chip keeps time from the start.
    `more`: other records of a scene as (s, what, value).
    """
    start_s = 1_750_000_000
    rows = [(int(60e9) * k + 1, 1, start_s + 60 * k) for k in range(int(end_s // 60) + 1)]
    rows += [(2, 2, 3900), (3, 3, 1650)]
    for start, length in breaks:
        t = int(start * 1e9)
        rows += [(t, 0, 1), (t + 200_000, 0, 1 | 0x78), (t + 500_000, 0, 1), (t + int(length * 1e9), 0, 0)]
    rows += [(int(t * 1e9), 4, cause) for t, cause in resets]
    rows += [(int(t * 1e9), what, value) for t, what, value in more]
    header = {
        "scene": 1, "name": "test", "seed": 1, "board": "e66138528361ac2f", "clock_hz": 125_000_000,
        "cycles_per_tick": 9, "end_ns": int(end_s * 1e9), "start_utc_us": start_s * 1_000_000,
    }  # fmt: skip
    body = b"".join(struct.pack("<QII", *row) for row in sorted(rows))
    path.write_bytes(json.dumps(header).encode() + b"\n" + body)
    return path
