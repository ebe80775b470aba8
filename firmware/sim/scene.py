"""Scene files: what happens to a board, as times and values. A JSON header line, then 16-byte records `<QII`."""

import json
import struct

from core.shim import const

LEVELS = const(0)  # active levels of bits 0..6 after the change
CLOCK_SECOND = const(1)  # the clock chip's Unix second that begins here
SUPPLY_MV = const(2)
TEMPERATURE_C100 = const(3)
RESET = const(4)  # value: boot cause, tag 42
RING_LOSS = const(5)  # value: words lost
CLOCK_STATE = const(6)  # bits of tag 51
BUTTON = const(7)
FIFO_DROP = const(8)
CLOCK_AHEAD = const(9)  # seconds by which the chip's registers are ahead of its wave's count (signed); the wave goes on
KINDS = const(10)

RECORD = const(16)
_CHUNK = const(256)  # records read at once
NEVER = const(0x3FFFFFFFFFFFFFFF)


def signed(value):
    """A u32 read as two's complement."""
    return value - (1 << 32) if value & 0x80000000 else value


class Events:
    """The records of a scene file, one after the other: `t_ns`, `what`, `value`; t_ns is NEVER behind the last."""

    def __init__(self, path):
        self._file = open(path, "rb")
        header = json.loads(self._file.readline())
        if header.get("scene") != 1:
            raise ValueError("%s is not a scene of version 1" % path)
        self.header = header
        self._buf = bytearray(RECORD * _CHUNK)
        self._at = self._end = 0
        self.next()

    def next(self):
        if self._at >= self._end:
            self._at = 0
            self._end = (self._file.readinto(self._buf) or 0) // RECORD * RECORD
            if not self._end:
                self.t_ns = NEVER
                self.what = self.value = 0
                return
        self.t_ns, self.what, self.value = struct.unpack_from("<QII", self._buf, self._at)
        self._at += RECORD

    def skip_to(self, t_ns):
        """Pass over everything before t_ns. Returns, by kind, the last value seen (None: none)."""
        last = [None] * KINDS
        while self.t_ns < t_ns:
            if self.what < KINDS:
                last[self.what] = self.value
            self.next()
        return last
