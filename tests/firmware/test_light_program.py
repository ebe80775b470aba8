"""The program that stops the converter, clock by clock: which changes it takes and how long after them it speaks."""

import importlib
import sys
import types

import pytest

adafruit_pioasm = pytest.importorskip("adafruit_pioasm", reason="no PIO assembler installed")
pioemu = pytest.importorskip("pioemu", reason="no PIO emulator installed")

STAMPER_WORDS = 18  # tests/firmware/test_stamping_program.py holds them
BLOCK_WORDS = 32  # instruction memory of a PIO block (RP2040 data sheet, 3.2.1; RP2350 data sheet, 11.2.1)
QUIET = 0b1111
CLEARS_START_MANY = 0x8  # pico-sdk 2.2.0, adc.h: ADC_CS_START_MANY_BITS


def as_pioasm(function):
    """The board's program, called with names that write pioasm text instead of machine code."""
    lines = []
    operands = {"x_not_y": "x!=y", "y_dec": "y--"}

    def line(verb):
        return lambda *words: lines.append(f"{verb} " + ", ".join(operands.get(w, str(w)) for w in words))

    names = {name: name for name in ("x", "y", "pins", "osr", "isr", "x_not_y", "y_dec", "block", "noblock")}
    names |= {verb: line(verb) for verb in ("set", "jmp", "mov", "out", "push", "pull")}
    names |= {"label": lambda name: lines.append(f"{name}:")}
    names |= {"wrap_target": lambda: lines.append(".wrap_target"), "wrap": lambda: lines.append(".wrap")}
    types.FunctionType(function.__code__, names)()
    return ".program light\n" + "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def words():
    rp2 = types.ModuleType("rp2")
    rp2.PIO = types.SimpleNamespace(SHIFT_LEFT=0, SHIFT_RIGHT=1)
    rp2.asm_pio = lambda **given: lambda function: function
    sys.modules["rp2"] = rp2
    try:
        module = importlib.import_module("chip.light_program")
    finally:
        del sys.modules["rp2"]
        sys.modules.pop("chip.light_program", None)
    made = adafruit_pioasm.Program(as_pioasm(module.light))
    assert made.pio_kwargs["wrap_target"] == 0 and made.pio_kwargs["wrap"] == len(made.assembled) - 1
    return list(made.assembled)


def spoken(words, pins_at, counts, cycles):
    """(clock, word) of each word sent, with the counts given at the start."""
    state = pioemu.State()
    state.transmit_fifo.extend(counts)
    found = []

    def source(now: pioemu.State) -> int:
        return pins_at(now.clock)

    for _before, after in pioemu.emulate(
        words,
        stop_when=lambda _op, now: now.clock >= cycles,
        initial_state=state,
        input_source=source,
        shift_isr_right=False,
        shift_osr_right=True,
        wrap_target=0,
        wrap_top=len(words) - 1,
    ):
        while after.receive_fifo:
            found.append((after.clock, after.receive_fifo.popleft()))
    return found


def test_both_programs_fit_into_one_block(words):
    assert len(words) + STAMPER_WORDS <= BLOCK_WORDS


@pytest.mark.parametrize("bit", range(4))
def test_the_time_from_a_change_to_the_word_is_known_to_four_cycles(words, bit):
    """Eight cycles and the count, and up to three of waiting for the next look."""
    late = set()
    for edge in range(100, 120):
        for count in (0, 1, 500):
            pins_at = lambda clock, at=edge, bit=bit: QUIET if clock < at else QUIET ^ 1 << bit  # noqa: E731
            ((clock, word),) = spoken(words, pins_at, [count], 1000)
            assert word == CLEARS_START_MANY
            late.add(clock - edge - count)
    assert late == set(range(min(late), min(late) + 4))
    assert min(late) == 8


def test_other_pins_and_a_quiet_night_send_nothing(words):
    assert spoken(words, lambda clock: QUIET | (clock % 7) << 4, [10], 5000) == []


def test_unarmed_it_sees_nothing_and_a_light_that_is_on_is_no_change(words):
    assert spoken(words, lambda clock: QUIET if clock % 50 < 25 else 0, [], 2000) == []
    assert spoken(words, lambda _clock: 0b0101, [10], 2000) == []


def test_once_for_each_arming(words):
    blink = lambda clock: QUIET if clock % 40 < 20 else 0b1110  # noqa: E731
    assert len(spoken(words, blink, [30], 3000)) == 1
    assert len(spoken(words, blink, [30, 30, 30], 3000)) == 3
