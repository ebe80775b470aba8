"""Losses of every kind: told exactly, levels stated afresh, times right again, nothing invented."""

from core import records
from core.capture import Capture
from core.commit_policy import CommitPolicy
from core.recorder import Recorder
from core.store import Store

import helpers


def bench():
    fs = helpers.DictFs()
    stamper = helpers.FakeStamper()
    capture = Capture(stamper, 0xFF, 0x7F, 0)
    capture.recorder = Recorder(Store(fs), CommitPolicy(), 7, 1, [(0x4A, 1, 0), (0x42, 1, 0)], capture.levels)
    return stamper, capture, fs


def written(capture, fs):
    capture.recorder.commit()
    return helpers.rows(helpers.segments(fs))


def test_first_word_states_the_levels_and_opens_the_boot_statement():
    stamper, capture, fs = bench()
    stamper.levels = 0x7E
    stamper.to(5000)
    capture.drain()
    assert written(capture, fs) == [(0, records.LEVELS, 0x7E), (1, 0x4A, 0), (1, 0x42, 0)]


def test_ring_overrun_is_counted_and_dated():
    for edges in (8191, 8192, 8193, 12000, 20000):
        stamper, capture, fs = bench()
        stamper.to(1000, 0x7E)
        capture.drain()
        tick, levels = 1000, 0x7E
        words = stamper.written
        for _ in range(edges):
            tick += 100
            levels ^= 1
            stamper.to(tick, levels)
        lost = stamper.written - words - 8191
        capture.drain()
        found = written(capture, fs)
        assert capture.ring_lost == max(0, lost)
        if lost <= 0:
            assert len(helpers.values(found, records.EDGE)) == edges + 1
            continue
        stated = [row for row in found if row[1] == records.LEVELS]
        assert len(stated) == 2 and stated[1][0] == 1000 + 100 * (lost + 1)
        at = found.index(stated[1])
        assert found[at + 1] == (stated[1][0], records.MOMENT, 0)
        assert found[at + 2 : at + 5] == [(lost, 0x60, 0), (0, 0x61, 0), (1000, 0x63, 0)]
        edge_ticks = helpers.values(found[at:], records.EDGE)
        assert edge_ticks == [1000 + 100 * (i + 1) for i in range(lost + 1, edges)]


def test_overrun_over_many_counter_periods_keeps_the_time():
    stamper, capture, fs = bench()
    stamper.to(1000, 0x7E)
    capture.drain()
    tick, levels = 1000, 0x7E
    for _ in range(9000):
        tick += 40000
        levels ^= 4
        stamper.to(tick, levels)
    stamper.to(tick + 16000000)
    capture.drain()
    stamper.to(tick + 90000000, levels ^ 1)
    capture.drain()
    found = written(capture, fs)
    assert helpers.values(found, records.EDGE)[-1] == tick + 90000000
    assert helpers.values(found, records.EDGE)[-2] == tick


def test_words_overtaken_while_read_are_not_written():
    stamper, capture, fs = bench()
    stamper.to(1000, 0x7E)
    capture.drain()

    def edges(n):
        for _ in range(n):
            stamper.to(stamper.tick + 100, stamper.levels ^ 1)

    edges(8000)
    stamper.late = lambda: edges(300)  # the writer comes round while the words are being read
    capture.drain()
    capture.drain()  # what came in meanwhile
    found = written(capture, fs)
    lost = 300 + 8000 - 8191
    assert capture.late == 1 and capture.ring_lost == lost
    stated = [row for row in found if row[1] == records.LEVELS][1]
    assert stated[0] == 1000 + 100 * (lost + 1)
    ticks = helpers.values(found, records.EDGE)
    assert ticks == [1000] + [1000 + 100 * i for i in range(lost + 2, 8301)]
    assert capture.edges()[0] == len(ticks)


def test_a_fall_hidden_by_a_loss_is_no_fall():
    stamper, capture, _ = bench()
    stamper.to(1000, 0xFF)
    capture.drain()
    stamper.to(2000, 0x7F)
    tick, levels = 2000, 0x7F
    for _ in range(9000):
        tick += 100
        levels ^= 1
        stamper.to(tick, levels)
    capture.drain()
    assert capture.ring_lost > 0 and capture.anchors.tick() is None


def test_drop_before_the_ring_is_dated_and_levels_are_stated():
    stamper, capture, fs = bench()
    stamper.to(1000, 0x7E)
    capture.drain()
    stamper.to(2000, 0x7C)
    stamper.to(3000, 0x7D)
    stamper.forget(1)  # 3000 is dropped
    stamper.drop_flag = True
    stamper.to(4000, 0x7F)
    stamper.tick = 5000
    capture.drain()
    found = written(capture, fs)
    assert capture.fifo_drops == 1
    assert found[-5:] == [
        (4000, records.LEVELS, 0x7F),
        (4000, records.MOMENT, 0),
        (0, records.RING_LOST, 0),
        (1, records.FIFO_DROPS, 0),
        (1000, records.BLIND_FROM, 0),
    ]
    assert helpers.values(found, records.EDGE) == [1000, 2000, 4000]


def test_marker_among_the_dropped_keeps_the_time():
    period = 1 << 24
    for periods in (1, 3):
        stamper, capture, fs = bench()
        stamper.to(1000, 0x7E)
        capture.drain()
        for k in range(1, periods + 1):
            stamper.to(k * period)
            stamper.forget(1)
        stamper.drop_flag = True
        stamper.to(periods * period + 500, 0x7F)
        stamper.tick = periods * period + 9000
        capture.drain()
        found = written(capture, fs)
        assert helpers.values(found, records.LEVELS)[-1] == periods * period + 500


def test_time_never_goes_back_whatever_is_lost():
    random = helpers.Random(11)
    stamper, capture, fs = bench()
    stamper.to(0)
    tick, levels = 0, 0x7F
    for _ in range(400):
        burst = random.below(12000) if random.below(20) == 0 else random.below(30)
        for _ in range(burst):
            tick += 1 + random.below(30000)
            levels ^= 1 << random.below(7)
            stamper.to(tick, levels)
        stamper.to(tick + random.below(1 << 25))
        tick = stamper.tick
        if random.below(10) == 0 and stamper.written > stamper.taken + 3:
            stamper.forget(random.below(3))
            stamper.drop_flag = True
        capture.drain()
    found = written(capture, fs)
    stamps = [row[0] for row in found if row[1] < 0x40]
    assert stamps == sorted(stamps) and capture.ring_lost > 0 and capture.fifo_drops > 0
    assert stamps[-1] <= tick


def test_stop_at_fall_leaves_later_edges_unread():
    stamper, capture, fs = bench()
    stamper.to(100, 0xFF)
    capture.drain()
    stamper.to(200, 0x7F)
    stamper.to(300, 0x7E)
    assert capture.drain(stop_at_fall=True)
    assert capture.anchors.tick() == 200
    capture.recorder.moment(200, ())
    assert not capture.drain(stop_at_fall=True)
    found = written(capture, fs)
    assert found[-2:] == [(200, records.MOMENT, 0), (300, records.EDGE, 0x7E)]


def test_a_flood_does_not_keep_the_loop_from_its_other_work():
    """More words than can be read: what comes in after the first look waits for the next pass."""
    stamper, capture, fs = bench()
    stamper.to(1000, 0x7E)
    capture.drain()
    poll, looks = stamper.poll, []

    def flooded():
        looks.append(0)
        assert len(looks) < 100
        for _ in range(600):
            stamper.to(stamper.tick + 100, stamper.levels ^ 1)
        return poll()

    stamper.poll = flooded
    capture.drain()
    stamper.poll = poll
    capture.drain()
    ticks = helpers.values(written(capture, fs), records.EDGE)
    assert ticks == [1000 + 100 * i for i in range(600 * len(looks) + 1)]
