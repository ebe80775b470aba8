"""Light pulses in the station's loop: what is written, and what is counted where one cannot be."""

from array import array

from core import faults, records

import helpers
from bench import TICKS_MS, Bench
from test_shared_pulses import codes_of, read_back

FLASH1, FLASH2, BEAM = 0x08, 0x10, 0x01
QUIET = 0x7F


class Photodiode:
    """A converter that stops `post_us` after the first change of a FLASH input since start()."""

    samples = 1024
    step_ns = 2000
    post_us = 1000

    def __init__(self, stamper):
        self.ring = array("H", [0] * self.samples)
        self.first, self.count, self.lead_ns = 900, 0, 0
        self.stamper = stamper
        self.peak = 1500
        self.calls = []
        self.edge = None
        self.error = None
        self.on = False
        stamper_to = stamper.to

        def to(tick, levels=None):
            before = stamper.levels
            stamper_to(tick, levels)
            if self.on and self.edge is None and levels is not None and (before ^ levels) & 0x78:
                self.edge = tick

        stamper.to = to

    def start(self):
        self.calls.append("start")
        self.on, self.edge = True, None

    def lend(self):
        self.calls.append("lend")
        self.stamper.to(self.stamper.tick + TICKS_MS)
        self.on = False

    def ready(self):
        if self.error is not None:
            raise self.error
        return self.edge is not None and self.stamper.tick - self.edge > TICKS_MS * self.post_us // 1000

    def found(self):
        self.count, self.lead_ns = 600, 199100
        for i in range(600):
            light = self.peak if 100 <= i < 200 else 0
            self.ring[(self.first + i) % self.samples] = 80 + i % 3 + light


def board(edges, settings=None, seconds=2.0):
    """A bench with a photodiode and its edges [(ms, wire levels)] played."""
    bench = Bench(settings=settings, longest_ms=5)
    diode = Photodiode(bench.stamper)
    watch = bench.station.pulses
    bench.station.parts._parts["pulse"] = diode
    watch.__init__(bench.station.parts, bench.station.capture, bench.station.recorder, bench.settings)
    bench.pace.edges = [(ms * TICKS_MS, levels) for ms, levels in edges]
    bench.run(seconds)
    return bench, diode


def shot(ms, flashes=FLASH1, lit_ms=1):
    return [(ms, QUIET ^ flashes), (ms + lit_ms, QUIET)]


def groups(found):
    """[(tick, [rows behind it])] of the moments that belong to pulses."""
    made = []
    for row in found:
        if row[1] < 0x40:
            made.append((row[0], []))
        else:
            made[-1][1].append(row)
    return [group for group in made if any(row[1] in (0x80, 0x85) for row in group[1])]


def test_a_pulse_is_written_at_the_tick_of_its_edge():
    bench, _ = board(shot(500))
    found = groups(bench.rows())
    assert {tick for tick, _ in found} == {500 * TICKS_MS}
    (value, _, flash), (timing, _, _) = found[0][1][:2]
    kept = value >> 16 & 0xFFF
    assert value & 0xFFFF == 1 and flash == 1 and value >> 28 & 0xFFF == 1582
    assert timing & 0xFFFFFF == 2000 and timing >> 24 == 199100 - 36 * 2000
    assert all(rows[0] == (1, records.PULSE_GOES_ON, 0) for _, rows in found[1:])
    samples = [row for _, rows in found for row in rows if row[1] == records.PULSE_SAMPLES]
    packed = b"".join(row[0].to_bytes(6, "little") + bytes(row[1:]) for row in samples)
    codes, _ = codes_of(read_back(packed)[0], kept)
    assert codes == [80 + i % 3 + (1500 if 100 <= i < 200 else 0) for i in range(36, 36 + kept)]
    assert kept in range(64 + 100 + 64, 64 + 100 + 64 + 32)


def test_every_head_that_flashed_is_in_the_mask():
    bench, _ = board([(500, QUIET ^ FLASH1), (501, QUIET ^ FLASH1 ^ FLASH2), (502, QUIET)])
    assert groups(bench.rows())[0][1][0][2] == 3


def test_a_second_light_right_after_is_counted_as_missed():
    bench, diode = board(shot(500) + shot(515) + shot(700), seconds=70)
    found = bench.rows()
    assert [row[0] & 0xFFFF for row in found if row[1] == records.PULSE] == [1, 2]
    assert [row for row in found if row[1] == records.PULSES_DROPPED] == [(1, records.PULSES_DROPPED, 2)]
    assert diode.on
    assert bench.facts("state")["pulses"] == 2 and bench.facts("state")["pulses_dropped"] == [0, 0, 1, 0]


def test_a_weak_light_is_a_header_alone():
    bench = Bench(longest_ms=5)
    diode = Photodiode(bench.stamper)
    diode.peak = 10
    bench.station.parts._parts["pulse"] = diode
    bench.station.pulses.__init__(bench.station.parts, bench.station.capture, bench.station.recorder, bench.settings)
    bench.pace.edges = [(ms * TICKS_MS, levels) for ms, levels in shot(500)]
    bench.run(2)
    ((_, rows),) = groups(bench.rows())
    assert [row[1] for row in rows] == [records.PULSE, records.PULSE_TIMING] and rows[0][0] >> 16 & 0xFFF == 0


def test_where_nothing_is_wired_the_store_is_not_filled():
    bench = Bench(longest_ms=5)
    diode = Photodiode(bench.stamper)
    diode.peak = 10
    bench.station.parts._parts["pulse"] = diode
    watch = bench.station.pulses
    watch.__init__(bench.station.parts, bench.station.capture, bench.station.recorder, bench.settings)
    edges = []
    for k in range(50):
        edges += shot(500 + 200 * k)
    bench.pace.edges = [(ms * TICKS_MS, levels) for ms, levels in edges]
    bench.run(6)
    diode.peak = 1500
    bench.run(6)
    assert watch.number + sum(watch.dropped) == 50
    assert watch.dropped[3] in range(5, 10), "those after the twentieth, until there was light again"
    assert sum(row[0] >> 16 & 0xFFF == 0 for row in bench.rows() if row[1] == records.PULSE) == 20


def test_the_storage_of_a_night_ends_in_a_count():
    edges = []
    for k in range(30):
        edges += shot(500 + 200 * k)
    bench, _ = board(edges, {"pulse_kb": 8}, 70)
    found = bench.rows()
    numbers = [row[0] & 0xFFFF for row in found if row[1] == records.PULSE]
    used = sum(8 * (1 + len(rows)) for _, rows in groups(found))
    assert numbers == list(range(1, len(numbers) + 1)) and 1000 <= used < 1400
    assert [row for row in found if row[1] == records.PULSES_DROPPED][-1] == (30 - len(numbers), 0x83, 1)


def test_a_new_limit_begins_a_new_night_and_a_pulse_asked_for_does_not_wait_for_its_hour():
    edges = []
    for k in range(30):
        edges += shot(500 + 200 * k)
    bench, _ = board(edges, {"pulse_kb": 8}, 2.4)
    watch = bench.station.pulses
    first = watch.number
    assert first < 9 and watch.dropped[1] > 0
    bench.facts("set pulse_kb 8")
    bench.run(2)
    assert watch.number == 2 * first, "a second eighth"
    watch.shot(bench.pace.now_ms())
    bench.run(0.15)
    assert watch.number == 2 * first + 1
    bench.run(1)
    assert watch.number == 2 * first + 1


def test_lights_of_several_heads_leave_room_for_those_that_come_alone():
    edges = []
    for k in range(10):
        edges += shot(500 + 200 * k, FLASH1 | FLASH2)
    for k in range(10, 20):
        edges += shot(500 + 200 * k)
    bench, _ = board(edges, {"pulse_kb": 16}, 5)
    masks = [row[2] for row in bench.rows() if row[1] == records.PULSE]
    assert 1 <= masks.count(3) <= 3 and masks.count(1) >= 5, "10 of each came; a pulse takes some 200 bytes"


def test_the_converter_rests_once_logging_has_ended():
    bench, diode = board([], seconds=1)
    assert diode.on
    bench.station.stop(records.STOP_ASKED)
    bench.run(1)
    assert not diode.on and diode.calls[-1] == "lend" and bench.station.pulses.due_ms is None


def test_no_setting_no_pulse():
    bench, diode = board(shot(500), {"pulse_kb": 0})
    assert groups(bench.rows()) == [] and "start" not in diode.calls
    bench.facts("set pulse_kb 8")
    bench.run(0.2)
    assert diode.on
    bench.facts("set pulse_kb 0")
    bench.run(0.2)
    assert not diode.on


def test_a_commit_waits_for_a_light_that_is_expected():
    # the boot statement is due after 10 s; a beam breaks just before, the light comes 40 ms after that
    bench, _ = board([(9980, QUIET ^ BEAM), (10020, QUIET ^ BEAM ^ FLASH1), (10021, QUIET ^ BEAM)], seconds=12)
    assert bench.fs.flushes == 1
    block = helpers.segments(bench.fs)[0][3]
    assert any(row[1] == records.PULSE for row in block)  # so it came after the pulse
    assert bench.station.pulses.dropped == [0, 0, 0, 0]


def test_a_commit_waits_a_second_at_most():
    edges = []
    for k in range(100):
        edges += [(9950 + 30 * k, QUIET ^ (BEAM if k % 2 == 0 else 0))]
    bench, _ = board(edges, seconds=11.1)
    assert bench.fs.flushes == 1


def test_a_pulse_with_a_commit_in_it_is_dropped_and_counted():
    bench, _ = board([], seconds=9)
    light = bench.stamper.tick + 500 * TICKS_MS
    bench.pace.edges = [(light, QUIET ^ FLASH1), (light + TICKS_MS, QUIET)]
    bench.run(0.499)
    bench.station._commit_begins()
    bench.pace.to(light + TICKS_MS // 2)
    bench.station.pulses.commit_ended()
    bench.run(1)
    assert bench.station.pulses.dropped == [1, 0, 0, 0] and groups(bench.rows()) == []


def test_the_supply_is_read_with_the_converter_lent_and_the_blind_time_counted():
    bench, diode = board([], seconds=130)
    assert diode.calls.count("lend") == len(bench.supply.calls) >= 2
    assert diode.calls[-1] == "start" and diode.calls.count("start") == diode.calls.count("lend") + 1
    assert bench.station.pulses.blind_us() // 1000 == diode.calls.count("lend")  # a millisecond each


def test_the_supply_waits_a_minute_where_a_light_is_expected_but_not_two():
    bench, diode = board([], seconds=1)
    watch = bench.station.pulses
    watch.shot(bench.pace.now_ms())
    assert not watch.lend(bench.pace.now_ms()) and watch.lend(bench.pace.now_ms())
    assert diode.calls[-1] == "lend"


def test_blind_time_once_an_hour():
    bench, _ = board([], seconds=1)
    assert [row[1] for row in bench.rows()].count(records.PULSE_BLIND_US) == 1


def test_a_photodiode_that_breaks_is_left_out_and_told():
    bench, diode = board([], seconds=1)
    diode.error = ValueError("broken")
    now = bench.stamper.tick
    bench.pace.edges = [(now + 100 * TICKS_MS, QUIET ^ FLASH1), (now + 101 * TICKS_MS, QUIET)]
    bench.run(2)
    found = bench.rows()
    assert faults.PULSE in [value & 0xFFFF for value in helpers.values(found, records.FAULT)]
    assert helpers.values(found, records.EDGE) == [now + 100 * TICKS_MS, now + 101 * TICKS_MS]
    assert bench.facts("state")["pulses"] is None


def test_without_a_photodiode_nothing_changes():
    bench = Bench()
    bench.run(70)
    assert bench.facts("state")["pulses"] is None
    assert not any(0x80 <= row[1] <= 0x8F for row in bench.rows())


def test_an_input_that_never_rests_is_not_waited_for_by_the_rest():
    edges = []
    for k in range(200):
        edges += shot(500 + 20 * k, lit_ms=10)
    bench, _ = board(edges, {"chatter_limit": 0}, seconds=5)
    assert len(helpers.values(bench.rows(), records.EDGE)) == 400
    assert bench.station.pulses.number >= 1
