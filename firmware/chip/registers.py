"""Register addresses that the two chips do not share.

Source: the register headers of pico-sdk 2.2.0 (addressmap.h, dreq.h, pio.h, dma.h, watchdog.h of each chip), against
which tests/firmware/test_registers.py checks them. PIO and DMA stand at the same places on both, the watchdog does not.
"""

import sys

from core.shim import const

PIO_BASE = const(0x50200000)
PIO_STRIDE = const(0x100000)
PIO_FDEBUG = const(0x008)  # bits 3..0: RXSTALL, write 1 to clear
PIO_RXF0 = const(0x020)

DMA_BASE = const(0x50000000)
DMA_STRIDE = const(0x40)
DMA_AL1_TRANS_COUNT_TRIG = const(0x1C)

_WATCHDOG_SCRATCH0 = {"RP2040": 0x4005800C, "RP2350": 0x400D800C}


def chip():
    """ "RP2040" or "RP2350". RuntimeError on a machine that is neither."""
    for name in _WATCHDOG_SCRATCH0:
        if name in sys.implementation._machine:
            return name
    raise RuntimeError("this firmware needs an RP2040 or RP2350 chip")


def scratch0():
    """Address of a word that outlasts every reset but power-off. The boot ROM uses words 4..7 only."""
    return _WATCHDOG_SCRATCH0[chip()]


def receive_dreq(state_machine):
    """DMA request number of a state machine's receive FIFO, 0..11."""
    return 8 * (state_machine >> 2) + 4 + (state_machine & 3)


def pio_base(state_machine):
    return PIO_BASE + PIO_STRIDE * (state_machine >> 2)
