"""The stamping program itself: assembled, run clock by clock, and its words read by the firmware's own unrolling."""

import importlib
import random
import sys
import types
from array import array

import pytest
from core import ticks

adafruit_pioasm = pytest.importorskip("adafruit_pioasm", reason="no PIO assembler installed")
pioemu = pytest.importorskip("pioemu", reason="no PIO emulator installed")

LOOP = 9  # cycles
TOP = 0xFFFFFF
# MicroPython's own asm_pio gives these words for this program (its rp2.py of 1.22 to 1.29, run under its unix build).
MACHINE_CODE = "e020 000a a0e0 6048 00a7 a026 010a a026 4048 8000 0050 a0e1 60d8 a0e0 6048 0007 a0c1 a022"
WRAP_TARGET, WRAP = 2, 17


class Delayed:
    """What jmp("tick") returns: [1] adds a delay to the line just written."""

    def __init__(self, lines):
        self._lines = lines

    def __getitem__(self, delay):
        self._lines[-1] += f" [{delay}]"


def as_pioasm(function):
    """The board's program, called with names that write pioasm text instead of machine code."""
    lines = []
    operands = {"x_not_y": "x!=y", "x_dec": "x--"}

    def line(verb):
        def write(*arguments):
            lines.append(f"{verb} " + ", ".join(operands.get(a, str(a)) for a in arguments))
            return Delayed(lines)

        return write

    names = {name: name for name in ("x", "y", "pins", "osr", "isr", "x_not_y", "x_dec", "noblock")}
    names |= {verb: line(verb) for verb in ("set", "jmp", "mov", "out", "push")}
    names |= {"in_": line("in"), "label": lambda name: lines.append(f"{name}:")}
    names |= {"wrap_target": lambda: lines.append(".wrap_target"), "wrap": lambda: lines.append(".wrap")}
    types.FunctionType(function.__code__, names)()
    return ".program stamper\n" + "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def program():
    """(machine words, text, arguments given to asm_pio) of chip/edge_program.py."""
    given = {}
    rp2 = types.ModuleType("rp2")
    rp2.PIO = types.SimpleNamespace(SHIFT_LEFT=0, SHIFT_RIGHT=1, JOIN_RX=2)

    def asm_pio(**arguments):
        given.update(arguments)
        return lambda function: function

    rp2.asm_pio = asm_pio
    sys.modules["rp2"] = rp2
    try:
        module = importlib.import_module("chip.edge_program")
    finally:
        del sys.modules["rp2"]
        sys.modules.pop("chip.edge_program", None)
    text = as_pioasm(module.stamper)
    made = adafruit_pioasm.Program(text)
    assert made.pio_kwargs["wrap_target"] == WRAP_TARGET and made.pio_kwargs["wrap"] == WRAP
    return list(made.assembled), given


def run(words, pins_at, cycles, state=None):
    """Words pushed in that many clock cycles, and the clock of each sample of the pins."""
    pushed, samples = [], []

    def source(now: pioemu.State) -> int:
        while now.receive_fifo:
            pushed.append(now.receive_fifo.popleft())
        return pins_at(now.clock)

    steps = pioemu.emulate(
        words,
        stop_when=lambda _op, now: now.clock >= cycles,
        initial_state=state or pioemu.State(),
        input_source=source,
        shift_isr_right=False,
        shift_osr_right=True,
        wrap_target=WRAP_TARGET,
        wrap_top=WRAP,
    )
    for before, after in steps:
        if words[before.program_counter] == 0xA0E0:  # mov osr, pins
            samples.append(before.clock)
        last = after
    pushed += last.receive_fifo
    return pushed, samples


def unrolled(words):
    unroller = ticks.Unroller(8192, 0xFF, 0x7F, 125000000, 9, 0)
    s = unroller.s
    ring = array("I", words + [0] * (8192 - len(words)))
    out = bytearray(8 * 8192)
    s[ticks.UNREAD], s[ticks.OUT_END] = len(words), len(out)
    while ticks.unroll(ring, s, out, unroller.falls) != ticks.EMPTY:
        unroller.take_falls()
    rows = [out[at : at + 8] for at in range(0, s[ticks.OUT_AT], 8)]
    return [(int.from_bytes(row[:6], "little"), row[7]) for row in rows]


def random_pins(seed, cycles, shortest, longest):
    """Levels over the clock; changes are at least `shortest` cycles apart."""
    rng = random.Random(seed)
    changes, clock = [(0, rng.randrange(128) | 0x80)], 40
    while clock < cycles - 40:
        changes.append((clock, rng.randrange(128) | 0x80))
        clock += rng.randrange(shortest, longest)
    levels, at = [], 0
    for clock in range(cycles + 50):
        while at + 1 < len(changes) and changes[at + 1][0] <= clock:
            at += 1
        levels.append(changes[at][1])
    return changes, lambda clock: levels[min(clock, len(levels) - 1)]


def test_machine_code_is_the_known_one(program):
    words, given = program
    assert " ".join(f"{word:04x}" for word in words) == MACHINE_CODE
    assert given == {"in_shiftdir": 0, "out_shiftdir": 1, "fifo_join": 2}


@pytest.mark.parametrize("shortest,longest", [(9, 30), (9, 400)])
def test_every_edge_is_stamped_late_by_less_than_a_tick(program, shortest, longest):
    cycles = 30000
    changes, pins_at = random_pins(shortest + longest, cycles, shortest, longest)
    pushed, samples = run(program[0], pins_at, cycles)
    assert {b - a for a, b in zip(samples, samples[1:], strict=False)} == {LOOP}, "every path takes 9 cycles"
    found = unrolled(pushed)
    true = [(clock, levels & 0x7F) for clock, levels in changes]
    true = [row for before, row in zip([(0, None), *true], true, strict=False) if row[1] != before[1]]
    assert [levels for _, levels in found] == [levels for _, levels in true]
    late = [samples[0] + LOOP * tick - clock for (tick, _), (clock, _) in zip(found[1:], true[1:], strict=True)]
    assert min(late) >= 0 and max(late) <= LOOP - 1


def test_counter_end_makes_one_marker_and_loses_no_time(program):
    """Begun five ticks before the counter runs out, with a change in each phase around it."""
    for phase in range(30, 100, 3):
        isr = pioemu.ShiftRegister(5, 0)
        state = pioemu.State(program_counter=WRAP_TARGET, x_register=0xFF, y_register=0xFF, input_shift_register=isr)
        pushed, samples = run(program[0], lambda clock, at=phase: 0xFF if clock < at else 0xFE, 300, state)
        assert {b - a for a, b in zip(samples, samples[1:], strict=False)} == {LOOP}
        marker = [i for i, word in enumerate(pushed) if word >> 8 == TOP]
        assert len(marker) == 1
        edge = next(i for i, word in enumerate(pushed) if word & 0xFF == 0xFE)
        sample = next(i for i, clock in enumerate(samples) if clock >= phase)
        counter = 5 - sample if sample <= 5 else TOP - (sample - 6)
        assert pushed[edge] >> 8 == counter, phase


def test_full_queue_drops_words_and_keeps_the_time(program):
    """Nobody reads the queue for a while: what is kept is still right."""
    _, pins_at = random_pins(3, 4000, 20, 60)
    pushed, _ = run(program[0], pins_at, 4000)
    kept = []

    def source(now: pioemu.State) -> int:
        if now.clock > 2500:
            while now.receive_fifo:
                kept.append(now.receive_fifo.popleft())
        return pins_at(now.clock)

    for _before, _after in pioemu.emulate(
        program[0],
        stop_when=lambda _op, now: now.clock >= 4000,
        input_source=source,
        shift_isr_right=False,
        wrap_target=WRAP_TARGET,
        wrap_top=WRAP,
    ):
        pass
    assert 10 < len(kept) < len(pushed) - 10 and set(kept) <= set(pushed)
