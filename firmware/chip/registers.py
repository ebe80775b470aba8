"""Register addresses that the two chips do not share.

Source: the register headers of pico-sdk 2.2.0 (addressmap.h, dreq.h, pio.h, dma.h, adc.h, watchdog.h of each chip),
against which tests/firmware/test_registers.py checks them. PIO and DMA stand at the same places on both, the watchdog
and the converter (ADC) do not; within the converter all that is used here does.
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

ADC_CS = const(0x00)
ADC_FCS = const(0x08)
ADC_FIFO = const(0x0C)
ADC_DIV = const(0x10)
ADC_CS_EN = const(0x1)
ADC_CS_START_MANY = const(0x8)
ADC_CS_READY = const(0x100)
ADC_CS_AINSEL_LSB = const(12)
ADC_FCS_EN = const(0x1)
ADC_FCS_DREQ_EN = const(0x8)
ADC_FCS_EMPTY = const(0x100)
ADC_FCS_SEEN = const(0xC00)  # OVER and UNDER: write 1 to clear
ADC_FCS_THRESH_LSB = const(24)
CLEAR = const(0x3000)  # added to a register's address: bits written as 1 are cleared, the others stay

_ADC = {"RP2040": (0x4004C000, 36), "RP2350": (0x400A0000, 48)}  # base, DMA request number
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


def adc():
    """(address of the converter's first register, its DMA request number)"""
    return _ADC[chip()]


def receive_dreq(state_machine):
    """DMA request number of a state machine's receive FIFO, 0..11."""
    return 8 * (state_machine >> 2) + 4 + (state_machine & 3)


def pio_base(state_machine):
    return PIO_BASE + PIO_STRIDE * (state_machine >> 2)
