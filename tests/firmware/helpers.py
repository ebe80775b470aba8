"""Fakes for the board's seams, and small tools; runs under MicroPython and CPython.

The fakes are stricter than the board.
Expected values in the tests are worked out here and there by slow plain arithmetic, never by the code under test.
"""

import binascii
import errno
import struct
from array import array

ENOSPC = 28  # not in the board's errno module
RING_WORDS = 8192
TOP = 0xFFFFFF


class Random:
    """A small generator that gives the same numbers in every Python (Numerical Recipes' 32-bit congruence)."""

    def __init__(self, seed):
        self._state = seed

    def below(self, most):
        self._state = (self._state * 1664525 + 1013904223) & 0xFFFFFFFF
        return (self._state >> 8) * most >> 24

    def between(self, least, most):
        return least + self.below(most - least + 1)


class PowerCut(Exception):
    pass


class DictFs:
    """A file system in a dict: name -> committed bytes. What is not flushed is lost when the power goes.

    `fail`: {operation: errno} raised from now on; `cut_after`: number of changing operations until PowerCut (the last
    one done or not by `torn`). Misuse (two writers, removing an open file) is an AssertionError.
    """

    BLOCK = 4096

    def __init__(self, blocks=352, files=None):
        self.files = dict(files or {})
        self.folders = {"log"} if any(name.startswith("log/") for name in self.files) else set()
        self.blocks = blocks
        self.fail = {}
        self.cut_after = None
        self.writers = set()
        self.flushes = 0
        self.asked_space = 0

    def changing(self, operation):
        if operation in self.fail:
            raise OSError(self.fail[operation], operation)
        if self.cut_after is not None:
            if self.cut_after <= 0:
                raise PowerCut()
            self.cut_after -= 1

    def after_cut(self):
        """The same flash after the power came back."""
        return DictFs(self.blocks, self.files)

    def used(self):
        return 4 + sum((len(data) + self.BLOCK - 1) // self.BLOCK for data in self.files.values())

    def open(self, name, mode):
        assert mode in ("rb", "wb", "ab"), mode
        folder = name.rpartition("/")[0]
        if mode == "rb":
            if name not in self.files:
                raise OSError(errno.ENOENT, "ENOENT")
            return Reader(self.files[name])
        assert name not in self.writers, "two writers of " + name
        if folder and folder not in self.folders:
            raise OSError(errno.ENOENT, "ENOENT")
        self.changing("open")
        if mode == "wb" or name not in self.files:
            self.files[name] = b""
        return Writer(self, name)

    def remove(self, name):
        assert name not in self.writers, "removing an open file"
        self.changing("remove")
        if name not in self.files:
            raise OSError(errno.ENOENT, "ENOENT")
        del self.files[name]

    def rename(self, old, new):
        assert old not in self.writers, "renaming an open file"
        self.changing("rename")
        self.files[new] = self.files.pop(old)

    def mkdir(self, name):
        self.changing("mkdir")
        self.folders.add(name)

    def listdir(self, folder):
        if folder not in self.folders:
            raise OSError(errno.ENOENT, "ENOENT")
        names = [name[len(folder) + 1 :] for name in self.files if name.startswith(folder + "/")]
        return sorted(names, key=lambda name: (name[7:8], name))  # the board promises no order

    def size(self, name):
        if name not in self.files:
            raise OSError(errno.ENOENT, "ENOENT")
        return len(self.files[name])

    def space(self):
        self.asked_space += 1
        return self.BLOCK, self.blocks, max(0, self.blocks - self.used())


class Reader:
    def __init__(self, data):
        self._data = data
        self._at = 0
        self.closed = False

    def seek(self, at):
        self._at = at

    def read(self, n):
        piece = self._data[self._at : self._at + n]
        self._at += len(piece)
        return piece

    def readinto(self, buf):
        piece = self.read(len(buf))
        buf[: len(piece)] = piece
        return len(piece)

    def close(self):
        self.closed = True

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()


class Writer:
    def __init__(self, fs, name):
        self._fs = fs
        self._name = name
        self._waits = b""
        fs.writers.add(name)

    def write(self, data):
        self._fs.changing("write")
        if len(data) > (self._fs.blocks - self._fs.used() + 1) * self._fs.BLOCK:
            raise OSError(ENOSPC, "ENOSPC")
        self._waits += bytes(data)
        return len(data)

    def flush(self):
        self._fs.changing("flush")
        self._fs.flushes += 1
        self._fs.files[self._name] += self._waits
        self._waits = b""

    def close(self):
        self._fs.writers.discard(self._name)
        self._waits = b""

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()


class RamFlash:
    """Flash of a board as MicroPython's block devices are; programming a cell that was not erased is an error."""

    def __init__(self, blocks=352, data=None):
        self.blocks = blocks
        self.data = data or bytearray(b"\xff" * (4096 * blocks))
        self.erases = [0] * blocks
        self.changes_left = None
        self.dead = False

    def _change(self):
        if self.dead:
            raise OSError(errno.EIO, "EIO")
        if self.changes_left is not None:
            if self.changes_left <= 0:
                self.dead = True
                raise OSError(errno.EIO, "EIO")
            self.changes_left -= 1

    def readblocks(self, block, buf, offset=0):
        at = block * 4096 + offset
        buf[:] = memoryview(self.data)[at : at + len(buf)]

    def writeblocks(self, block, buf, offset=None):
        if offset is None:
            self.ioctl(6, block)
            offset = 0
        self._change()
        at = block * 4096 + offset
        assert len(buf) % 256 == 0 and offset % 256 == 0
        assert bytes(memoryview(self.data)[at : at + len(buf)]) == b"\xff" * len(buf), "programming without erasing"
        self.data[at : at + len(buf)] = buf

    def ioctl(self, operation, argument):
        if operation == 4:
            return self.blocks
        if operation == 5:
            return 4096
        if operation == 6:
            self._change()
            self.erases[argument] += 1
            self.data[argument * 4096 : (argument + 1) * 4096] = b"\xff" * 4096
        return 0


class FakeStamper:
    """Words put in by the test; `tick` is the time. Real ring, real overrun."""

    clock_hz = 125000000
    cycles = 9

    def __init__(self):
        self.ring = array("I", [0] * RING_WORDS)
        self.read = self.unread = 0
        self.dropped = False
        self.tick = 0
        self.drop_flag = False
        self.written = self.taken = 0
        self.late = None  # called once in consumed(): the writer goes on meanwhile
        self._next_marker = 0
        self.levels = 0x7F

    def now(self):
        return self.tick

    def to(self, tick, levels=None):
        """Time goes on to `tick`; markers come as they must; then the levels change."""
        while self._next_marker <= tick:
            if levels is None or self._next_marker < tick:
                self.word(self._next_marker, self.levels)
            else:
                self.word(self._next_marker, levels)
                self.levels = levels
            self._next_marker += TOP + 1
        if levels is not None and levels != self.levels:
            self.levels = levels
            self.word(tick, levels)
        self.tick = tick

    def word(self, tick, levels):
        self.ring[self.written % RING_WORDS] = (TOP - (tick & TOP)) << 8 | levels
        self.written += 1

    def forget(self, words):
        """The last words never reached the ring."""
        self.written -= words

    def poll(self):
        lost = max(0, self.written - self.taken - (RING_WORDS - 1))
        self.taken += lost
        self.read = self.taken % RING_WORDS
        self.unread = self.written - self.taken
        self.dropped, self.drop_flag = self.drop_flag, False
        return lost

    def consumed(self, words):
        if self.late is not None:
            late, self.late = self.late, None
            late()
            return False
        self.taken += words
        return True


def decode(data):
    """All blocks of a segment's bytes: [(boot id, boot number, sequence, records)]; a record: (number, tag, extra).

    Every check of FORMAT.md section 3 is asserted, and that nothing stands between the blocks.
    """
    at = 0
    found = []
    while at < len(data):
        magic, version, header, n, boot_id, boot_no, sequence, check = struct.unpack("<4sBBHIIII", data[at : at + 24])
        assert magic == b"\xd6\x44\x47\x0a" and version == 1 and header == 24 and 1 <= n <= 508
        body = data[at + 24 : at + 24 + 8 * n]
        assert len(body) == 8 * n
        assert binascii.crc32(data[at : at + 20] + body) == check
        rows = []
        for i in range(n):
            low, high, tag, extra = struct.unpack("<IHBB", body[8 * i : 8 * i + 8])
            rows.append((low + (high << 32), tag, extra))
        assert rows[0][1] < 0x40, "a block begins with a stamped record"
        found.append((boot_id, boot_no, sequence, rows))
        at += 24 + 8 * n
    return found


def segments(fs):
    """Decoded blocks of all segments of a DictFs, in order."""
    names = sorted(name for name in fs.files if name.startswith("log/"))
    return [block for name in names for block in decode(fs.files[name])]


def rows(blocks, restated=False):
    """Records of blocks, one list; with the restated boot statements of later segments or without."""
    return [row for block in blocks if restated or block[3][1:2] != [(1, 0x4B, 0)] for row in block[3]]


def values(found, tag):
    return [row[0] for row in found if row[1] == tag]


def signed(value):
    return value - (1 << 48) if value >> 47 else value
