"""The link's stream: standard input and output, or one TCP connection (CPython only, for systems without ptys).

read() never waits; write() takes what fits now. 03 is Ctrl-C, as on the board. End of input ends the program: the
parent is gone.
"""

import errno
import select
import sys
import time

_GONE_MS = 5000
_PIECE = 512  # a pipe that is ready takes at least this much at once
_AGAIN = (errno.EAGAIN, getattr(errno, "EWOULDBLOCK", errno.EAGAIN))
MICROPYTHON = sys.implementation.name == "micropython"
if not MICROPYTHON:
    import os
    import socket


def _wall_ms():
    return time.ticks_ms() if MICROPYTHON else time.monotonic_ns() // 1000000


def _checked(data):
    if b"\x03" in data:
        raise KeyboardInterrupt
    return data


class Stdio:
    """Ends the program by SystemExit where the input ends."""

    def __init__(self):
        self._in, self._out = sys.stdin.buffer, sys.stdout.buffer
        self._gone_ms = None  # since when the other side is closed
        self._reader = select.poll()
        self._writer = select.poll()
        self._reader.register(sys.stdin, select.POLLIN)
        self._writer.register(sys.stdout, select.POLLOUT)
        if not MICROPYTHON:
            os.set_blocking(0, False)
            os.set_blocking(1, False)

    def _read_once(self):
        return self._in.read(1) if MICROPYTHON else os.read(0, 1024)

    def read(self):
        """Bytes that are there, b"" where none are."""
        data = b""
        ready = self._reader.poll(0)
        if not ready:
            self._gone_ms = None
        while len(data) < 1024 and ready:
            try:
                piece = self._read_once()
            except OSError as error:
                if error.errno == errno.EIO:
                    self._closed()
                break
            if piece == b"":
                sys.exit(0)
            if not piece:
                break
            data += piece
            ready = self._reader.poll(0)
        return _checked(data)

    def _closed(self):
        """The other side of a pseudo terminal is closed: for now, or, after a while, because the parent is gone."""
        if self._gone_ms is None:
            self._gone_ms = _wall_ms()
        elif _wall_ms() - self._gone_ms > _GONE_MS:
            sys.exit(0)

    def write(self, view):
        if not self.wait_writable(0):
            return 0
        try:
            if MICROPYTHON:
                return self._out.write(view[:_PIECE]) or 0
            return os.write(1, view)
        except OSError as error:
            if error.errno in _AGAIN or error.errno in (errno.EIO, errno.EPIPE):
                return 0
            raise

    def wait_readable(self, ms):
        if self._gone_ms is None:
            self._reader.poll(ms)
        else:
            time.sleep(ms / 1000)  # a poll would come back at once

    def wait_writable(self, ms):
        for found in self._writer.poll(ms):
            return found[1] & select.POLLOUT
        return 0


class Tcp:
    """One connection at a time on 127.0.0.1; a lost one makes way for the next. port 0: the system chooses."""

    def __init__(self, port):
        self._listener = socket.socket()
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._listener.bind(("127.0.0.1", port))
        self._listener.listen(1)
        self._listener.setblocking(False)
        self._peer = None
        self.port = self._listener.getsockname()[1]

    def _accept(self):
        try:
            peer, _ = self._listener.accept()
        except OSError:
            return
        peer.setblocking(False)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._close()
        self._peer = peer

    def _close(self):
        if self._peer is not None:
            self._peer.close()
            self._peer = None

    def read(self):
        self._accept()
        if self._peer is None:
            return b""
        try:
            data = self._peer.recv(1024)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._close()
        return _checked(data)

    def write(self, view):
        if self._peer is None:
            return len(view)  # a board whose port nobody has open loses what it sends
        try:
            return self._peer.send(view)
        except BlockingIOError:
            return 0
        except OSError:
            self._close()
            return len(view)

    def wait_readable(self, ms):
        select.select([self._peer or self._listener], [], [], ms / 1000)

    def wait_writable(self, ms):
        if self._peer is not None:
            select.select([], [self._peer], [], ms / 1000)
