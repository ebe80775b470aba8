"""The strict flash keeps its own rules."""

import random

import pytest

from tests.powercut import flash as flashes
from tests.powercut.flash import PAGE, SECTOR, Flash, Misuse, PowerCut, shapes_of

PAGE_BYTES = bytes(range(256))


@pytest.fixture(autouse=True)
def seeded():
    random.seed(11)


def read(flash, sector, offset=0, n=SECTOR):
    found = bytearray(n)
    flash.readblocks(sector, found, offset)
    return bytes(found)


@pytest.mark.parametrize("offset, n", [(1, PAGE), (0, 100), (0, 0), (SECTOR - PAGE, 2 * PAGE), (None, PAGE)])
def test_only_whole_pages_at_their_places(offset, n):
    with pytest.raises(Misuse):
        Flash(2).writeblocks(0, bytes(n), offset)


def test_only_what_is_erased_is_programmed():
    flash = Flash(2)
    flash.writeblocks(1, PAGE_BYTES, PAGE)
    assert read(flash, 1, PAGE, PAGE) == PAGE_BYTES and read(flash, 1, 0, PAGE) == b"\xff" * PAGE
    with pytest.raises(Misuse):
        flash.writeblocks(1, PAGE_BYTES, PAGE)
    flash.ioctl(6, 1)
    flash.writeblocks(1, PAGE_BYTES, PAGE)
    with pytest.raises(Misuse):
        flash.ioctl(6, 2)


@pytest.mark.parametrize("shape", shapes_of("program"))
def test_a_torn_program_clears_only_bits_that_it_was_to_clear(shape):
    flash = Flash(2)
    for _ in range(40):
        torn = read(flash.after_cut(shape, "program", 1, PAGE, PAGE_BYTES), 1)
        assert all(there & want == want for there, want in zip(torn[PAGE : 2 * PAGE], PAGE_BYTES, strict=True))
        assert set(torn[:PAGE] + torn[2 * PAGE :]) == {255} and set(read(flash, 1)) == {255}
    if shape in (flashes.ONE, flashes.ALL_BUT_ONE):
        want = PAGE_BYTES if shape == flashes.ALL_BUT_ONE else b"\xff" * PAGE
        assert sum((a ^ b).bit_count() for a, b in zip(torn[PAGE : 2 * PAGE], want, strict=True)) == 1


@pytest.mark.parametrize("shape", shapes_of("erase"))
def test_a_torn_erase_stays_in_its_sector(shape):
    flash = Flash(3)
    flash.writeblocks(1, PAGE_BYTES * 16, 0)
    flash.writeblocks(2, PAGE_BYTES, 0)
    torn = flash.after_cut(shape, "erase", 1, 0, None)
    assert read(torn, 2) == read(flash, 2) and read(torn, 0) == b"\xff" * SECTOR
    assert read(flash, 1) == PAGE_BYTES * 16
    ended = {flashes.BEFORE: PAGE_BYTES * 16, flashes.AFTER: b"\xff" * SECTOR}
    assert (read(torn, 1) == ended[shape]) if shape in ended else True


def test_weak_cells_are_drawn_anew_at_each_power_up_and_healed_by_an_erase():
    flash = Flash(1).after_cut(flashes.WEAK_SOME, "program", 0, 0, bytes(PAGE))
    while sum(mask.bit_count() for mask in flash.weak[0].values()) < 8:
        flash = Flash(1).after_cut(flashes.WEAK_SOME, "program", 0, 0, bytes(PAGE))
    first, seen = read(flash, 0), set()
    assert read(flash, 0) == first
    for _ in range(20):
        flash.power_up()
        seen.add(read(flash, 0))
    assert len(seen) > 5
    flash.flicker = True
    assert len({read(flash, 0) for _ in range(20)}) > 5
    flash.ioctl(6, 0)
    flash.power_up()
    assert read(flash, 0) == b"\xff" * SECTOR and not flash.weak


def test_after_the_cut_nothing_is_written_any_more():
    flash = Flash(1)
    flash.cut_at = (1, 0)
    flash.writeblocks(0, PAGE_BYTES, 0)
    with pytest.raises(PowerCut):
        flash.writeblocks(0, PAGE_BYTES, PAGE)
    assert flash.writeblocks(0, PAGE_BYTES, PAGE) < 0 and flash.ioctl(6, 0) < 0
    assert read(flash, 0)[:PAGE] == PAGE_BYTES and read(flash, 0)[PAGE:] == b"\xff" * (SECTOR - PAGE)
    assert read(flash.left, 0) == read(flash, 0)
