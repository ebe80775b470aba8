"""Chatter guard against a slow count over lists of edges: who is guarded when, and what each summary says."""

from core import records
from core.capture import Capture
from core.commit_policy import CommitPolicy
from core.recorder import Recorder
from core.store import Store

import helpers

CLOCK_HZ, CYCLES = 125000000, 9
LIMIT = 20


def second_start(k):
    return k * CLOCK_HZ // CYCLES


def bench(limit=LIMIT):
    """A capture on a fake stamper, its recorder and file system."""
    fs = helpers.DictFs()
    stamper = helpers.FakeStamper()
    capture = Capture(stamper, 0xFF, 0x7F, limit)
    capture.recorder = Recorder(Store(fs), CommitPolicy(), 7, 1, [(0x4A, 1, 0)], capture.levels)
    return stamper, capture, fs


def play(edges, until, limit=LIMIT, step=20000000):
    """edges: [(tick, channel)], each toggles its channel. Returns all records written by `until`."""
    stamper, capture, fs = bench(limit)
    levels = 0x7F
    stamper.to(0)
    capture.drain()
    next_drain = step
    for tick, channel in edges:
        while next_drain < tick:
            stamper.to(next_drain)
            capture.drain()
            next_drain += step
        levels ^= 1 << channel
        stamper.to(tick, levels)
        if stamper.written - stamper.taken > 4000:
            capture.drain()
    stamper.to(until)
    capture.drain()
    capture.recorder.commit()
    return helpers.rows(helpers.segments(fs))


def slow_guard(edges, until, limit):
    """By FORMAT.md 2.3 with lists: ({(second, channel)} summarised, edges stored one by one)."""
    guarded = {}
    summarised = set()
    for channel in range(7):
        on = False
        for k in range(until * CYCLES // CLOCK_HZ):
            n = sum(1 for tick, c in edges if c == channel and second_start(k) <= tick < second_start(k + 1))
            if on:
                summarised.add((k, channel))
            on = n > limit
            if on:
                guarded[(k + 1, channel)] = True
    stored = [(t, c) for t, c in edges if (t * CYCLES // CLOCK_HZ, c) not in guarded or not at_second(t, c, guarded)]
    return summarised, stored


def at_second(tick, channel, guarded):
    k = 0
    while second_start(k + 1) <= tick:
        k += 1
    return (k, channel) in guarded


def summaries(found):
    """[(start tick, {tag: value}, channel)] of the chatter groups."""
    groups = []
    for number, tag, extra in found:
        if tag == records.MOMENT:
            start = number
        elif tag == records.CHATTER_EDGES:
            groups.append((start, {tag: number}, extra))
        elif records.CHATTER_EDGES < tag <= records.CHATTER_END:
            assert extra == groups[-1][2]
            groups[-1][1][tag] = number
    return groups


def storm(random, channel, start, n, spacing):
    tick = start
    found = []
    for _ in range(n):
        tick += 1 + random.below(2 * spacing)
        found.append((tick, channel))
    return found


def merged(*lists):
    """One list of edges in time; no two at one tick."""
    seen = set()
    found = []
    for tick, channel in sorted(edge for edges in lists for edge in edges):
        while tick in seen:
            tick += 1
        seen.add(tick)
        found.append((tick, channel))
    return sorted(found)


def test_guard_begins_and_ends_as_written():
    random = helpers.Random(1)
    edges = merged(
        storm(random, 0, second_start(1), 150, 400000),
        storm(random, 3, second_start(2) + 5000000, 60, 200000),
        [(second_start(k) + 1234567, 4) for k in range(1, 12)],
    )
    until = second_start(14)
    found = play(edges, until)
    wanted, _ = slow_guard(edges, until, LIMIT)
    assert wanted, "the test must have something to summarise"
    got = {(second_of(start), channel) for start, _, channel in summaries(found)}
    assert got == wanted
    for start, values, channel in summaries(found):
        k = second_of(start)
        assert start == second_start(k)
        check_summary([t for t, c in edges if c == channel], start, second_start(k + 1), values)


def second_of(tick):
    k = tick * CYCLES // CLOCK_HZ
    while second_start(k + 1) <= tick:
        k += 1
    return k


def check_summary(ticks, start, end, values):
    """All figures of one summary from the channel's list of edges."""
    inside = [t for t in ticks if start <= t < end]
    gaps = [b - a for a, b in zip(inside, inside[1:])]
    active = sum(1 for t in ticks if t < start) & 1
    total, since = 0, start
    for t in inside:
        total += (t - since) if active else 0
        active ^= 1
        since = t
    total += (end - since) if active else 0
    assert values[records.CHATTER_EDGES] == len(inside)
    assert values[records.CHATTER_SHORTEST] == (min(gaps) if gaps else 0)
    assert values[records.CHATTER_LONGEST] == (max(gaps) if gaps else 0)
    assert values[records.CHATTER_ACTIVE] == total
    assert values[records.CHATTER_SPAN] == end - start
    assert values[records.CHATTER_END] == 1 - active  # all inputs are active low


def test_seconds_are_counted_from_boot_without_drift():
    for first in (8, 9, 47):
        start = second_start(first)
        edges = [(start + 1000 * i, 2) for i in range(LIMIT + 2)] + [(second_start(first + 1) - 1, 2)]
        edges += [(second_start(first + 1) + 500 * i, 2) for i in range(LIMIT + 4)]
        found = summaries(play(sorted(edges), second_start(first + 5)))
        assert [row[0] for row in found] == [second_start(first + 1), second_start(first + 2)]
        assert found[0][1][records.CHATTER_EDGES] == LIMIT + 4
        assert found[0][1][records.CHATTER_SPAN] == second_start(first + 2) - second_start(first + 1)


def test_guard_ends_after_a_second_with_no_more_than_allowed():
    for n, seconds in ((LIMIT, [2]), (LIMIT + 1, [2, 3])):
        edges = [(second_start(1) + 1000 * (i + 1), 2) for i in range(LIMIT + 2)]
        edges += [(second_start(2) + 1000 * (i + 1), 2) for i in range(n)]
        edges.append((second_start(3) + 4000, 2))
        found = play(edges, second_start(6))
        assert [second_of(row[0]) for row in summaries(found)] == seconds
        alone = [row for row in found if row[1] == records.EDGE and row[0] == second_start(3) + 4000]
        assert len(alone) == (1 if n == LIMIT else 0)


def test_edges_outside_guarded_seconds_are_all_there():
    random = helpers.Random(2)
    edges = merged(
        storm(random, 1, second_start(1), 300, 300000), [(second_start(k) + 777777, 5) for k in range(1, 14)]
    )
    until = second_start(16)
    wanted, stored = slow_guard(edges, until, LIMIT)
    assert wanted
    found = [row for row in play(edges, until) if row[1] == records.EDGE]
    assert [row[0] for row in found] == [tick for tick, _ in stored]


def test_level_byte_of_a_guarded_channel_is_true():
    random = helpers.Random(3)
    edges = merged(storm(random, 0, second_start(1), 300, 300000), [(second_start(k) + 99999, 6) for k in range(2, 8)])
    found = play(edges, second_start(10))
    for tick, tag, levels in found:
        if tag == records.EDGE:
            true = 0x7F
            for t, channel in edges:
                if t <= tick:
                    true ^= 1 << channel
            assert levels == true


def test_limit_is_more_than_allowed_in_a_whole_second():
    for n, guarded in ((LIMIT, False), (LIMIT + 1, True)):
        edges = [(second_start(1) + 1000 * (i + 1), 2) for i in range(n)]
        found = play(edges, second_start(4))
        assert bool(summaries(found)) is guarded


def test_off_stores_everything():
    edges = [(second_start(1) + 100 * i, 0) for i in range(20000)]
    found = play(edges, second_start(3), limit=0)
    assert len([row for row in found if row[1] == records.EDGE]) == 20000
    assert not summaries(found)


def test_quiet_guarded_second_is_summarised_with_zeros():
    edges = [(second_start(1) + 1000 * (i + 1), 2) for i in range(LIMIT + 2)]
    found = summaries(play(edges, second_start(5)))
    assert len(found) == 1 and found[0][0] == second_start(2)
    values = found[0][1]
    assert values[records.CHATTER_EDGES] == 0 and values[records.CHATTER_SHORTEST] == 0
    assert values[records.CHATTER_ACTIVE] == 0 and values[records.CHATTER_END] == 1


def test_a_loss_ends_the_guard_with_a_short_span():
    stamper, capture, fs = bench()
    levels = 0x7F
    tick = 0
    stamper.to(0)
    capture.drain()
    for i in range(600):
        tick += 100000
        levels ^= 1
        stamper.to(tick, levels)
        capture.drain()
    for i in range(9000):  # more than the ring holds
        tick += 50
        levels ^= 2
        stamper.to(tick, levels)
    capture.drain()
    capture.recorder.commit()
    found = helpers.rows(helpers.segments(fs))
    cut = summaries(found)[-1]
    assert cut[1][records.CHATTER_SPAN] == 60000000 - second_start(4)
    assert helpers.values(found, records.RING_LOST)[-1] == capture.ring_lost > 0
    assert capture.unroller.s[21] == 0  # nobody is guarded any more
