"""The parts on the chip, on fakes of MicroPython's modules: registers, bytes on the bus, starts and restarts."""

import calendar
import gc
import importlib
import random
import sys
import time
import types
from array import array
from pathlib import Path
from typing import ClassVar

import pytest

ROOM = ("machine", "rp2", "uctypes", "wiring", "main", "board")


class Pin:
    """Levels by number; PULL_UP lifts a pin that nobody drives."""

    IN, OUT, PULL_UP, PULL_DOWN, OPEN_DRAIN = range(5)
    driven: ClassVar[dict[int, int]] = {}
    log: ClassVar[list[tuple]] = []

    def __init__(self, number, mode=None, pull=None, value=None):
        self.number, self.pull = number, pull
        self.level = value
        Pin.log.append((number, mode, pull))

    def value(self, level=None):
        if level is not None:
            self.level = int(level)
            Pin.log.append((self.number, "value", int(level)))
            return None
        if self.number in Pin.driven:
            return Pin.driven[self.number]
        return 0 if self.pull == Pin.PULL_DOWN else 1


class ClockChip:
    """Registers of a DS3231 by its data sheet 19-5170, table 1, and an I2C bus in front of them."""

    def __init__(self, *_arguments, **_named):
        self.registers = bytearray(19)
        self.registers[0x0E] = 0x1C  # power-up: INTCN and both rate bits set
        self.registers[0x0F] = 0x88  # power-up: the oscillator had stopped, 32 kHz output on
        self.silent = False
        self.glitch = 0
        self.writes = []
        ClockChip.made = self

    def answer(self, address):
        assert address == 0x68
        if self.silent:
            raise OSError(5, "EIO")

    def readfrom_mem_into(self, address, register, buf):
        self.answer(address)
        buf[:] = self.registers[register : register + len(buf)]
        if self.glitch:
            self.glitch -= 1
            buf[0] ^= 0x04

    def readfrom_mem(self, address, register, n):
        self.answer(address)
        return bytes(self.registers[register : register + n])

    def writeto_mem(self, address, register, data):
        self.answer(address)
        self.writes.append((register, bytes(data)))
        self.registers[register : register + len(data)] = data


class Memory(dict):
    def __missing__(self, _address):
        return 0


@pytest.fixture
def chip(monkeypatch):
    """Namespace of fake modules; chip.* imported afresh on them."""
    Pin.driven, Pin.log = {}, []
    machine = types.ModuleType("machine")
    machine.Pin, machine.I2C, machine.mem32 = Pin, ClockChip, Memory()
    machine.PWRON_RESET, machine.WDT_RESET = 1, 3
    machine.reset_cause = lambda: 3
    machine.reset = lambda: (_ for _ in ()).throw(SystemExit("reset"))
    machine.ADC = lambda pin: types.SimpleNamespace(read_u16=lambda: machine.adc)
    machine.WDT = lambda timeout: types.SimpleNamespace(feed=lambda: None, timeout=timeout)
    uctypes = types.ModuleType("uctypes")
    uctypes.addressof = lambda buf: 0x20001234 if not isinstance(buf, memoryview) else 0x20008000
    ticks = {"us": 0}
    monkeypatch.setattr(time, "ticks_us", lambda: ticks["us"] % 2**30, raising=False)
    monkeypatch.setattr(time, "ticks_ms", lambda: ticks["us"] // 1000 % 2**30, raising=False)
    monkeypatch.setattr(time, "ticks_diff", lambda a, b: (a - b + 2**29) % 2**30 - 2**29, raising=False)
    monkeypatch.setattr(time, "sleep_us", lambda us: None, raising=False)
    monkeypatch.setattr(time, "sleep_ms", lambda ms: ticks.__setitem__("us", ticks["us"] + 1000 * ms), raising=False)
    for name, module in (("machine", machine), ("uctypes", uctypes), ("rp2", fake_rp2())):
        monkeypatch.setitem(sys.modules, name, module)
    monkeypatch.setattr(sys.implementation, "_machine", "Raspberry Pi Pico with RP2040", raising=False)
    forget()
    yield types.SimpleNamespace(
        machine=machine, ticks=ticks, part=lambda name: importlib.import_module(f"chip.{name}"), rp2=sys.modules["rp2"]
    )
    forget()


def forget():
    for name in [name for name in sys.modules if name.split(".")[0] in ("chip", "main", "board")]:
        del sys.modules[name]


def fake_rp2():
    rp2 = types.ModuleType("rp2")

    class DMA:
        made: ClassVar[list] = []

        def __init__(self):
            self.channel = len(DMA.made)
            self.count = 0
            DMA.made.append(self)

        def pack_ctrl(self, **fields):
            return fields

        def config(self, **fields):
            self.fields = fields
            self.count = fields["count"]

    class StateMachine:
        def __init__(self, number, program, in_base):
            self.running = 0

        def active(self, on):
            self.running = on

    class PIO:
        SHIFT_LEFT, SHIFT_RIGHT, JOIN_RX = 0, 1, 2

        def __init__(self, block):
            pass

        def remove_program(self):
            pass

    rp2.DMA, rp2.StateMachine, rp2.PIO = DMA, StateMachine, PIO
    rp2.asm_pio = lambda **_fields: lambda function: function
    return rp2


# -- clock chip --------------------------------------------------------------------------------------------------


def test_seconds_and_registers_agree_with_the_calendar(chip):
    rtc = chip.part("rtc")
    rng = random.Random(1)
    seconds = [946684800, 951782399, 951782400, 951868800, 1709164800, 1735689599, 4102444799]
    for second in seconds + [rng.randrange(946684800, 4102444800) for _ in range(3000)]:
        registers = rtc.to_registers(second)
        utc = time.gmtime(second)
        text = "%02x %02x %02x %02x %02x %02x" % (*registers[:3], *registers[4:7])
        assert text == time.strftime("%S %M %H %d %m %y", utc)
        assert registers[3] == utc.tm_wday + 1
        assert rtc.to_second(registers) == second == calendar.timegm(utc)


def test_twelve_hour_mode_and_century_bit_are_understood(chip):
    rtc = chip.part("rtc")
    base = bytearray(rtc.to_registers(1750000000))
    for hour in range(24):
        registers = bytearray(base)
        twelve = hour % 12 or 12
        registers[2] = 0x40 | (0x20 if hour >= 12 else 0) | twelve // 10 << 4 | twelve % 10
        registers[5] |= 0x80
        assert rtc.to_second(registers) % 86400 // 3600 == hour


def test_registers_that_hold_no_time_are_an_error(chip):
    rtc = chip.part("rtc")
    wrong = ((0, 0x60), (0, 0x0A), (1, 0x75), (2, 0x24), (4, 0x00), (4, 0x32), (5, 0x13), (5, 0x00), (6, 0xA0))
    for at, value in wrong:
        registers = bytearray(rtc.to_registers(1750000000))
        registers[at] = value
        with pytest.raises(OSError):
            rtc.to_second(registers)
    with pytest.raises(OSError):
        rtc.to_second(b"\xff" * 7)


def test_clock_chip_is_set_read_and_its_wave_started(chip):
    part = chip.part("rtc").Rtc(0, 16, 17, 100000, 0x68)
    bus = ClockChip.made
    bus.registers[:7] = chip.part("rtc").to_registers(1700000000)
    assert part.read() == 1700000000 and part.stopped()
    assert (0x0E, b"\x00") in bus.writes, "1 Hz asked for"
    assert part.set(1750000000) is True and part.read() == 1750000000 and not part.stopped()
    assert bus.registers[0x0F] == 0x08, "only the stopped flag was cleared"
    whole = [data for register, data in bus.writes if register == 0]
    assert len(whole) == 1 and len(whole[0]) == 7, "all seven in one transfer"


def test_one_disturbed_reading_is_an_error_and_not_a_time(chip):
    part = chip.part("rtc").Rtc(0, 16, 17, 100000, 0x68)
    ClockChip.made.registers[:7] = chip.part("rtc").to_registers(1700000000)
    ClockChip.made.glitch = 1
    with pytest.raises(OSError):
        part.read()
    assert part.read() == 1700000000
    ClockChip.made.silent = True
    for ask in (part.read, part.stopped, part.temp_c100, lambda: part.set(1750000000)):
        with pytest.raises(OSError):
            ask()


QUARTERS = [((0x19, 0x40), 2525), ((0x00, 0x00), 0), ((0xFF, 0xC0), -25), ((0xE7, 0x00), -2500)]


@pytest.mark.parametrize("raw,c100", QUARTERS)
def test_temperature_in_quarter_degrees(chip, raw, c100):
    # data sheet 19-5170, p. 15: 00011001 01 is +25.25 degrees
    part = chip.part("rtc").Rtc(0, 16, 17, 100000, 0x68)
    ClockChip.made.registers[0x11:0x13] = bytes(raw)
    assert part.temp_c100() == c100


def test_held_bus_is_clocked_free(chip):
    Pin.driven[16] = 0
    chip.part("rtc").free_bus(16, 17)
    assert [entry for entry in Pin.log if entry[0] == 17 and entry[1] == "value"].count((17, "value", 1)) == 9


# -- stamper -----------------------------------------------------------------------------------------------------


def stamper(chip, words=8192):
    module = chip.part("edge_stamper")
    ring = memoryview(array("I", [0] * words))
    chip.rp2.DMA.made.clear()
    return module.EdgeStamper((ring, ring), 2, 8, 0, 125000000, 9), chip.rp2.DMA.made[0], chip.rp2.DMA.made[1]


def test_dma_is_set_up_for_ever(chip):
    part, data, again = stamper(chip)
    control = data.fields["ctrl"]
    assert data.fields["read"] == 0x50200020 and data.fields["write"] == 0x20008000 and data.fields["trigger"]
    assert control["ring_size"] == 15 and control["ring_sel"] and control["treq_sel"] == 4
    assert control["chain_to"] == again.channel and control["inc_write"] and not control["inc_read"]
    count = data.fields["count"]
    assert count % 8192 == 0 and count < 2**28 and again.fields["read"][0] == count
    assert again.fields["write"] == 0x50000000 + 0x40 * data.channel + 0x1C and again.fields["count"] == 1
    inputs = {entry[0] for entry in Pin.log if entry[1] == Pin.IN}
    assert set(range(2, 10)) <= inputs and part._machine.running == 1


def test_words_are_counted_over_the_restart_of_the_dma(chip):
    rng = random.Random(2)
    part, data, _ = stamper(chip)
    count = data.fields["count"]
    written = taken = told = 0
    for _ in range(20000):
        n = rng.randrange(30000) if rng.randrange(9) == 0 else rng.randrange(500)
        if rng.randrange(500) == 0:
            n = count - 40000 - rng.randrange(100)  # most of a run unseen: still less than a whole one
            n -= written - taken
        written += n
        data.count = count - written % count
        lost = part.poll()
        told += lost
        taken += lost
        assert part.unread == written - taken <= 8191 and part.read == taken % 8192
        n = rng.randrange(part.unread + 1)
        assert part.consumed(n)
        taken += n
    assert told > 0 and written > 3 * count


def test_overtaken_words_are_not_consumed(chip):
    part, data, _ = stamper(chip)
    count = data.fields["count"]
    data.count = count - 8000
    assert part.poll() == 0 and part.unread == 8000
    data.count = count - 8300
    assert not part.consumed(100)
    assert part.poll() == part.read == 8300 - 8191 + 1024, "with room to read before the writer comes round"


def test_drop_flag_is_read_and_cleared(chip):
    part, _, _ = stamper(chip)
    part.poll()
    chip.machine.mem32[0x50200008] = 0b0010
    part.poll()
    assert not part.dropped, "another machine's flag"
    chip.machine.mem32[0x50200008] = 0b0001
    part.poll()
    assert part.dropped and chip.machine.mem32[0x50200008] == 1, "written back: that clears it"


def test_now_counts_on_over_the_timer_s_wrap(chip):
    part, _, _ = stamper(chip)
    for _ in range(400):
        chip.ticks["us"] += 77_000_000
        assert part.now() == chip.ticks["us"] * 125 // 9
    assert chip.ticks["us"] > 20 * 2**30


# -- the small ones ----------------------------------------------------------------------------------------------


def test_supply_is_measured_behind_the_divider(chip):
    chip.machine.adc = 65535
    part = chip.part("supply").Supply(28, 200000, 100000, 3300)
    assert part.read_mv() == 9900
    chip.machine.adc = 33098  # 1.6667 V of 3.3 V: 5.0 V at the divider's upper end
    assert abs(part.read_mv() - 5000) <= 1


def test_shot_is_never_left_closed(chip, monkeypatch):
    part = chip.part("shot").Shot(10, 50)
    assert part.fire() is True and chip.ticks["us"] == 50000
    assert [entry[2] for entry in Pin.log if entry[1] == "value"] == [0, 1]
    assert (10, Pin.OPEN_DRAIN, Pin.PULL_UP) in Pin.log
    module = chip.part("shot")
    monkeypatch.setattr(module, "sleep_ms", lambda ms: (_ for _ in ()).throw(KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        part.fire()
    assert Pin.log[-1] == (10, "value", 1)


def test_button_needs_30_ms(chip):
    part = chip.part("button").Button(11)

    def after(ms, level):
        chip.ticks["us"] += ms * 1000
        Pin.driven[11] = level
        return part.pressed()

    assert [after(10, 0), after(10, 1), after(10, 0), after(29, 0)] == [False] * 4
    assert after(2, 0) is True and after(50, 0) is False
    assert [after(10, 1), after(31, 1), after(10, 0), after(40, 0)] == [False, False, False, True]


def test_lamp_patterns_differ_and_are_mostly_dark(chip):
    lamp = chip.part("lamp")
    share = {
        state: sum(lamp.lit(state, ms) for ms in range(lamp.PATTERNS[state][0])) / lamp.PATTERNS[state][0]
        for state in ("logging", "fault", "full", "stopped")
    }
    assert share["logging"] < 0.01 and share["fault"] < 0.05 and share["full"] > 0.3
    part = lamp.Lamp("LED")
    part.show("logging", 6005)
    assert Pin.log[-1] == ("LED", "value", 1)
    part.show("logging", 6100)
    assert Pin.log[-1] == ("LED", "value", 0)


def test_pace_counts_on_over_the_timer_s_wrap(chip):
    part = chip.part("pace").Pace(10)
    start = chip.ticks["us"] // 1000
    for _ in range(10):
        chip.ticks["us"] += 2**28 * 1000
        assert part.now_ms() == chip.ticks["us"] // 1000 - start
    before = chip.ticks["us"]
    part.sleep_until(part.now_ms() + 1000, False)
    assert chip.ticks["us"] - before == 10000
    part.sleep_until(part.now_ms() + 1000, True)
    part.sleep_until(part.now_ms() - 5, False)
    assert chip.ticks["us"] - before == 10000


def test_garbage_is_collected_in_pauses_and_late_at_the_latest(chip, monkeypatch):
    pace = chip.part("pace")

    def collections(passes, asked, due_ms=1000):
        """Passes at which garbage is collected; asked(n): whether a request comes in pass n."""
        found, now = [], [0]
        monkeypatch.setattr(pace.gc, "collect", lambda: found.append(now[0]))
        part = pace.Pace(10, lambda ms: asked(now[0]))
        for n in range(1, passes + 1):
            now[0] = n
            part.sleep_until(part.now_ms() + due_ms, n % 10 == 0 and asked(n))
        return found

    assert collections(60, lambda n: False) == [25, 50]
    assert collections(200, lambda n: n < 190) == [40, 80, 120, 160, 194], "in a pause of five passes, or after 40"
    assert collections(160, lambda n: False, due_ms=30) == [40, 80, 120, 160], "not shortly before something is due"


def test_reset_notes_tell_the_cause(chip):
    reset = chip.part("reset")
    assert reset.take() == (reset.WATCHDOG, False)
    for cause, hold in ((reset.ASKED, False), (reset.ASKED, True), (reset.FAULT, False)):
        with pytest.raises(SystemExit):
            reset.restart(cause, hold)
        assert reset.take() == (cause, hold)
        assert reset.take() == (reset.WATCHDOG, False), "told once"
    with pytest.raises(SystemExit):
        reset.restart(reset.ASKED, True)
    chip.machine.reset_cause = lambda: 1
    assert reset.take() == (reset.POWER_ON, False), "what stands in the word at power-up means nothing"


# -- start -------------------------------------------------------------------------------------------------------


@pytest.fixture
def start(chip, monkeypatch, tmp_path):
    """main.py with a board whose run() does as told, and its crash file in a folder of the test's own."""
    main = importlib.import_module("main")
    monkeypatch.setattr(main, "CRASH_FILE", str(tmp_path / "crash.txt"))
    monkeypatch.setattr(main, "OLDEST", (1, 0, 0))
    sys_print = lambda error, file: file.write(repr(error))  # noqa: E731
    monkeypatch.setattr(sys, "print_exception", sys_print, raising=False)
    board = types.ModuleType("board")
    board.runs = []
    board.ends = "log"

    def run(cause, crashes, healthy):
        board.runs.append((cause, crashes))
        if isinstance(board.ends, BaseException):
            raise board.ends
        return board.ends

    board.run = run
    monkeypatch.setitem(sys.modules, "board", board)
    return types.SimpleNamespace(main=main, board=board, reset=chip.part("reset"), chip=chip)


def test_asked_restart_is_handed_over(start):
    for how, hold in (("log", False), ("hold", True)):
        start.board.ends = how
        with pytest.raises(SystemExit):
            start.main.main()
        assert start.reset.take() == (start.reset.ASKED, hold)
    assert start.chip.ticks["us"] >= 2 * 2_000_000, "time for Ctrl-C"


def test_three_crashes_lead_to_the_prompt(start, capsys):
    start.board.ends = ValueError("broken")
    for n in range(3):
        with pytest.raises(SystemExit):
            start.main.main()
        assert start.board.runs[-1][1] == n
    start.main.main()
    assert len(start.board.runs) == 3 and "3 starts failed" in capsys.readouterr().out
    assert "broken" in Path(start.main.CRASH_FILE).read_text()
    start.main.forget_crashes()
    start.board.ends = "log"
    with pytest.raises(SystemExit):
        start.main.main()
    assert start.board.runs[-1][1] == 0


def test_ctrl_c_leads_to_the_prompt_and_is_no_crash(start):
    start.board.ends = KeyboardInterrupt()
    with pytest.raises(KeyboardInterrupt):
        start.main.main()
    assert start.main.crashes() == 0


def test_hold_note_hold_pin_and_old_interpreter_do_not_start(start, capsys, monkeypatch):
    with pytest.raises(SystemExit):
        start.reset.restart(start.reset.ASKED, True)
    start.main.main()
    assert "held for maintenance" in capsys.readouterr().out
    Pin.driven[15] = 0
    start.main.main()
    assert "hold pin" in capsys.readouterr().out
    Pin.driven.clear()
    monkeypatch.setattr(start.main, "OLDEST", (99, 0, 0))
    start.main.main()
    assert "MicroPython 99.0 or newer is needed" in capsys.readouterr().out
    assert not start.board.runs


def test_damaged_crash_file_counts_as_none(start, tmp_path):
    (tmp_path / "crash.txt").write_text("rubbish")
    assert start.main.crashes() == 0


def test_a_whole_board_is_put_together(chip, monkeypatch):
    """board.py with every part on fakes: parts and station fit, unwired inputs are told."""
    module = chip.part("edge_stamper")
    ring = memoryview(array("I", [0] * 8192))
    monkeypatch.setattr(module, "ring_memory", lambda bits: (ring, ring))
    monkeypatch.setattr(gc, "threshold", lambda n: None, raising=False)
    chip.machine.freq = lambda *hz: 125000000
    chip.machine.unique_id = lambda: b"\x01\x02\x03\x04\x05\x06\x07\x08"
    chip.rp2.DMA.made.clear()
    Pin.driven.update({pin: 1 for pin in range(2, 10) if pin != 4})
    board = importlib.import_module("board")
    import helpers

    monkeypatch.setattr(board, "FlashFs", helpers.DictFs)
    made = {}

    class Station(board.Station):
        def __init__(self, *arguments):
            super().__init__(*arguments)
            made["station"] = self

        def run(self, healthy_ms=0, healthy=None):
            made["healthy"] = healthy_ms
            return "log"

    monkeypatch.setattr(board, "Station", Station)
    monkeypatch.setattr(board, "Usb", lambda: types.SimpleNamespace(read=lambda: b"", write=len, wait=None))
    assert board.run(2, 1, None) == "log"
    station = made["station"]
    assert station.wiring_check == ["SYNC"] and made["healthy"] == 600000
    assert {number for number, _ in station.parts.faults.waiting} == {12, 15}
    assert station.identity.kind == 1 and station.recorder.boot_id != 0
