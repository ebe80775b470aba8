"""The store on a real littlefs, on flash in RAM: restarts, a full store, power cuts at every write and erase.

Mounted as the board mounts it. MicroPython only.
"""

import vfs
from core import records
from core.commit_policy import CommitPolicy
from core.recorder import Recorder
from core.store import FULL, OK, Store
from sim.flash_fs import FlashFs

import helpers


class Fs(FlashFs):
    """The virtual board's, on a block device of the test's own."""

    def __init__(self, flash, fresh=False):
        if fresh:
            vfs.VfsLfs2.mkfs(flash, progsize=256)
        super().__init__(vfs.VfsLfs2(flash, progsize=256))


def recorder(fs, boot_id=7):
    store = Store(fs)
    made = Recorder(store, CommitPolicy(), boot_id, store.last_boot_no + 1, [(0x4A, 1, 0)], lambda: 0x7F)
    made.group(0, records.LEVELS, 0x7F, [(0x4A, 1, 0)])
    made._statement_waits = True
    return made


def commit(made, tick, size):
    for i in range(size):
        made.group(tick + i, records.EDGE, i & 127, ())
    return made.commit()


def content(fs):
    found = []
    for name in sorted(fs.listdir("log")):
        with fs.open("log/" + name, "rb") as file:
            found += helpers.decode(file.read())
    return found


def test_boots_count_and_bytes_come_back():
    flash = helpers.RamFlash()
    fs = Fs(flash, fresh=True)
    for boot in range(1, 5):
        made = recorder(fs, boot)
        assert made.boot_no == boot
        for k in range(6):
            assert commit(made, 1000 * (k + 1), 300)
        fs = Fs(helpers.RamFlash(data=flash.data))  # power cut: nothing is closed
        flash = helpers.RamFlash(data=flash.data)
        fs = Fs(flash)
    found = content(fs)
    # the fourth block of a boot does not fit behind others everywhere: sequence numbers go on over segments
    for boot in range(1, 5):
        mine = [block for block in found if block[1] == boot]
        assert [block[2] for block in mine] == list(range(len(mine)))
        edges = [row for row in helpers.rows(mine) if row[1] == records.EDGE]
        assert [row[0] for row in edges] == [1000 * (k + 1) + i for k in range(6) for i in range(300)]


def test_a_segment_fills_eight_flash_blocks_and_no_more():
    flash = helpers.RamFlash()
    fs = Fs(flash, fresh=True)
    made = recorder(fs)
    free = fs.space()[2]
    while len(made.store.segments) < 2:
        assert commit(made, 1000, 60)
    made.store.close()
    assert free - fs.space()[2] <= 8 + 2 + 2  # eight, the begin of the next, the folder


def test_full_store_stops_in_order_and_goes_on_after_a_pull():
    flash = helpers.RamFlash(blocks=64)
    fs = Fs(flash, fresh=True)
    made = recorder(fs)
    stored = []
    for k in range(1, 120):
        if commit(made, 1000 * k, 470):
            stored.append(1000 * k)
    assert made.store.status == FULL and made.lost > 0 and fs.space()[2] >= 8
    found = helpers.rows(content(fs))
    assert [row[0] for row in found if row[1] == records.EDGE and row[0] % 1000 == 0] == stored
    made.store.mark_pulled(made.store.segments[0])
    assert commit(made, 900000, 470) and made.store.status == OK
    again = recorder(Fs(flash), 9)
    assert again.boot_no == 2


def test_filled_to_the_last_flash_block_by_others_is_survived():
    flash = helpers.RamFlash(blocks=64)
    fs = Fs(flash, fresh=True)
    made = recorder(fs)
    assert commit(made, 1000, 400)
    try:
        with fs.open("junk", "wb") as file:
            while True:
                file.write(bytes(4096))
                file.flush()
    except OSError as error:
        assert error.errno == helpers.ENOSPC
    safe = [1000]
    for k in range(2, 9):
        if commit(made, 1000 * k, 400):
            safe.append(1000 * k)
    assert made.store.status == FULL and made.store.error == helpers.ENOSPC and made.lost > 0
    fs.remove("junk")
    assert commit(made, 50000, 400) and made.store.status == OK
    safe.append(50000)
    found = helpers.rows(content(Fs(flash)))
    assert [row[0] for row in found if row[1] == records.EDGE and row[0] % 1000 == 0] == safe


def life(flash, log):
    """Appends, a new segment, a pull and a drop; notes every commit that came back as safe."""
    made = recorder(Fs(flash))
    for k in range(1, 13):
        for j in range(3):
            tick = 10000 * k + 1000 * j
            if not commit(made, tick, 200):
                return  # the flash is dead
            log.append(tick)
        if k == 10:
            segment = made.store.segments[0]
            if segment is not made.store.growing:
                made.store.mark_pulled(segment)
                log.append("pulled")


def test_power_cut_at_every_flash_operation():
    fresh = helpers.RamFlash(blocks=48)
    Fs(fresh, fresh=True)
    start = bytes(fresh.data)
    whole = helpers.RamFlash(blocks=48, data=bytearray(start))
    whole.changes_left = 1 << 20
    life(whole, [])
    operations = (1 << 20) - whole.changes_left
    assert operations > 200
    for after in range(operations):
        flash = helpers.RamFlash(blocks=48, data=bytearray(start))
        flash.changes_left = after
        log = []
        try:
            life(flash, log)
        except OSError:
            pass
        fs = Fs(helpers.RamFlash(blocks=48, data=bytearray(flash.data)))
        store = Store(fs)
        assert store.torn is None, after
        found = helpers.rows(content(fs))
        ticks = [row[0] for row in found if row[1] == records.EDGE and row[0] % 1000 == 0]
        safe = [tick for tick in log if tick != "pulled"]
        assert ticks[: len(safe)] == safe, (after, ticks, safe)
        assert len(ticks) <= len(safe) + 1, (after, ticks, safe)  # one more may be whole, but not yet told


def test_wear_of_a_commit_is_about_one_erase():
    flash = helpers.RamFlash()
    fs = Fs(flash, fresh=True)
    made = recorder(fs)
    made.commit()
    before = sum(flash.erases)
    for k in range(200):
        assert commit(made, 1000 * (k + 1), 20)
    erases = sum(flash.erases) - before
    assert 200 <= erases <= 300, erases
    assert max(flash.erases) <= 12
