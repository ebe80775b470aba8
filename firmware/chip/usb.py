"""The link's stream on the chip's USB serial port.

Reading byte by byte after a poll: a read of more waits until all are there. Ctrl-C arrives as KeyboardInterrupt, never
as a byte. Writing goes past the text layer, which would turn LF into CR LF. A host that holds the port open and does
not read makes a write wait 0.5 s and then come back short; after that the poll says no and nothing waits again.
"""

import select
import sys

from core.shim import const

_MOST = const(256)  # bytes taken in one pass


class Usb:
    def __init__(self):
        self._in, self._out = sys.stdin.buffer, sys.stdout.buffer
        self._buf = bytearray(_MOST)
        self._one = bytearray(1)
        self._view = memoryview(self._buf)
        self._reader = select.poll()
        self._reader.register(sys.stdin, select.POLLIN)
        self._writer = select.poll()
        self._writer.register(sys.stdout, select.POLLOUT)

    def read(self):
        """Bytes that are there, b"" where none are."""
        ready, take, one, buf = self._reader.ipoll, self._in.readinto, self._one, self._buf
        n, before = 0, -1
        while before < n < _MOST:
            before = n
            for _ in ready(0):  # makes nothing on the heap, unlike poll()
                take(one)
                buf[n] = one[0]
                n += 1
        return bytes(self._view[:n]) if n else b""

    def wait(self, ms):
        """Rest for so long at most; less where something arrives: then True."""
        return bool(self._reader.poll(ms))

    def write(self, view):
        if not self._writer.poll(0):
            return 0
        return self._out.write(view) or 0
