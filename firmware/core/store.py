"""Segments on the board's file system (FORMAT.md section 4): append, mark as pulled, drop, count boots.

The file system is handed in: open(name, mode), remove(name), rename(old, new), listdir(folder), size(name),
mkdir(folder), space() -> (bytes of a block, blocks, free blocks). All fail with OSError. `flush` of a file commits it.
"""

import binascii
import errno

from core import blocks
from core.renew import renew
from core.shim import const

FOLDER = "log"
SEGMENT_BYTES = const(32724)  # just fits 8 littlefs blocks of 4096 bytes less their pointers; the format allows 32768
SEGMENT_BLOCKS = const(8)
RESERVE_PERCENT = const(6)  # beside which a load of another firmware still fits (tests/host/test_load_room.py)
RESERVE_LEAST = const(8)
NIGHT_BYTES = const(240000)  # a busy one: 20,000 edges, 720 minute records, 2,300 commits
NEW = ".new"  # sorts before `.out` and `.seg` of the same number
_PAIR_SEGMENTS = const(48)  # names of segments that stand in one pair of sectors: littlefs splits it at 2048 bytes
_PAIR_LEAST = const(16)  # and at least so many in each pair after a split
_ENOSPC = const(28)  # the board's errno module does not name it

OK = "ok"
FULL = "full"
FAILING = "failing"

NOT_PULLED = const(0)
PULLED = const(1)
GROWING = const(2)


def reserve(total):
    """Blocks that stay free: littlefs copies on every write, and settings must be changeable in a full store."""
    return max(RESERVE_LEAST, total * RESERVE_PERCENT // 100)


class Segment:
    """number, committed bytes, pulled (the file is named `.out`).

    sent: (bytes, CRC-32) of its first bytes as they last went to a host in this boot, or None. Committed bytes never
    change, so that is what stands in the store, and nothing has to be read again to know it.
    """

    def __init__(self, number, size, pulled):
        self.number = number
        self.size = size
        self.pulled = pulled
        self.sent = None

    def name(self):
        return "%s/%08d.%s" % (FOLDER, self.number, "out" if self.pulled else "seg")


class Store:
    """All segments, oldest first, in `segments`; the newest may be growing.

    `drop_unpulled()` says whether unpulled segments may go when room is needed. `status` is "ok", "full" or "failing"
    and `error` the last error number; `last_boot_no` is that of the newest block found, 0 where there is none.
    """

    def __init__(self, fs, drop_unpulled=lambda: False):
        self._fs = fs
        self._drop_unpulled = drop_unpulled
        self._file = None
        self.segments = []
        self.growing = None
        self.status = OK
        self.error = 0
        self.last_boot_no = 0
        self._no_folder = False
        self.torn = None  # number of a newest segment that did not end with a whole block
        self._find()
        self._find_boot()

    # -- what is there -------------------------------------------------------------------------------------------

    def _find(self):
        self._renew(self._names())
        for name in self._names():
            path = "%s/%s" % (FOLDER, name)
            if name[8:] == NEW:
                self._remove_rest(path)
            else:
                self.segments.append(Segment(int(name[:8]), self._fs.size(path), name[8:] == ".out"))
        self.segments.sort(key=lambda segment: segment.number)

    def _remove_rest(self, path):
        """What a renewal that was cut left; it does no harm where it cannot be removed."""
        try:
            self._fs.remove(path)
        except OSError as error:
            self.error = error.errno

    def _names(self):
        """Ours in the folder, sorted."""
        try:
            names = self._fs.listdir(FOLDER)
        except OSError as error:
            if error.errno != errno.ENOENT:
                raise
            self._make_folder()
            return []
        return sorted(name for name in names if name[:8].isdigit() and name[8:] in (".seg", ".out", NEW))

    def _renew(self, names):
        """Each pair of sectors that holds the folder: a name sorts into the pair of the one that it stands before."""
        last = max(0, len(names) - 1)
        for at in range(last + 1):
            if at == last or last >= _PAIR_SEGMENTS and at % _PAIR_LEAST == 0:
                renew(self._fs, "%s/%s%s" % (FOLDER, names[at][:8] if names else "00000000", NEW))

    def _make_folder(self):
        """A store that takes nothing is no reason not to start: the live view works, and `state` says so."""
        try:
            self._fs.mkdir(FOLDER)
        except OSError as error:
            self.status, self.error = FAILING, error.errno
            self._no_folder = True

    def _find_boot(self):
        """Walk the newest segment: may it grow, and which boot wrote last?"""
        for segment in reversed(self.segments):
            whole = self._walk(segment)
            if segment is self.segments[-1] and not segment.pulled:
                if whole:
                    self.growing = segment
                else:
                    self.torn = segment.number
            if self.last_boot_no:
                return

    def _walk(self, segment):
        """Step over the blocks; True where the last one ends with the file."""
        at = 0
        header = bytearray(blocks.HEADER)
        with self._fs.open(segment.name(), "rb") as file:
            while at < segment.size:
                file.seek(at)
                if file.readinto(header) != blocks.HEADER:
                    return False
                found = blocks.parse_header(header)
                if found is None:
                    return False
                self.last_boot_no = max(self.last_boot_no, found[2])
                at += blocks.HEADER + 8 * found[0]
        return at == segment.size

    def find(self, number):
        """The segment of that number, or None."""
        for segment in self.segments:
            if segment.number == number:
                return segment
        return None

    def state_of(self, segment):
        if segment.pulled:
            return PULLED
        return GROWING if segment is self.growing else NOT_PULLED

    def open_at(self, segment, offset):
        """A file of the segment for reading, at `offset`. Readers see committed bytes only."""
        file = self._fs.open(segment.name(), "rb")
        if offset:
            file.seek(offset)
        return file

    def check_steps(self, segment, room):
        """Generator over the CRC-32 of more and more of a segment, read into `room` (a memoryview) piece by piece; the
        last value is that of all of it."""
        check = at = 0
        with self._fs.open(segment.name(), "rb") as file:
            while at < segment.size:
                n = file.readinto(room[: segment.size - at])
                if not n:
                    break
                check = binascii.crc32(room[:n], check)
                at += n
                yield check
        if not at:
            yield 0

    # -- append --------------------------------------------------------------------------------------------------

    def begins_segment(self, size):
        """Whether a block of `size` bytes would be the first of its segment."""
        return self.growing is None or self._too_big(size) or not self.growing.size

    def _too_big(self, size):
        return self.growing is None or self.growing.size + size > SEGMENT_BYTES

    def append(self, parts):
        """Commit the blocks `parts` (a tuple of bytes-likes) as one. True where they are safe; else see `status`.

        Never raises OSError. A failed append leaves what was committed before.
        """
        size = sum(len(part) for part in parts)
        for attempt in range(2):
            try:
                if self._too_big(size) and not self._begin_segment():
                    return False
                self._write(parts, size)
                self.status = OK
                return True
            except OSError as error:
                self.error = error.errno
                self._let_go()
                if error.errno != _ENOSPC or attempt:
                    break
                if not self._dropped():
                    self.status = FULL
                    return False
        self.status = FULL if self.error == _ENOSPC else FAILING
        return False

    def _write(self, parts, size):
        segment = self.growing
        if segment is None:
            raise OSError(errno.EIO, "no segment")
        if self._file is None:
            self._file = self._fs.open(segment.name(), "ab")
        for part in parts:
            if self._file.write(part) != len(part):
                raise OSError(errno.EIO, "not written")
        self._file.flush()
        segment.size += size

    def _let_go(self):
        """After an error: close, and go on with this segment only if it is as it was."""
        growing = self.growing
        self.close()
        if growing is None:
            return
        try:
            size = self._fs.size(growing.name())
        except OSError:
            size = None
        if size != growing.size:
            self.growing = None
            if size is None and not growing.size:
                self.segments.remove(growing)
            elif size is not None:
                growing.size = size  # the reader finds the whole blocks in it

    def close(self):
        """Close the open file; what was flushed is safe whether this works or not."""
        if self._file is not None:
            try:
                self._file.close()
            except OSError as error:
                self.error = error.errno
            self._file = None

    def stop_growing(self):
        """The newest segment is closed for good: the next block begins another, and this one can be pulled."""
        self.close()
        self.growing = None

    def _begin_segment(self):
        self.close()
        if not self.make_room():
            self.status = FULL
            return False
        if self._no_folder:
            self._fs.mkdir(FOLDER)
            self._no_folder = False
        last = self.segments[-1] if self.segments else Segment(0, 0, True)
        segment = Segment(last.number + 1, 0, False) if last.pulled or last.size else last
        self._file = self._fs.open(segment.name(), "ab")
        if segment is not last:
            self.segments.append(segment)
        self.growing = segment
        return True

    # -- room ----------------------------------------------------------------------------------------------------

    def make_room(self):
        """Drop the oldest pulled segments until a whole new one leaves the reserve free. False: none may go."""
        while True:
            _, total, free = self._fs.space()
            if free >= reserve(total) + SEGMENT_BLOCKS:
                return True
            if not self.drop_oldest():
                return False

    def _dropped(self):
        """drop_oldest(), for one who must not raise."""
        try:
            return self.drop_oldest()
        except OSError as error:
            self.error = error.errno
            return False

    def drop_oldest(self):
        """Remove the oldest segment that may go. False where there is none.

        The last one has an empty one made behind it first: its number must not be given again after a restart.
        """
        for segment in self.segments:
            if segment is not self.growing and (segment.pulled or segment.size and self._drop_unpulled()):
                if segment is self.segments[-1]:
                    after = Segment(segment.number + 1, 0, False)
                    self._fs.open(after.name(), "ab").close()
                    self.segments.append(after)
                self._fs.remove(segment.name())
                self.segments.remove(segment)
                return True
        return False

    def mark_pulled(self, segment):
        """Rename `.seg` to `.out`. OSError where that fails: the segment is then as it was."""
        old = segment.name()
        segment.pulled = True
        try:
            self._fs.rename(old, segment.name())
        except OSError:
            segment.pulled = False
            raise

    def unpulled_bytes(self):
        return sum(segment.size for segment in self.segments if not segment.pulled)

    def free_bytes(self):
        """Bytes that can still be logged: whole segments that fit, the rest of the one that grows, and pulled segments,
        which may be dropped."""
        size, total, free = self._fs.space()
        rest = 0
        if self.growing is not None:
            rest = max(0, SEGMENT_BYTES - self.growing.size)
            free -= SEGMENT_BLOCKS - (self.growing.size + size - 1) // size
        fit = max(0, free - reserve(total)) // SEGMENT_BLOCKS
        pulled = sum(segment.size for segment in self.segments if segment.pulled)
        return fit * SEGMENT_BYTES + rest + pulled

    @staticmethod
    def nights_left_tenths(free_bytes, bytes_a_night=0):
        """Nights that still fit, in tenths, at the usual size of a busy night or the one measured, if larger."""
        return free_bytes * 10 // max(NIGHT_BYTES, bytes_a_night)
