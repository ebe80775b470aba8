"""The virtual board's parts: the words that a stamper would make, the clock chip's wave, scenes."""

import os

from sim import scene
from sim.edge_stamper import EdgeStamper
from sim.pace import Time
from sim.rtc import Rtc
from sim.wave import Wave

import helpers
import scenes

TOP = 0xFFFFFF
SCENE = "/tmp/duskgate_test_%d.scene"
NS = 1000000000


class Now:
    def __init__(self):
        self.now = 0

    def tick(self):
        return self.now


class NoWave:
    next_tick = scene.NEVER
    ever = False

    def high(self):
        return True


def written(events, seconds, **more):
    path = SCENE % id(events)
    scenes.write(path, events, seconds, **more)
    return path


def slow_words(changes, toggles, until):
    """Sample every tick at which something may happen, as the state machine does: {tick: word}."""
    marks = range(0, until + 1, TOP + 1)
    levels, before = 0xFF, None
    words = []
    events = {}
    for tick, wire in changes:
        events.setdefault(tick, []).append(("levels", wire))
    for tick, high in toggles:
        events.setdefault(tick, []).append(("second", high))
    for tick in sorted(set(events) | set(marks)):
        if tick > until:
            break
        for kind, value in events.get(tick, ()):
            levels = levels & 0x80 | value if kind == "levels" else levels & 0x7F | (0x80 if value else 0)
        if levels != before or tick % (TOP + 1) == 0:
            words.append((tick, levels))
        before = levels
    return words


def drained(stamper):
    """(words as (tick, levels) by a reader of its own, lost)"""
    lost = stamper.poll()
    found = [stamper.ring[(stamper.read + i) % len(stamper.ring)] for i in range(stamper.unread)]
    stamper.consumed(stamper.unread)
    return found, lost


def with_ticks(words):
    epoch, found = -1, []
    for word in words:
        if word >> 8 == TOP:
            epoch += 1
        found.append(((epoch << 24) + TOP - (word >> 8), word & 0xFF))
    return found


def test_words_are_those_of_sampling_every_tick():
    random = helpers.Random(6)
    for spacing in (1, 3, 900, 3000000):
        now = Now()
        stamper = EdgeStamper(now, NoWave(), 125000000, 9, 0x7F)
        tick, changes, words = 1, [], []
        for _ in range(600):
            tick += random.below(spacing + 1)
            active = random.below(128) if random.below(3) else 0
            changes.append((tick, active ^ 0x7F))
            stamper.change(tick, active)
            if random.below(50) == 0:
                now.now = tick
                words += drained(stamper)[0]
                tick += 1
        now.now = tick + 40000000
        words += drained(stamper)[0]
        assert with_ticks(words) == slow_words(changes, [], now.now)


def test_a_change_in_a_tick_already_read_gets_the_next():
    now = Now()
    stamper = EdgeStamper(now, NoWave(), 125000000, 9, 0x7F)
    for tick in (100, TOP):  # the tick after the second one is a marker's
        stamper.change(tick, 1)
        now.now = tick
        drained(stamper)
        stamper.change(tick, 0)
        now.now = tick + 5
        words, lost = drained(stamper)
        assert lost == 0 and [word & 0xFF for word in words] == [0xFF]
        assert TOP - (words[0] >> 8) == (tick + 1) % (TOP + 1)


def test_wave_falls_when_a_second_begins_and_rises_half_a_second_later():
    path = written([], 300, clock=False)
    points = [(400000000 + k * (60 * NS + 1200000), scenes.SECOND, scenes.START + 60 * k) for k in range(5)]
    scenes.write(path, points, 300, clock=False)
    time = Time(0, 125000000, 9)
    wave = Wave(path, time.to_tick, 0)
    falls, rises = [], []
    while wave.next_tick < 290 * NS // 72:
        (falls if not wave.half & 1 else rises).append((wave.next_tick, wave.half))
        wave.step()
    os.remove(path)
    for tick, half in falls + rises:
        seconds = half / 2 - scenes.START
        true_ns = 400000000 + seconds * (NS + 20000)
        assert abs(tick * 72 - true_ns) < 150, half
    assert len(falls) in (289, 290) and len(rises) in (289, 290)
    assert falls[0][1] == 2 * scenes.START


def test_wave_and_edges_in_one_stamper():
    path = written([], 120)
    time = Time(0, 125000000, 9)
    stamper = EdgeStamper(time, Wave(path, time.to_tick, 0), 125000000, 9, 0x7F)
    time.now_ns = 100 * NS
    words = with_ticks(drained(stamper)[0])
    copy = Wave(path, time.to_tick, 0)
    os.remove(path)
    toggles = []
    while copy.next_tick <= time.tick():
        toggles.append((copy.next_tick, copy.half & 1))
        copy.step()
    wanted = slow_words([(0, 0x7F), (0, 0x7F)], toggles, time.tick())
    assert words[1:] == wanted[1:] and words[0][0] == 0


def test_setting_the_chip_restarts_the_wave():
    path = written([], 600)
    time = Time(0, 125000000, 9)
    wave = Wave(path, time.to_tick, 0)
    tick = 30 * NS // 72 + 12345
    while wave.next_tick <= tick:
        wave.step()
    assert wave.second() == scenes.START + 29
    wave.set(1800000000, tick)
    os.remove(path)
    assert wave.second() == 1800000000 and wave.high() is False
    assert abs(wave.next_tick - tick - 500000000 // 72) < 30
    wave.step()
    assert abs(wave.next_tick - tick - NS // 72) < 30 and wave.high()
    for _ in range(600):
        wave.step()
    assert abs(wave.next_tick - tick - 301 * NS // 72) < 60


def test_no_points_no_wave_one_point_enough():
    path = written([], 60, clock=False)
    time = Time(0, 125000000, 9)
    assert not Wave(path, time.to_tick, 0).ever
    scenes.write(path, [(10 * NS, scenes.SECOND, scenes.START)], 60, clock=False)
    wave = Wave(path, time.to_tick, 0)
    os.remove(path)
    assert wave.ever and wave.next_tick < NS // 72


def test_lost_words_are_told_after_the_words_before_them():
    now = Now()
    stamper = EdgeStamper(now, NoWave(), 125000000, 9, 0x7F)
    stamper.change(100, 1)
    now.now = 150
    assert len(drained(stamper)[0]) == 2
    stamper.lose(160, 3)
    for i in range(2):
        stamper.change(200 + i, i)
    now.now = 300
    assert drained(stamper) == ([], 0)
    stamper.change(400, 0)
    stamper.change(500, 1)
    now.now = 600
    words, lost = drained(stamper)
    assert lost == 3 and [(TOP - (w >> 8), w & 0x7F) for w in words] == [(500, 0x7E)]


def test_dropped_words_set_the_flag():
    now = Now()
    stamper = EdgeStamper(now, NoWave(), 125000000, 9, 0x7F)
    now.now = 10
    drained(stamper)
    stamper.drop(20, 1)
    now.now = 30
    stamper.poll()
    assert not stamper.dropped
    stamper.change(40, 1)
    stamper.change(50, 3)
    now.now = 60
    words, lost = drained(stamper)
    assert stamper.dropped and lost == 0 and len(words) == 1
    stamper.poll()
    assert not stamper.dropped


def test_overrun_of_the_ring_is_counted():
    now = Now()
    stamper = EdgeStamper(now, NoWave(), 125000000, 9, 0x7F)
    for i in range(1, 9001):
        stamper.change(10 * i, i & 1)
    now.now = 90001
    words, lost = drained(stamper)
    assert lost == 9001 - 8191 and len(words) == 8191


def test_events_are_read_in_order_and_skipped_to():
    events = [(k * NS, scenes.SUPPLY, 4000 + k) for k in range(700)] + [(5, scenes.LEVELS, 3)]
    path = written(events, 700, clock=False)
    found = scene.Events(path)
    seen = []
    while found.t_ns != scene.NEVER:
        seen.append((found.t_ns, found.what, found.value))
        found.next()
    assert seen == sorted(events)
    again = scene.Events(path)
    last = again.skip_to(400 * NS)
    os.remove(path)
    assert last[scene.SUPPLY_MV] == 4399 and last[scene.LEVELS] == 3 and last[scene.RESET] is None
    assert again.t_ns == 400 * NS
    assert scene.signed(0xFFFFFFFF) == -1 and scene.signed(5) == 5


def test_ticks_are_rounded_up_for_events_and_down_for_now():
    time = Time(1000, 125000000, 9)
    assert time.to_tick(1000) == 0 and time.to_tick(1001) == 1 and time.to_tick(1072) == 1 and time.to_tick(1073) == 2
    time.now_ns = 1143
    assert time.tick() == 1
    other = Time(0, 48000000, 9)
    assert other.to_tick(375) == 2 and other.to_tick(188) == 2 and other.to_tick(187) == 1


def test_registers_ahead_of_the_wave_leave_the_wave_alone_and_a_setting_is_right():
    path = written([], 600)
    now = Now()
    now.now = 30 * NS // 72 + 12345
    wave = Wave(path, Time(0, 125000000, 9).to_tick, 0)
    stamper = EdgeStamper(now, wave, 125000000, 9, 0x7F)
    rtc = Rtc(now, wave, stamper)
    before, following = rtc.read(), wave.next_tick
    rtc.scene_ahead(now.now, 0xFFFFFFFF - 3599)
    assert rtc.read() == before - 3600 and wave.next_tick == following
    rtc.set(1800000000)
    os.remove(path)
    assert rtc.read() == 1800000000
