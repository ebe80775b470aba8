"""Why the chip started, and a word handed over a restart."""

import machine
from core.shim import const
from machine import mem32

from chip import registers

UNKNOWN = const(0)
POWER_ON = const(1)
WATCHDOG = const(2)
ASKED = const(3)
FAULT = const(4)

_MARK = const(0x4447)  # upper half of the scratch word while it holds a note of ours
_HOLD = const(0x100)


def take():
    """(cause as tag 42, whether to hold); the note is forgotten at once."""
    address = registers.scratch0()
    note = mem32[address]
    mem32[address] = 0
    if machine.reset_cause() == machine.PWRON_RESET:
        return POWER_ON, False
    if note >> 16 & 0xFFFF != _MARK:
        return WATCHDOG if machine.reset_cause() == machine.WDT_RESET else UNKNOWN, False
    return note & 0xFF, bool(note & _HOLD)


def restart(cause, hold=False):
    """Leave a note and reset the chip. The chip's own cause reads as watchdog after this, hence the note."""
    mem32[registers.scratch0()] = _MARK << 16 | (_HOLD if hold else 0) | cause
    machine.reset()
