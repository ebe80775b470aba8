"""A station on fake parts and a fake clock; for both interpreters."""

import binascii
import json
import struct

from core.settings import Settings
from core.store import Store
from station import Identity, Station

import helpers

CLOCK_HZ, CYCLES = 125000000, 9
START = 1750000000
TICKS_MS = CLOCK_HZ // CYCLES // 1000


class Chip:
    """A clock chip: second k begins at tick first + k * CLOCK_HZ / CYCLES; its wave goes into the stamper."""

    def __init__(self, stamper, first=3000000):
        self._stamper = stamper
        self.first = first
        self.start = START
        self.flag = False
        self.error = None
        self.set_to = []

    def second_at(self, tick):
        return self.start + (tick - self.first) * CYCLES // CLOCK_HZ

    def fall(self, k):
        return self.first + k * CLOCK_HZ // CYCLES

    def answer(self, value):
        if self.error is not None:
            raise self.error
        return value

    def read(self):
        return self.answer(self.second_at(self._stamper.tick))

    def stopped(self):
        return self.answer(self.flag)

    def temp_c100(self):
        return self.answer(-325)

    def set(self, second):
        self.answer(None)
        self.set_to.append(second)
        self.first = self._stamper.tick
        self.start = second
        self.flag = False
        return True


class Part:
    """Answers every method with `value`, or raises `error`."""

    def __init__(self, value=None):
        self.value = value
        self.error = None
        self.calls = []

    def _call(self, *arguments):
        self.calls.append(arguments)
        if self.error is not None:
            raise self.error
        return self.value

    read_mv = pressed = show = feed = fire = _call


class Stream:
    def __init__(self):
        self.asked = b""
        self.sent = b""
        self.takes = 10**9
        self.error = None

    def read(self):
        if self.error is not None:
            raise self.error
        data, self.asked = self.asked, b""
        return data

    def write(self, view):
        n = min(len(view), self.takes, 200)
        self.sent += bytes(view[:n])
        self.takes -= n
        return n


class Pace:
    """Board time; sleeping plays the scene: edges [(tick, levels)] and the clock chip's wave."""

    def __init__(self, stamper, chip, longest_ms=1000):
        self._stamper = stamper
        self._chip = chip
        self._longest_ms = longest_ms
        self.edges = []
        self.wave = True
        self.half = 0
        self.slept = 0

    def now_ms(self):
        return self._stamper.tick // TICKS_MS

    link_ms = now_ms

    def heap_free(self):
        return 123456

    def sleep_until(self, due_ms, busy):
        self.slept += 1
        step = 1 if busy else max(1, min(due_ms - self.now_ms(), self._longest_ms))
        self.to((self.now_ms() + step) * TICKS_MS + TICKS_MS // 2)

    def to(self, tick):
        stamper = self._stamper
        while True:
            edge = self.edges[0][0] if self.edges else tick + 1
            toggle = self._toggle_tick()
            if min(edge, toggle) > tick:
                break
            if edge <= toggle:
                levels = self.edges.pop(0)[1]
                stamper.to(max(edge, stamper.tick), levels & 0x7F | stamper.levels & 0x80)
            else:
                self.half += 1
                if self.wave:
                    stamper.to(max(toggle, stamper.tick), stamper.levels & 0x7F | (0x80 if not self.half & 1 else 0))
        stamper.to(max(tick, stamper.tick))

    def _toggle_tick(self):
        return self._chip.first + self.half * CLOCK_HZ // (2 * CYCLES)


class Bench:
    """`station` with its parts by name, on a DictFs. ask(text) gives the frames of the answer."""

    def __init__(self, fs=None, settings=None, cause=1, longest_ms=1000, boot_id=77):
        self.fs = fs or helpers.DictFs()
        self.stamper = helpers.FakeStamper()
        self.stamper.levels = 0xFF
        self.stamper.to(0)  # the first word comes within a microsecond of the start
        self.rtc = Chip(self.stamper)
        self.pace = Pace(self.stamper, self.rtc, longest_ms)
        self.stream = Stream()
        self.supply, self.button, self.lamp, self.watchdog = Part(3912), Part(False), Part(), Part()
        self.shot = Part(True)
        self.settings = Settings(self.fs)
        for name in settings or {}:
            self.settings.override(name, settings[name])
        parts = {}
        for name in ("stamper", "rtc", "supply", "button", "lamp", "watchdog", "stream", "pace", "shot"):
            parts[name] = getattr(self, name)
        identity = Identity(b"\x01\x02\x03\x04\x05\x06\x07\x08", "MicroPython 1.29.0", 2, (1, 29, 0))
        store = Store(self.fs, lambda: self.settings["drop_unpulled"])
        self.station = Station(parts, identity, self.settings, store, boot_id, cause)
        self._ss = 0

    def run(self, seconds):
        """Let the board live for so long."""
        end = self.pace.now_ms() + int(seconds * 1000)
        while self.pace.now_ms() < end:
            self.station.step()

    def send(self, text):
        self._ss = (self._ss + 1) & 0xFF
        body = b"(%02X %s)" % (self._ss, text.encode())
        self.stream.asked += body + b"%04X\n" % (binascii.crc32(body) & 0xFFFF)

    def ask(self, text, ends=1):
        """[(kind, payload)] of the answer, closing frame last; facts, end and refusal as dict. ends: that close it."""
        self.stream.sent = b""
        self.send(text)
        for _ in range(2000):
            self.station.step()
            found = frames(self.stream.sent)
            closing = [kind for kind, _, _ in found if kind != 2]
            if len(closing) >= ends or (closing and closing[-1] != 3):
                assert all(frame[2] == self._ss for frame in found)
                return [(kind, payload if kind == 2 else json.loads(payload.decode())) for kind, payload, _ in found]
        raise AssertionError("no answer to " + text)

    def facts(self, text):
        answer = self.ask(text)
        assert len(answer) == 1 and answer[0][0] == 1, answer
        return answer[0][1]

    def refusal(self, text):
        answer = self.ask(text)
        assert len(answer) == 1 and answer[0][0] == 4, answer
        assert "\n" not in answer[0][1]["text"]
        return answer[0][1]["code"]

    def data(self, text):
        """Data bytes of an answer, offsets and end checked."""
        answer = self.ask(text)
        got = b""
        for kind, payload in answer[:-1]:
            assert kind == 2 and int.from_bytes(payload[:4], "little") == len(got) and len(payload) <= 4096
            got += payload[4:]
        assert answer[-1] == (3, {"bytes": len(got), "crc": binascii.crc32(got)})
        return got

    def rows(self, restated=False):
        """Every record stored, after a commit."""
        self.station.commit_all()
        return helpers.rows(helpers.segments(self.fs), restated)


def frames(data):
    """[(kind, payload, ss)]; every check asserted, nothing between frames."""
    found = []
    while len(data) >= 8:
        magic, kind, ss, n, check = struct.unpack("<2sBBHH", data[:8])
        assert magic == b"\xe7\x9d" and n <= 4096 and binascii.crc32(data[:6]) & 0xFFFF == check
        if len(data) < 12 + n:
            break
        payload = data[8 : 8 + n]
        assert struct.unpack("<I", data[8 + n : 12 + n])[0] == binascii.crc32(payload)
        found.append((kind, payload, ss))
        data = data[12 + n :]
    return found
