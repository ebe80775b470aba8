"""A NOR flash that is stricter than a real one, and what a power cut leaves in it. Runs under both interpreters.

Rules of a serial NOR flash, here as errors: only whole 4096-byte sectors are erased, only whole 256-byte pages are
programmed, and only where every byte is erased (data sheets of the W25Q16 family, instructions 02h "Page Program", "at
previously erased (FFh) memory locations", and 20h "Sector Erase"; a chip would leave the AND of old and new). What an
interrupted operation leaves is not specified; Microchip's answer on SST26 flash is to erase the sector again
(microchip.wikidot.com/faq:3411). It also warns that other pages of the sector may be disturbed: that is not modelled.
The shapes follow the block device that littlefs is tested with (littlefs repository, bd/lfs3_emubd.h, enum
lfs3_emubd_powerloss_behavior: atomic, some bits, most bits, out of order, metastable; writes here are synchronous, so
none is out of order), and go beyond it:

a program  begins at the first byte and stops; any of its bits done or not; only one done; all but one done
an erase   any bit as before or erased; bits programmed to 0 first, as NOR flash does before it erases
weak bits  cells half way between, of which nobody knows how they read. They are drawn anew at each power-up; with
           `flicker` at every single read. A complete erase heals them, programming heals those that become 0.
"""

import errno
import random

SECTOR = 4096
PAGE = 256
FIRST, SOME, ONE, ALL_BUT_ONE = "first bytes", "some bits", "one bit", "all but one bit"
WEAK_END, WEAK_START, WEAK_SOME = "weak end", "weak start", "weak some"
MIX, ZEROS, WEAK_ERASED, WEAK_OLD = "mix", "zeros", "weak erased", "weak old"
BEFORE, AFTER = "before", "after"
TORN_PROGRAM = (FIRST, SOME, ONE, ALL_BUT_ONE, WEAK_END, WEAK_START, WEAK_SOME)
TORN_ERASE = (MIX, ZEROS, WEAK_ERASED, WEAK_OLD)


class Misuse(Exception):
    """What a file system must not do to a flash."""


class PowerCut(Exception):
    pass


def shapes_of(what):
    """All states that a cut of this operation may leave, by name."""
    return (BEFORE,) + (TORN_PROGRAM if what == "program" else TORN_ERASE) + (AFTER,)


def random_bytes(n, share):
    """n bytes of which about `share` (in 32nds: 1, 16 or 31) of the bits are set."""
    row = bytearray(n)
    for i in range(n):
        bits = random.getrandbits(8)
        if share != 16:
            for _ in range(4):
                more = random.getrandbits(8)
                bits = bits & more if share < 16 else bits | more
        row[i] = bits
    return row


class Flash:
    """Block device of MicroPython's extended protocol. Copies share the sectors that did not change.

    hook(flash, what, sector, offset, page) is called before every program ("program", page of 256 bytes) and erase
    ("erase", None). `weak`: sector -> {byte: mask}.
    """

    def __init__(self, sectors=40):
        blank = b"\xff" * SECTOR
        self.sectors = [blank] * sectors
        self._own = set()
        self.weak = {}
        self.hook = None
        self.flicker = False
        self.board = None  # the one that runs on it
        self.steps = 0
        self.cut_at = None  # (steps, number of a shape): there the power goes, PowerCut is raised and nothing works
        self.left = None  # what the cut left, to be copied with power_up()
        self.over_weak = 0  # weak bytes in pages that were programmed as erased ones

    def copy(self):
        """The same cells, to be changed apart."""
        new = Flash(0)
        new.sectors = list(self.sectors)
        self._own = set()  # from here on shared
        new.weak = {sector: dict(cells) for sector, cells in self.weak.items()}
        new.flicker = self.flicker
        return new

    def _cells(self, sector):
        if sector not in self._own:
            self.sectors[sector] = bytearray(self.sectors[sector])
            self._own.add(sector)
        return self.sectors[sector]

    # -- the device ----------------------------------------------------------------------------------------------

    def readblocks(self, sector, buf, offset=0):
        if self.flicker and sector in self.weak:
            self._draw(sector)
        buf[:] = memoryview(self.sectors[sector])[offset : offset + len(buf)]

    def writeblocks(self, sector, buf, offset=None):
        if self.left:
            return -errno.EIO
        n = len(buf)
        if offset is None or offset % PAGE or n % PAGE or not 0 < n <= SECTOR - offset:
            raise Misuse("program of %d bytes at %s of sector %d" % (n, offset, sector))
        for at in range(0, n, PAGE):
            self._step("program", sector, offset + at, bytes(memoryview(buf)[at : at + PAGE]))
        return 0

    def ioctl(self, operation, argument):
        if operation == 4:
            return len(self.sectors)
        if operation == 5:
            return SECTOR
        if operation == 6:
            if self.left:
                return -errno.EIO
            if not 0 <= argument < len(self.sectors):
                raise Misuse("erase of sector %s" % argument)
            self._step("erase", argument, 0, None)
        return 0

    def _step(self, what, sector, offset, page):
        if page is not None and not self._erased(sector, offset):
            raise Misuse("program of sector %d at %d, which is not erased" % (sector, offset))
        if self.hook:
            self.hook(self, what, sector, offset, page)
        if self.cut_at and self.steps >= self.cut_at[0]:
            shapes = shapes_of(what)
            self.left = self.after_cut(shapes[self.cut_at[1] % len(shapes)], what, sector, offset, page)
            raise PowerCut()
        self.steps += 1
        self.do(what, sector, offset, page)

    def _erased(self, sector, offset):
        """As far as can be known: a weak cell that reads as 0 in a page thought erased is no fault of the file system;
        the chip leaves the AND, and reading it back shows that.
        """
        cells = self.sectors[sector]
        if bytes(memoryview(cells)[offset : offset + PAGE]) == b"\xff" * PAGE:
            return True
        weak = self.weak.get(sector, {})
        return all(cells[at] | weak.get(at, 0) == 255 for at in range(offset, offset + PAGE))

    def do(self, what, sector, offset, page):
        """The whole operation."""
        if what == "erase":
            self.sectors[sector] = b"\xff" * SECTOR
            self._own.discard(sector)
            self.weak.pop(sector, None)
            return
        cells = self._cells(sector)
        before = bytes(cells[offset : offset + PAGE])
        cells[offset : offset + PAGE] = page
        weak = self.weak.get(sector)
        if weak:
            for at in [at for at in weak if offset <= at < offset + PAGE]:
                cells[at] &= before[at - offset]
                weak[at] &= page[at - offset]
                self.over_weak += 1
                if not weak[at]:
                    del weak[at]

    # -- the cut -------------------------------------------------------------------------------------------------

    def after_cut(self, shape, what, sector, offset, page):
        """The flash as it comes up again when the power went in this operation."""
        new = self.copy()
        if shape == AFTER:
            new.do(what, sector, offset, page)
        elif what == "program" and shape != BEFORE:
            new._tear_page(shape, sector, offset, page)
        elif shape != BEFORE:
            new._tear_sector(shape, sector)
        new.power_up()
        return new

    def power_up(self):
        for sector in self.weak:
            self._draw(sector)

    def _draw(self, sector):
        cells = self._cells(sector)
        for at, mask in self.weak[sector].items():
            cells[at] = cells[at] & ~mask & 255 | random.getrandbits(8) & mask

    def _tear_page(self, shape, sector, offset, page):
        cells = self._cells(sector)
        todo = [(i, 1 << bit) for i in range(PAGE) for bit in range(8) if not page[i] >> bit & 1]
        if not todo:
            return
        if shape == FIRST:
            k = random.randrange(1, PAGE)
            cells[offset : offset + k] = page[:k]
        elif shape in (ONE, WEAK_START):
            done = [random.choice(todo)] if shape == ONE else []
            for i, bit in done:
                cells[offset + i] &= ~bit
        elif shape in (ALL_BUT_ONE, WEAK_END):
            cells[offset : offset + PAGE] = page
            if shape == ALL_BUT_ONE:
                i, bit = random.choice(todo)
                cells[offset + i] |= bit
        else:
            done = random_bytes(PAGE, random.choice((1, 16, 31)))
            for i in range(PAGE):
                cells[offset + i] = page[i] | ~done[i] & 255
        if shape in (WEAK_END, WEAK_START, WEAK_SOME):
            self._weaken(sector, [random.choice(todo) for _ in range(random.choice((1, 1, 2, 8, 64)))], offset)

    def _weaken(self, sector, bits, offset):
        weak = self.weak.setdefault(sector, {})
        for i, bit in bits:
            weak[offset + i] = weak.get(offset + i, 0) | bit

    def _tear_sector(self, shape, sector):
        cells = self._cells(sector)
        if shape in (MIX, ZEROS):
            mask = random_bytes(PAGE, random.choice((1, 16, 31)))
            for i in range(SECTOR):
                cells[i] = cells[i] | mask[i & 255] if shape == MIX else cells[i] & mask[i & 255]
            return
        if shape == WEAK_ERASED:
            self.do("erase", sector, 0, None)
        bits = [(random.randrange(SECTOR), 1 << random.randrange(8)) for _ in range(random.choice((1, 2, 8, 64, 512)))]
        self._weaken(sector, bits, 0)
