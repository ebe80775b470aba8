"""The store on a dictionary: what holds after faults, power cuts and with no room left."""

import binascii
import errno

from core import blocks, records
from core.commit_policy import CommitPolicy
from core.recorder import Recorder
from core.store import FAILING, FULL, GROWING, NOT_PULLED, OK, PULLED, SEGMENT_BYTES, Store

import helpers

FACTS = [(0x4A, 3, 0), (0x42, 1, 0)]  # as (tag, value, index)


def recorder(fs, boot_id=7, drop_unpulled=0):
    store = Store(fs, lambda: drop_unpulled)
    made = Recorder(store, CommitPolicy(), boot_id, store.last_boot_no + 1, FACTS, lambda: 0x55)
    return made


def boot(made, tick=0):
    made.group(tick, records.LEVELS, 0x7F, FACTS)
    made._statement_waits = True


def fill(made, commits, size=400, first=1):
    """Commit `commits` blocks of `size` edges; returns the ticks of the blocks that were stored."""
    stored = []
    for k in range(commits):
        tick = 1000 * (first + k)
        for i in range(size):
            made.group(tick + i, records.EDGE, i & 127, ())
        if made.commit():
            stored.append(tick)
    return stored


def names(fs):
    return sorted(name for name in fs.files if name.startswith("log/"))


def test_first_commit_makes_segment_one():
    fs = helpers.DictFs()
    made = recorder(fs)
    assert names(fs) == [] and made.boot_no == 1
    boot(made)
    assert made.commit() and names(fs) == ["log/00000001.seg"]
    assert made.store.state_of(made.store.segments[0]) == GROWING
    assert helpers.segments(fs) == [(7, 1, 0, [(0, 2, 0x7F), (3, 0x4A, 0), (1, 0x42, 0)])]


def test_a_store_that_takes_nothing_at_the_start_is_used_once_it_does():
    fs = helpers.DictFs()
    fs.fail = {"mkdir": 30}
    made = recorder(fs)
    boot(made)
    assert (made.store.status, made.store.error) == (FAILING, 30)
    assert not made.commit() and (made.store.status, made.store.error) == (FAILING, 30)
    fs.fail = {}
    boot(made)
    assert made.commit() and made.store.status == OK and names(fs) == ["log/00000001.seg"]


def test_nothing_to_commit_makes_no_file():
    fs = helpers.DictFs()
    assert recorder(fs).commit() and names(fs) == [] and fs.flushes == 0


def test_one_flush_a_commit():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    made.commit()
    fill(made, 5)
    assert fs.flushes == 6


def test_later_segments_begin_with_the_boot_statement():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    fill(made, 40)
    assert len(names(fs)) >= 4
    sequence = 0
    before = None
    for name in names(fs):
        assert len(fs.files[name]) <= SEGMENT_BYTES
        found = helpers.decode(fs.files[name])
        if before is not None:
            top = before[3][-1][0]
            assert found[0][3] == [(top, 2, 0x55), (1, 0x4B, 0), (3, 0x4A, 0), (1, 0x42, 0)]
        for block in found:
            assert block[:3] == (7, 1, sequence)
            sequence += 1
        before = found[-1]


def test_next_boot_goes_on_with_the_segment_and_counts():
    fs = helpers.DictFs()
    for number in range(1, 6):
        made = recorder(fs, boot_id=number)
        assert made.boot_no == number
        boot(made)
        made.commit()
        made.store.close()
    assert names(fs) == ["log/00000001.seg"]
    assert [block[:3] for block in helpers.segments(fs)] == [(n, n, 0) for n in range(1, 6)]


def test_boot_number_survives_pulling_and_an_empty_newest_segment():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    made.commit()
    made.store.stop_growing()
    made.store.mark_pulled(made.store.segments[0])
    assert names(fs) == ["log/00000001.out"]
    again = recorder(fs)
    assert again.boot_no == 2 and again.store.growing is None
    boot(again)
    again.commit()
    assert names(fs) == ["log/00000001.out", "log/00000002.seg"]
    fs.files["log/00000003.seg"] = b""
    third = recorder(fs.after_cut())
    assert third.boot_no == 3 and third.store.growing.number == 3


def test_full_segment_is_not_gone_on_with():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    fill(made, 10)
    made.store.close()
    again = recorder(fs)
    boot(again)
    fill(again, 1)
    assert len(names(fs)) == 2


def test_other_names_are_left_alone():
    others = ("log/notes.txt", "log/1.seg", "log/00000001.tmp", "log/0000000a.seg")
    fs = helpers.DictFs(files=dict.fromkeys(others, b"x"))
    made = recorder(fs)
    boot(made)
    made.commit()
    assert made.store.segments[0].number == 1 and len(names(fs)) == 5


def test_torn_end_begins_a_new_segment_and_is_told():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    fill(made, 2)
    data = fs.files["log/00000001.seg"]
    for length in (len(data) - 1, len(data) - 3300, 30, 10):
        cut = helpers.DictFs(files={"log/00000001.seg": data[:length]})
        again = recorder(cut)
        assert again.store.torn == 1 and again.store.growing is None
        boot(again)
        again.commit()
        assert cut.files["log/00000001.seg"] == data[:length] and "log/00000002.seg" in cut.files


def test_drop_order_is_oldest_pulled_first():
    fs = helpers.DictFs(blocks=60)
    made = recorder(fs)
    boot(made)
    fill(made, 30)
    for segment in list(made.store.segments)[1:2]:
        made.store.mark_pulled(segment)
    before = [segment.number for segment in made.store.segments]
    fill(made, 34, first=100)
    after = [segment.number for segment in made.store.segments]
    assert 1 in after and 2 not in after and before[-1] in after
    assert made.store.status in (OK, FULL)


def test_full_store_keeps_what_is_not_pulled_and_goes_on_after_a_pull():
    fs = helpers.DictFs(blocks=60)
    made = recorder(fs)
    boot(made)
    stored = fill(made, 200)
    assert made.store.status == FULL and made.lost > 0
    assert made.store.growing is None, "the last segment can be pulled"
    found = helpers.rows(helpers.segments(fs))
    assert found[-1] == (records.STOP_STORE_FULL, records.STOP, 0)
    assert [row[0] for row in found if row[1] == records.EDGE and row[0] % 1000 == 0] == stored
    free = 60 - fs.used()
    assert free >= 8
    made.store.mark_pulled(made.store.segments[0])
    more = fill(made, 3, first=500)
    assert more == [500000, 501000, 502000] and made.store.status == OK
    assert names(fs)[0] == "log/00000002.seg"
    found = helpers.segments(fs)
    restated = [block for block in found if block[3][1:2] == [(1, 0x4B, 0)]]
    assert restated[-1][3][0][1] == records.LEVELS
    numbers = [block[2] for block in found]
    assert numbers == sorted(numbers) and numbers != list(range(numbers[0], numbers[0] + len(numbers)))


def test_unpulled_are_dropped_only_where_allowed():
    fs = helpers.DictFs(blocks=60)
    made = recorder(fs, drop_unpulled=1)
    boot(made)
    fill(made, 200)
    assert made.store.status == OK and made.lost == 0
    assert "log/00000001.seg" not in fs.files


def test_a_number_is_never_given_again_even_when_all_segments_were_dropped():
    for cut_after in range(12):
        fs = helpers.DictFs(blocks=200)
        made = recorder(fs)
        boot(made)
        fill(made, 2)
        made.store.stop_growing()
        made.store.mark_pulled(made.store.segments[0])
        fs.blocks = fs.used() + 20  # other files leave less than a segment and the reserve
        fs.cut_after = cut_after
        try:
            fill(made, 1, first=50)
        except helpers.PowerCut:
            pass
        again = fs.after_cut()
        made = recorder(again)
        boot(made)
        again.blocks = 200
        assert fill(made, 1, first=60) == [60000]
        assert names(again)[-1] == "log/00000002.seg", (cut_after, names(again))
        assert made.store.segments[-1].number == 2


def test_an_error_while_making_room_is_told_not_raised():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    fill(made, 20)
    made.store.mark_pulled(made.store.segments[0])
    fs.fail = {"write": helpers.ENOSPC, "remove": errno.EIO}
    assert fill(made, 1, first=300) == [] and made.store.status == FULL


def test_no_space_error_drops_and_tries_once_more():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    fill(made, 20)
    made.store.mark_pulled(made.store.segments[0])
    fs.fail = {"write": helpers.ENOSPC}
    removed = []
    real_remove = fs.remove

    def remove(name):
        removed.append(name)
        fs.fail = {}
        real_remove(name)

    fs.remove = remove
    assert fill(made, 1, first=300) == [300000]
    assert removed == ["log/00000001.out"] and made.store.status == OK


def test_no_space_with_nothing_to_drop_is_full():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    fill(made, 2)
    fs.fail = {"write": helpers.ENOSPC}
    assert fill(made, 1, first=300) == [] and made.store.status == FULL and made.lost == 400
    fs.fail = {}
    assert fill(made, 1, first=301) == [301000] and made.store.status == OK


def test_failing_operations_lose_only_that_block():
    for operation in ("open", "write", "flush"):
        fs = helpers.DictFs()
        made = recorder(fs)
        boot(made)
        fill(made, 2)
        made.store.close()
        fs.fail = {operation: errno.EIO}
        assert fill(made, 1, first=300) == []
        assert made.store.status == FAILING and made.store.error == errno.EIO
        fs.fail = {}
        assert fill(made, 1, first=400) == [400000] and made.store.status == OK
        numbers = [block[2] for block in helpers.segments(fs)]
        assert numbers == [0, 1, 3]  # 0 holds statement and first edges; the lost block leaves a hole


def test_lost_boot_statement_is_restated():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    fs.fail = {"open": errno.EIO}
    assert not made.commit()
    fs.fail = {}
    fill(made, 1)
    found = helpers.segments(fs)
    assert found[0][3][:2] == [(0, 2, 0x55), (1, 0x4B, 0)] and found[1][2] == 2


def test_lost_boot_statement_is_restated_in_an_older_segment_too():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    made.commit()
    made.store.close()
    again = recorder(fs, boot_id=8)
    boot(again)
    fs.fail = {"write": errno.EIO}
    assert not again.commit()
    fs.fail = {}
    fill(again, 1)
    mine = [block for block in helpers.segments(fs) if block[0] == 8]
    assert names(fs) == ["log/00000001.seg"] and mine[0][3][1] == (1, 0x4B, 0) and len(mine) == 2


def test_segment_whose_first_commit_failed_begins_with_the_statement():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    made.commit()
    first = 1
    while not made.store.begins_segment(3224):
        fill(made, 1, first=first)
        first += 1
    fs.fail = {"flush": errno.EIO}
    assert fill(made, 1, first=first) == [] and fs.files["log/00000002.seg"] == b""
    fs.fail = {}
    assert fill(made, 1, first=first + 1)
    assert helpers.decode(fs.files["log/00000002.seg"])[0][3][1] == (1, 0x4B, 0)


def test_commit_that_failed_half_way_is_left_behind():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    fill(made, 2)
    before = fs.files["log/00000001.seg"]

    def half():
        fs.files["log/00000001.seg"] += b"half a block"
        raise OSError(errno.EIO, "EIO")

    made.store._file.flush = half
    assert fill(made, 1, first=300) == [] and made.store.status == FAILING
    assert fill(made, 1, first=400) == [400000]
    assert fs.files["log/00000001.seg"] == before + b"half a block"
    assert helpers.decode(fs.files["log/00000002.seg"])[0][3][1] == (1, 0x4B, 0)


def test_growing_segment_is_never_dropped():
    fs = helpers.DictFs()
    made = recorder(fs, drop_unpulled=1)
    boot(made)
    fill(made, 2)
    before = dict(fs.files)
    fs.fail = {"write": helpers.ENOSPC}
    assert fill(made, 1, first=300) == [] and made.store.status == FULL
    assert fs.files == before


def history(fs):
    """A short life: two boots, growing over a segment, a pull, a drop. Returns the tick of each safe commit."""
    safe = []
    made = recorder(fs)
    boot(made)
    if made.commit():
        safe.append(0)
    for k in range(12):
        safe += fill(made, 1, size=420, first=k + 1)
    made.store.mark_pulled(made.store.segments[0])
    made.store.close()
    again = recorder(fs, boot_id=8)
    boot(again, 5)
    again.commit()
    safe += fill(again, 3, size=300, first=100)
    return safe


def test_power_cut_at_every_point_keeps_every_committed_block():
    whole = helpers.DictFs(blocks=44)
    history(whole)
    for after in range(200):
        fs = helpers.DictFs(blocks=44)
        fs.cut_after = after
        log = []
        try:
            traced(fs, log)
            history(fs)
            break
        except helpers.PowerCut:
            pass
        survived = fs.after_cut()
        stored = helpers.rows(helpers.segments(survived))
        ticks = [row[0] for row in stored if row[1] == records.EDGE and row[0] % 1000 == 0]
        assert ticks == [tick for tick in log if tick], after
        again = recorder(survived, boot_id=9)
        assert again.store.torn is None
        boot(again)
        assert again.commit()
    else:
        raise AssertionError("the history never ended")
    assert after > 20


def traced(fs, log):
    """Note the first edge tick of each flushed block, at the moment it is safe."""
    real_open = fs.open

    def open_traced(name, mode):
        file = real_open(name, mode)
        if mode == "ab":
            real_flush = file.flush

            def flush():
                before = fs.files[name]
                real_flush()
                for block in helpers.decode(fs.files[name][len(before) :]):
                    log.extend(row[0] for row in block[3] if row[1] == records.EDGE and row[0] % 1000 == 0)

            file.flush = flush
        return file

    fs.open = open_traced


def test_marking_that_fails_leaves_the_segment_unpulled():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    fill(made, 12)
    fs.fail = {"rename": errno.EIO}
    segment = made.store.segments[0]
    try:
        made.store.mark_pulled(segment)
        raise AssertionError("no error")
    except OSError:
        pass
    assert not segment.pulled and made.store.state_of(segment) == NOT_PULLED
    fs.fail = {}
    made.store.mark_pulled(segment)
    assert made.store.state_of(segment) == PULLED


def test_check_of_a_segment_is_that_of_its_bytes():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    fill(made, 4)
    segment = made.store.segments[0]
    for room in (100, 4092):
        steps = list(made.store.check_steps(segment, memoryview(bytearray(room))))
        assert steps[-1] == binascii.crc32(fs.files[segment.name()])
        assert len(steps) == -(-segment.size // room), "never more at once than there is room for"


def test_nights_left_counts_pulled_segments_as_room():
    fs = helpers.DictFs()
    made = recorder(fs)
    assert Store.nights_left_tenths(made.store.free_bytes()) >= 50, "five nights of 20,000 edges from empty"
    boot(made)
    fill(made, 60)
    before = made.store.free_bytes()
    made.store.mark_pulled(made.store.segments[0])
    assert made.store.free_bytes() == before + made.store.segments[0].size
    assert Store.nights_left_tenths(480000, 100) == 20 and Store.nights_left_tenths(480000, 480000) == 10


def test_group_is_never_torn_apart_by_a_full_block():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    for i in range(900):
        made.moment(i + 1, ((0x58, i, 0), (0x59, -i, 0)))
    made.commit()
    for block in helpers.segments(fs):
        assert len(block[3]) <= blocks.MOST
    found = helpers.rows(helpers.segments(fs))
    for i, row in enumerate(found):
        if row[1] == 0x58:
            assert found[i - 1] == (row[0] + 1, records.MOMENT, 0) and helpers.signed(found[i + 1][0]) == -row[0]


def test_stamps_before_the_last_are_moved_up_but_for_backward_ones():
    fs = helpers.DictFs()
    made = recorder(fs)
    boot(made)
    made.moment(500, ())
    assert made.moment(400, ()) == 500
    assert made.moment(400, (), backward=True) == 400
    assert made.top == 500
