"""The loop on fake parts: what is written when, and parts that fail while the rest goes on."""

import binascii
import errno

from core import faults, records

import helpers
from bench import START, TICKS_MS, Bench

BOOT_STATEMENT = [0x4A, 0x42, 0x40, 0x41, 0x43, 0x44, 0x45, 0x46, 0x47, 0x48, 0x48, 0x49]


def groups(found):
    """[(stamp, tag, {value tag: value})] of stamped records with the values behind them."""
    made = []
    for number, tag, _extra in found:
        if tag < 0x40:
            made.append((number, tag, {}))
        else:
            made[-1][2][tag] = number
    return made


def minutes(found):
    return [group for group in groups(found) if records.SUPPLY_MV in group[2] or records.CLOCK_STATE in group[2]]


def test_boot_statement_in_order():
    bench = Bench(cause=2)
    bench.run(1)
    found = bench.rows()
    assert found[0] == (0, records.LEVELS, 0x7F)
    assert [row[1] for row in found[1:13]] == BOOT_STATEMENT
    facts = groups(found)[0][2]
    assert facts[0x4A] == 1 and facts[0x42] == 2 and facts[0x40] == 9 and facts[0x41] == 125000000
    assert facts[0x43] == 127 and facts[0x44] == 255 and facts[0x45] == 256
    assert facts[0x46] == 0x011D00 and facts[0x47] == 2
    assert found[10][0].to_bytes(6, "little") == b"\x01\x02\x03\x04\x05\x06"
    assert found[11] == (int.from_bytes(b"\x07\x08", "little"), 0x48, 1)
    assert facts[0x49] == bench.settings.check()


def test_minute_records_stand_at_the_fall_and_name_the_second():
    bench = Bench()
    bench.run(600)
    found = minutes(bench.rows())
    assert 10 <= len(found) <= 11
    for tick, tag, values in found:
        assert tag == records.MOMENT
        k = values[records.CLOCK_SECOND] - START
        assert tick == bench.rtc.fall(k)
        assert records.CLOCK_STATE not in values
        assert values[records.SUPPLY_MV] == 3912 and helpers.signed(values[records.TEMPERATURE_C100]) == -325
    seconds = [values[records.CLOCK_SECOND] for _, _, values in found]
    assert seconds[0] - START < 6
    assert all(59 <= b - a <= 62 for a, b in zip(seconds, seconds[1:]))


def test_minute_never_goes_back_behind_an_edge():
    bench = Bench()
    bench.pace.edges = [(i * 977 * 1000, 0x7E if i % 2 else 0x7F) for i in range(1, 3000)]
    bench.run(240)
    stamps = [row[0] for row in bench.rows() if row[1] < 0x40]
    assert stamps == sorted(stamps)


def test_no_wave_dates_the_minute_at_now_and_says_so():
    bench = Bench()
    bench.pace.wave = False
    bench.run(130)
    found = minutes(bench.rows())
    assert len(found) >= 2
    for _, _, values in found:
        assert records.CLOCK_SECOND not in values and values[records.CLOCK_STATE] & 12 == 12
        assert values[records.CLOCK_STATE] & 2 == 0


def test_silent_chip_is_told_and_asked_again():
    bench = Bench()
    bench.rtc.error = OSError(errno.EIO, "bus")
    bench.run(100)
    found = bench.rows()
    assert minutes(found)[-1][2][records.CLOCK_STATE] & 2
    assert records.TEMPERATURE_C100 not in minutes(found)[-1][2]
    assert faults.RTC in [value & 0xFFFF for value in helpers.values(found, records.FAULT)]
    bench.rtc.error = None
    bench.run(200)
    last = minutes(bench.rows())[-1][2]
    assert records.CLOCK_STATE not in last and last[records.TEMPERATURE_C100]


def test_oscillator_that_had_stopped_is_told():
    bench = Bench()
    bench.rtc.flag = True
    bench.run(130)
    values = minutes(bench.rows())[-1][2]
    assert values[records.CLOCK_STATE] & 1 and records.CLOCK_SECOND in values


def test_chip_that_jumps_is_noticed():
    bench = Bench()
    bench.run(130)
    bench.rtc.start += 1000  # somebody else set it, the wave goes on
    bench.run(130)
    found = bench.rows()
    assert faults.CLOCK_JUMPED in [value & 0xFFFF for value in helpers.values(found, records.FAULT)]
    assert minutes(found)[-1][2][records.CLOCK_SECOND] > START + 1000


def test_commit_ten_seconds_after_the_first_record():
    bench = Bench()
    bench.run(30)
    bench.station.commit_all()
    bench.pace.edges = [(35000 * TICKS_MS, 0x7E)]
    bench.run(44 - bench.pace.now_ms() / 1000)
    assert 35000 * TICKS_MS not in helpers.values(helpers.rows(helpers.segments(bench.fs)), records.EDGE)
    bench.run(2.5)
    assert 35000 * TICKS_MS in helpers.values(helpers.rows(helpers.segments(bench.fs)), records.EDGE)


def test_480_records_are_committed_at_once():
    bench = Bench(settings={"chatter_limit": 0})
    bench.pace.edges = [((2000 + i) * TICKS_MS, 0x7E if i % 2 == 0 else 0x7F) for i in range(1000)]
    bench.run(4)
    stored = helpers.segments(bench.fs)
    assert len(helpers.values(helpers.rows(stored), records.EDGE)) >= 480
    assert all(len(block[3]) <= 508 for block in stored)


def test_heap_once_an_hour():
    bench = Bench(longest_ms=60000)
    bench.run(3 * 3600 + 30)
    assert helpers.values(bench.rows(), records.HEAP_FREE) == [123456] * 4


def test_button_writes_a_note():
    bench = Bench()
    bench.run(2)
    bench.button.value = True
    bench.station.step()
    bench.button.value = False
    bench.run(2)
    found = bench.rows()
    assert found.count((records.NOTE_BUTTON, records.NOTE, 0)) == 1


def test_supply_low_for_three_minutes_ends_logging_in_order():
    bench = Bench(settings={"stop_below_mv": 3500})
    bench.run(200)
    assert not bench.station.stopped
    bench.supply.value = 3400
    bench.run(100)
    assert not bench.station.stopped
    bench.run(120)
    assert bench.station.stopped == records.STOP_SUPPLY_LOW
    found = helpers.rows(helpers.segments(bench.fs))
    assert found[-1] == (records.STOP_SUPPLY_LOW, records.STOP, 0)
    assert bench.facts("state")["supply_mv"] == 3400  # the link lives on
    assert bench.lamp.calls[-1][0] == "stopped"


def test_parts_that_fail_are_dropped_and_told():
    for name, number in (("button", faults.BUTTON), ("lamp", faults.LAMP), ("watchdog", faults.WATCHDOG)):
        bench = Bench()
        bench.run(1)
        getattr(bench, name).error = ValueError("broken")
        bench.pace.edges = [(3000 * TICKS_MS, 0x7E)]
        bench.run(70)
        found = bench.rows()
        assert helpers.values(found, records.FAULT) == [number], name
        assert not bench.station.parts.has(name)
        assert helpers.values(found, records.EDGE) == [3000 * TICKS_MS]
        assert bench.facts("state")["faults"] == [faults.TEXT[number]]


def test_part_with_an_error_number_is_asked_again():
    bench = Bench()
    bench.supply.error = OSError(errno.EIO, "adc")
    bench.run(130)
    assert bench.station.parts.has("supply")
    bench.supply.error = None
    bench.run(70)
    assert minutes(bench.rows())[-1][2][records.SUPPLY_MV] == 3912
    assert helpers.values(bench.rows(), records.FAULT) == [faults.SUPPLY | errno.EIO << 16]


def test_broken_stream_does_not_stop_the_logging():
    bench = Bench()
    bench.stream.error = ValueError("gone")
    bench.pace.edges = [(3000 * TICKS_MS, 0x7E)]
    bench.run(30)
    bench.stream.error = None
    assert bench.facts("who")["board"]
    assert 3000 * TICKS_MS in helpers.values(bench.rows(), records.EDGE)


def test_store_that_fails_is_told_counted_and_used_again():
    bench = Bench()
    bench.run(20)
    bench.fs.fail = {"write": errno.EIO}
    bench.pace.edges = [((25000 + i) * TICKS_MS, 0x7E if i % 2 == 0 else 0x7F) for i in range(60)]
    bench.run(40)
    assert bench.station.recorder.lost >= 60 and bench.lamp.calls[-1][0] == "fault"
    state = bench.facts("state")
    assert state["store"] == "failing" and state["store_lost"] >= 60
    assert any("store" in line for line in state["faults"])
    bench.fs.fail = {}
    bench.run(80)
    found = bench.rows()
    assert bench.facts("state")["store"] == "ok"
    assert helpers.values(found, records.STORE_LOST)[-1] == bench.station.recorder.lost
    assert faults.STORE | errno.EIO << 16 in helpers.values(found, records.FAULT)


def test_full_store_is_loud_and_goes_on_after_a_pull():
    bench = Bench(fs=helpers.DictFs(blocks=30), settings={"chatter_limit": 0})
    bench.pace.edges = [((1000 + i * 3) * TICKS_MS, 0x7E if i % 2 == 0 else 0x7F) for i in range(12000)]
    bench.run(38)
    state = bench.facts("state")
    assert state["store"] == "full" and state["store_lost"] > 0 and bench.lamp.calls[-1][0] == "full"
    assert state["nights_left"] == 0
    data = bench.fs.files["log/00000001.seg"]
    bench.facts("pulled 1 %d %d" % (len(data), binascii.crc32(data)))
    bench.pace.edges = [(bench.stamper.tick + 5000 * TICKS_MS, bench.stamper.levels ^ 1)]
    bench.run(70)
    assert bench.facts("state")["store"] == "ok"
    assert bench.lamp.calls[-1][0] == "fault"  # it works again, but there is something to read


def test_watchdog_is_fed_every_pass_and_before_each_commit():
    bench = Bench()
    bench.run(20)
    assert len(bench.watchdog.calls) >= bench.pace.slept
    before = len(bench.watchdog.calls)
    bench.station._moment_now(())
    bench.station.recorder.commit()
    assert len(bench.watchdog.calls) == before + 1


def test_dead_stamper_is_told():
    bench = Bench()
    bench.run(10)

    def dead(tick, levels=None):
        bench.stamper.tick = tick

    bench.stamper.to = dead
    bench.run(10)
    assert faults.STAMPER_SILENT in [value & 0xFFFF for value in helpers.values(bench.rows(), records.FAULT)]


def test_settings_problems_are_recorded():
    bench = Bench(fs=helpers.DictFs(files={"settings.txt": b"rubbish"}))
    bench.run(2)
    assert helpers.values(bench.rows(), records.FAULT) == [faults.SETTINGS_CHECK]


def test_ctrl_c_ends_logging_in_order():
    bench = Bench()
    bench.pace.edges = [(500 * TICKS_MS, 0x7E)]
    bench.run(1)
    bench.stream.error = KeyboardInterrupt()
    try:
        bench.station.run()
        raise AssertionError("it went on")
    except KeyboardInterrupt:
        pass
    found = helpers.rows(helpers.segments(bench.fs))
    assert found[-1] == (records.STOP_ASKED, records.STOP, 0)
    assert helpers.values(found, records.EDGE) == [500 * TICKS_MS]


def test_healthy_is_called_once():
    bench = Bench()
    called = []
    bench.pace.edges = []
    for ms in (3000, 9000):
        bench.run(1)

    def healthy():
        called.append(bench.pace.now_ms())
        bench.station.ask_restart("log")

    bench.station.run(8000, healthy)
    assert len(called) == 1 and 8000 < called[0] < 10000


def test_unused_channels_never_make_records():
    bench = Bench(settings={"channels": 0x81})
    bench.pace.edges = [((1000 + i) * TICKS_MS, 0x7F ^ (2 << i % 6)) for i in range(50)]
    bench.pace.edges.append((2000 * TICKS_MS, 0x00))
    bench.run(5)
    assert [row for row in bench.rows() if row[1] == records.EDGE] == [(2000 * TICKS_MS, records.EDGE, 0x7E)]


def test_two_boots_on_one_store():
    bench = Bench()
    bench.run(15)
    again = Bench(fs=bench.fs.after_cut(), boot_id=78)
    again.run(15)
    blocks = helpers.segments(again.fs)
    assert {block[:2] for block in blocks} == {(77, 1), (78, 2)}
    assert again.facts("who")["boot_no"] == 2
