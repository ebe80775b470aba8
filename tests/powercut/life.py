"""A board's life on the strict flash: the real store, recorder and settings, beside a plain list of what is safe.

MicroPython only. Truth is written from FORMAT.md, not with the code under test.
"""
# pyright: reportMissingImports=false

import binascii
import random
import struct
import sys

import vfs
from core import records
from core.commit_policy import CommitPolicy
from core.recorder import Recorder
from core.settings import Settings
from core.store import Store
from sim.flash_fs import FlashFs

LEVELS = 0x7F
RESTATED = struct.pack("<IHBB", 1, 0, 0x4B, 0)
EDGE = 1
MOST_OPEN = 8  # files remembered, to be closed when the power is gone
PIECE = 8192  # bytes of a pack between two moments from which a load can go on


LOADS = {}  # version -> name of the pack, its text, the finisher, {name: text} of the files
FINISHER = b"# Duskgate: puts"  # how the main.py of a load under way begins


class Fs(FlashFs):
    """As chip/flash_fs.py: mounted as the board's start-up mounts it, which formats what it cannot mount."""

    def __init__(self, flash):
        self.formatted = False
        try:
            files = vfs.VfsLfs2(flash, progsize=256)
        except OSError:
            self.formatted = True
            vfs.VfsLfs2.mkfs(flash, progsize=256)
            files = vfs.VfsLfs2(flash, progsize=256)
        super().__init__(files)
        self.opened = []
        self.open = self._noted

    def _noted(self, name, mode):
        file = self._files.open(name, mode)
        self.opened.append(file)
        if len(self.opened) > MOST_OPEN:
            self.opened.pop(0)
        return file


class Truth:
    """What has to be there, and what may be: plain lists.

    firmware: content of main.py and of the files told as loaded; loading: the same of a load under way.
    commits: (edges as bytes, segment) in order, told as safe; pending: edges under way; pulled: segments told as
    marked; marking: one under way; settings: values told as kept; changing: (name, value) under way.
    """

    def __init__(self):
        self.commits = []
        self.pending = None
        self.pulled = set()
        self.marking = None
        self.settings = {}
        self.changing = None
        self.firmware = {}
        self.loading = None
        self.boot_no = 0
        self.tick = 1000
        self.tail = 0  # records: the longest tail that a cut took

    def copy(self):
        new = Truth()
        new.commits = list(self.commits)
        new.pending, new.marking, new.changing = self.pending, self.marking, self.changing
        new.pulled = set(self.pulled)
        new.settings = dict(self.settings)
        new.firmware, new.loading = self.firmware, self.loading
        new.boot_no, new.tick = self.boot_no, self.tick
        return new

    def _may_be_dropped(self, number):
        may = self.settings.get("drop_unpulled") or self.changing == ("drop_unpulled", 1)
        return may or number in self.pulled or number == self.marking

    def check(self, fs):
        """Errors as (kind, text); kinds "lost", "invented", "changed". What was under way is known from here on."""
        errors = []
        try:
            names = sorted(fs.listdir("log"))
        except OSError:
            names = []
        found = [name for name in names if name[8:] in (".seg", ".out")]
        numbers = [int(name[:8]) for name in found]
        if len(set(numbers)) != len(numbers):
            errors.append(("invented", "a segment has two names: %s" % found))
        self._names(found, errors)
        safe, at = [], 0
        for name, number in zip(found, numbers):
            while at < len(self.commits) and self.commits[at][1] < number:
                at = self._missing(at, errors)
            for edges in edges_of(fs, "log/" + name, errors):
                if at < len(self.commits) and self.commits[at] == (edges, number):
                    safe.append(self.commits[at])
                    at += 1
                elif at == len(self.commits) and edges == self.pending:
                    safe.append((edges, number))
                    self.pending = None
                else:
                    errors.append(("invented", "%s: %d edges that were not committed there" % (name, len(edges) // 8)))
        while at < len(self.commits):
            at = self._missing(at, errors)
        self.commits = safe
        if self.pending is not None:
            self.tail = max(self.tail, len(self.pending) // 8)
        self.pending = None
        self._settings(fs, errors)
        self._firmware(fs, errors)
        return errors

    def _firmware(self, fs, errors):
        for files in (self.firmware, self.loading):
            if files is not None and all(read(fs, name) == data for name, data in files.items()):
                self.firmware, self.loading = files, None
                return
        errors.append(("changed", "the firmware is neither the old one nor the new one"))
        self.loading = None

    def _missing(self, at, errors):
        edges, number = self.commits[at]
        if not self._may_be_dropped(number):
            errors.append(("lost", "a commit of %d edges in segment %d" % (len(edges) // 8, number)))
        return at + 1

    def _names(self, found, errors):
        for name in found:
            number = int(name[:8])
            if name[8:] == ".out":
                if number not in self.pulled and number != self.marking:
                    errors.append(("changed", "%s was never marked" % name))
                self.pulled.add(number)
            elif number in self.pulled:
                errors.append(("changed", "%s had been marked" % name))
        self.marking = None

    def _settings(self, fs, errors):
        text, _, check = (read(fs, "settings.txt") or b"").decode().partition("check=")
        there = dict(line.split("=") for line in text.split() if line.count("=") == 1)
        changed = dict(self.settings)
        if self.changing:
            changed[self.changing[0]] = self.changing[1]
        right = not text or int(check, 16) == binascii.crc32(text.encode())
        for values in (self.settings, changed):
            kept = all(there.get(name) == str(value) for name, value in values.items())
            if right and kept and (values or not there):
                self.settings, self.changing = values, None
                return
        errors.append(("changed", "settings %s check %s, wanted %s" % (there, check, changed)))
        self.changing = None


def read(fs, name):
    """Bytes of a file, None where it is not there."""
    try:
        with fs.open(name, "rb") as file:
            return file.read()
    except OSError:
        return None


def write(fs, name, data, mode="wb"):
    with fs.open(name, mode) as file:
        file.write(data)


def edges_of(fs, name, errors):
    """The edges of each block of a segment, as bytes; every rule of FORMAT.md section 3 is checked."""
    with fs.open(name, "rb") as file:
        data = file.read()
    view, at = memoryview(data), 0
    while at < len(data):
        if len(data) - at < 24:
            errors.append(("invented", "%s ends inside a block" % name))
            return
        magic, version, header, n, _, _, _, check = struct.unpack_from("<4sBBHIIII", data, at)
        body = view[at + 24 : at + 24 + 8 * n]
        sound = (magic, version, header) == (b"\xd6\x44\x47\x0a", 1, 24) and 1 <= n <= 508 and len(body) == 8 * n
        if not sound or binascii.crc32(body, binascii.crc32(view[at : at + 20])) != check:
            errors.append(("lost", "%s: a damaged block at %d" % (name, at)))
            return
        at += 24 + 8 * n
        first = 0
        while first < n and body[8 * first + 6] != EDGE:
            first += 1
        if first < n:
            yield bytes(body[8 * first :])


class Board:
    """One power-up. Raises whatever a board that does not start would raise."""

    def __init__(self, flash, truth):
        self.truth = truth
        self.fs = None
        flash.board = self  # for one that gets no further than here
        self.fs = Fs(flash)
        if self.fs.formatted and (truth.commits or truth.settings):
            raise OSError("formatted, with a log on it")
        main = read(self.fs, "main.py")
        if main and main.startswith(FINISHER):
            self._finish(main)
        self.settings = Settings(self.fs)
        self.store = Store(self.fs, lambda: self.settings["drop_unpulled"])
        boot_no = self.store.last_boot_no + 1
        facts = [(records.BOOT_NUMBER, boot_no, 0)]
        boot_id = random.getrandbits(30) + 1
        self.recorder = Recorder(self.store, CommitPolicy(), boot_id, boot_no, facts, lambda: LEVELS)
        self.recorder.group(0, records.LEVELS, LEVELS, ())
        self.recorder.statement()

    def do(self, step):
        getattr(self, step[0])(*step[1:])

    def commit(self, n):
        truth, recorder = self.truth, self.recorder
        n = min(n, recorder.room())
        edges = bytearray(8 * n)
        for i in range(n):
            truth.tick += 7
            struct.pack_into("<IHBB", edges, 8 * i, truth.tick, 0, EDGE, i & 127)
        at = recorder.block.at()
        recorder.block.buf[at : at + len(edges)] = edges
        recorder.filled(n, truth.tick)
        truth.pending = bytes(edges)
        if recorder.commit():
            truth.commits.append((truth.pending, self.store.growing.number))
            truth.boot_no = self.recorder.boot_no
        truth.pending = None

    def mark(self, which):
        """Mark the oldest segment that can be, or the one `which` places after it."""
        able = [s for s in self.store.segments if not s.pulled and s is not self.store.growing]
        if able:
            segment = able[which % len(able)]
            self.truth.marking = segment.number
            self.store.mark_pulled(segment)
            self.truth.marking = None
            self.truth.pulled.add(segment.number)

    def set(self, name, value):
        self.truth.changing = (name, value)
        self.settings.change(name, value)
        self.truth.changing = None
        self.truth.settings[name] = value

    def end_segment(self):
        self.store.stop_growing()

    def stop(self):
        """Orderly: the last moment, committed, and the file closed."""
        self.recorder.moment(self.recorder.top, ((records.STOP, 1, 0),))
        self.recorder.commit()
        self.store.close()

    def load(self, version):
        """As `duskgate load` does it: the pack beside the old firmware, then one rename, then the exchange."""
        fs = self.fs
        name, pack, finisher, files = LOADS[str(version)]
        self.truth.loading = {name: data.encode() for name, data in files.items()}
        for folder in ("core", "chip"):
            if folder not in fs.listdir(""):
                fs.mkdir(folder)
        for at in range(0, len(pack), PIECE):
            write(fs, name, pack[at : at + PIECE].encode(), "ab" if at else "wb")
        write(fs, "finish.new", finisher.encode())
        fs.rename("finish.new", "main.py")
        self._finish(finisher.encode())
        self.truth.firmware, self.truth.loading = self.truth.loading, None

    def _finish(self, text):
        """Run the finisher with this flash as its file system."""
        fs = self.fs
        names = {"__name__": "finish", "print": lambda *_: None}
        names["open"] = lambda name, mode="rb": fs.open(name[1:], mode)
        sys.modules["os"] = fs
        fs_remove, fs_rename = fs.remove, fs.rename
        fs.remove = lambda name: fs_remove(name.lstrip("/"))
        fs.rename = lambda old, new: fs_rename(old.lstrip("/"), new.lstrip("/"))
        try:
            exec(text.decode(), names)
        finally:
            sys.modules.pop("os", None)

    def off(self):
        """The power is gone or this board is done with: nothing of it may write later, when it is collected."""
        for file in self.fs.opened if self.fs else ():
            try:
                file.close()
            except Exception:
                pass
