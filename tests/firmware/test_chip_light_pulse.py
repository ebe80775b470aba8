"""The converter's part on the chip, on fakes of MicroPython's modules: registers, channels, and where a pulse lies."""

import importlib
import sys
import time
import types
from array import array

import pytest

ADC_BASE = 0x4004C000  # RP2040; pico-sdk 2.2.0, addressmap.h
CS, FCS, FIFO, DIV = (ADC_BASE + offset for offset in (0x00, 0x08, 0x0C, 0x10))
READY, EMPTY, START_MANY, EN = 0x100, 0x100, 0x8, 0x1  # adc.h
ROUND = (1 << 28) - 8192  # samples that the channel counts down before it starts again


class Registers(dict):
    """Those of the converter as far as they are used: READY, EMPTY, and the address at which bits are cleared."""

    def __init__(self, log):
        super().__init__()
        self.log = log
        self.queue = 0

    def __missing__(self, _address):
        return 0

    def __getitem__(self, address):
        if address == CS:
            return self.get(CS, 0) | READY
        if address == FCS:
            return self.get(FCS, 0) | (0 if self.queue else EMPTY)
        if address == FIFO:
            self.queue -= 1
            return 99
        return super().__getitem__(address)

    def __setitem__(self, address, value):
        self.log.append((address, value))
        if address == CS + 0x3000:
            address, value = CS, self.get(CS, 0) & ~value
        super().__setitem__(address, value)


@pytest.fixture
def made(monkeypatch):
    """(LightPulse on fakes, log of what it did, channels, registers)"""
    log, channels = [], []

    class Dma:
        def __init__(self):
            self.channel = len(channels) + 2  # the stamper has the first two
            channels.append(self)

        def pack_ctrl(self, **fields):
            return fields

        def config(self, **fields):
            self.__dict__.update(fields)
            log.append(("dma", self.channel, fields.get("trigger", False)))

    class Machine:
        def __init__(self, number, program, in_base):
            log.append(("machine", number, in_base.number))
            self.queue = []

        def __getattr__(self, name):
            return lambda *words: log.append((name, *words))

        def rx_fifo(self):
            return len(self.queue)

        def get(self):
            return self.queue.pop()

    machine, rp2, uctypes = (types.ModuleType(name) for name in ("machine", "rp2", "uctypes"))
    machine.Pin = lambda number: types.SimpleNamespace(number=number)
    machine.ADC = lambda pin: log.append(("adc", pin.number))
    machine.mem32 = Registers(log)
    rp2.DMA, rp2.StateMachine = Dma, Machine
    rp2.PIO = types.SimpleNamespace(SHIFT_LEFT=0, SHIFT_RIGHT=1)
    rp2.asm_pio = lambda **_fields: lambda function: function
    uctypes.addressof = lambda _buf: 0x20004000
    for name, module in (("machine", machine), ("rp2", rp2), ("uctypes", uctypes)):
        monkeypatch.setitem(sys.modules, name, module)
    monkeypatch.setattr(sys.implementation, "_machine", "A board with RP2040", raising=False)
    for name in [name for name in sys.modules if name.startswith("chip.")]:
        monkeypatch.delitem(sys.modules, name)
    part = importlib.import_module("chip.light_pulse").LightPulse
    pulse = part(array("I", [0] * 4096), 26, 5, 1, 125000000, 2000, 4200)
    yield types.SimpleNamespace(pulse=pulse, log=log, channels=channels, registers=machine.mem32)
    for name in [name for name in sys.modules if name.startswith("chip.")]:
        del sys.modules[name]


def test_channels_fill_the_ring_for_ever_and_one_waits_for_the_state_machine(made):
    data, again, stop = made.channels
    assert (data.read, data.write, data.count) == (FIFO, 0x20004000, ROUND) and ROUND % 8192 == 0
    assert data.ctrl["size"] == 1 and data.ctrl["ring_size"] == 14 and data.ctrl["ring_sel"] is True
    assert data.ctrl["treq_sel"] == 36 and data.ctrl["inc_write"] and not data.ctrl["inc_read"]
    assert data.ctrl["chain_to"] == again.channel and again.ctrl["chain_to"] == again.channel
    assert again.write == 0x50000000 + 0x40 * data.channel + 0x1C and again.read[0] == ROUND
    # state machine 1 of block 0: its receive queue at 0x50200024, its request 5
    assert (stop.read, stop.write, stop.count) == (0x50200024, CS + 0x3000, 1)
    assert stop.ctrl["treq_sel"] == 5 and stop.ctrl["size"] == 2
    assert not stop.ctrl["inc_read"] and not stop.ctrl["inc_write"]
    assert ("machine", 1, 5) in made.log and ("adc", 26) in made.log


def test_start_arms_everything_before_the_state_machine_watches(made):
    made.log.clear()
    made.pulse._machine.queue = [8]
    made.registers.queue = 3
    made.pulse.start()
    assert made.pulse._machine.queue == [] and made.registers.queue == 0
    stop = made.channels[2]
    what = [entry for entry in made.log if entry[0] in ("active", "restart", "put", "dma", CS, FCS)]
    cycles = 125 * 4200 - 18
    assert what[-7:] == [
        ("active", 0), ("restart",), (FCS, 1 << 24 | 0xC00 | 0x8 | EN), (CS, EN | START_MANY),
        ("dma", stop.channel, True), ("put", cycles), ("active", 1),
    ]  # fmt: skip
    assert made.registers[DIV] == 0 and not made.pulse.ready()


def freeze(made, written):
    made.channels[0].count = (ROUND - written) % ROUND
    made.registers[CS + 0x3000] = START_MANY


def test_a_pulse_lies_where_the_count_says(made):
    made.pulse.start()
    freeze(made, 20000)
    assert made.pulse.ready()
    made.pulse.found()
    assert made.pulse.count == 8188 and made.pulse.first == (20000 - 8188) % 8192
    # the last of 8,188 was taken half a sample before the end, and the edge lies 4.2 ms before that end
    assert made.pulse.lead_ns == 8187 * 2000 + 1000 - 4200000


def test_over_the_end_of_the_count_and_soon_after_the_start(made):
    made.channels[0].count = 1000
    made.pulse.start()
    made.channels[0].count = ROUND - 1200  # 2,200 samples later: the count was written anew
    made.registers[CS + 0x3000] = START_MANY
    made.pulse.found()
    assert made.pulse.count == 2200 and made.pulse.first == (1200 - 2200) % 8192
    assert made.pulse.lead_ns == 2199 * 2000 + 1000 - 4200000


def test_lent_it_stands_still_with_its_queue_off_and_is_never_ready(made):
    made.pulse.start()
    made.pulse.lend()
    assert not made.registers[CS] & START_MANY and made.registers.get(FCS) == 0
    assert not made.pulse.ready()


def test_what_the_stamper_leaves_over_always_holds_an_aligned_ring(made, monkeypatch):
    for name in ("ticks_us", "ticks_diff"):
        monkeypatch.setattr(time, name, lambda *_words: 0, raising=False)
    sys.modules["rp2"].PIO.JOIN_RX = 2  # pyright: ignore[reportAttributeAccessIssue]
    stamper = importlib.import_module("chip.edge_stamper")
    raw = array("I", range(1 << 14))  # 64 kB; each word holds its own index
    for start in range(0x20000000, 0x20008000, 4 * 509):
        monkeypatch.setattr(stamper.uctypes, "addressof", lambda buf, at=start: at + 4 * buf[0])
        first = ((start + 0x7FFF) & ~0x7FFF) - start >> 2
        ring = memoryview(raw)[first : first + 8192]
        left = stamper.left_over((raw, ring), 14)
        assert len(left) == 4096 and (start + 4 * left[0]) % 0x4000 == 0
        assert left[-1] < ring[0] or left[0] > ring[-1]
