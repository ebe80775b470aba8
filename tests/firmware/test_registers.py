"""Addresses and request numbers of both chips against the register headers of the chip maker's SDK.

Figures: pico-sdk 2.2.0 (commit a1438dff, BSD-3), src/rp2040 and src/rp2350, hardware_regs/include/hardware/regs:
addressmap.h, dreq.h, pio.h, dma.h, adc.h, watchdog.h. Read there, one by one; no code was copied.
"""

import sys
import types

import pytest
from chip import registers

# per chip: PIO bases, first RX DREQ of each PIO, watchdog base
SDK = {
    "RP2040": ((0x50200000, 0x50300000), (4, 12), 0x40058000),
    "RP2350": ((0x50200000, 0x50300000, 0x50400000), (4, 12, 20), 0x400D8000),
}
PIO_FDEBUG_OFFSET = 0x008
PIO_FDEBUG_RXSTALL_BITS = 0x0000000F
PIO_RXF0_OFFSET = 0x020
DMA_BASE = 0x50000000
DMA_CH0_AL1_TRANS_COUNT_TRIG_OFFSET = 0x01C
DMA_CH1_READ_ADDR_OFFSET = 0x040
WATCHDOG_SCRATCH0_OFFSET = 0x0C
REG_ALIAS_CLR_BITS = 0x3 << 12
# per chip: ADC_BASE, DREQ_ADC
ADC = {"RP2040": (0x4004C000, 36), "RP2350": (0x400A0000, 48)}
# adc.h: the same on both chips, but for AINSEL and RROBIN, which are a bit and four bits wider on the newer one
ADC_OFFSETS = {"CS": 0x00, "FCS": 0x08, "FIFO": 0x0C, "DIV": 0x10}
ADC_CS_BITS = {"EN": 0x1, "START_MANY": 0x8, "READY": 0x100}
ADC_FCS_BITS = {"EN": 0x1, "DREQ_EN": 0x8, "EMPTY": 0x100, "UNDER": 0x400, "OVER": 0x800, "THRESH": 0x0F000000}
ADC_CS_AINSEL_BITS = {"RP2040": 0x00007000, "RP2350": 0x0000F000}
# RP2350 dma.h: the transfer count's top four bits are a mode, so a plain count has 28 bits
RP2350_COUNT_BITS = 28


@pytest.fixture(params=sorted(SDK))
def chip(request, monkeypatch):
    machine = f"A board with {request.param}"
    monkeypatch.setattr(sys, "implementation", types.SimpleNamespace(name="micropython", _machine=machine))
    return request.param


def test_pio_addresses_and_requests(chip):
    bases, dreqs, _ = SDK[chip]
    for pio, (base, dreq) in enumerate(zip(bases, dreqs, strict=True)):
        for machine in range(4):
            assert registers.pio_base(4 * pio + machine) == base
            assert registers.receive_dreq(4 * pio + machine) == dreq + machine
    assert registers.PIO_FDEBUG == PIO_FDEBUG_OFFSET and PIO_FDEBUG_RXSTALL_BITS == 0xF
    assert registers.PIO_RXF0 == PIO_RXF0_OFFSET


def test_dma_and_watchdog_addresses(chip):
    assert registers.DMA_BASE == DMA_BASE and registers.DMA_STRIDE == DMA_CH1_READ_ADDR_OFFSET
    assert registers.DMA_AL1_TRANS_COUNT_TRIG == DMA_CH0_AL1_TRANS_COUNT_TRIG_OFFSET
    assert registers.scratch0() == SDK[chip][2] + WATCHDOG_SCRATCH0_OFFSET


def test_converter_addresses_bits_and_requests(chip):
    assert registers.adc() == ADC[chip]
    for name, offset in ADC_OFFSETS.items():
        assert getattr(registers, f"ADC_{name}") == offset
    for name, bits in ADC_CS_BITS.items():
        assert getattr(registers, f"ADC_CS_{name}") == bits
    for name in ("EN", "DREQ_EN", "EMPTY"):
        assert getattr(registers, f"ADC_FCS_{name}") == ADC_FCS_BITS[name]
    assert ADC_FCS_BITS["OVER"] | ADC_FCS_BITS["UNDER"] == registers.ADC_FCS_SEEN
    assert ADC_FCS_BITS["THRESH"] & -ADC_FCS_BITS["THRESH"] == 1 << registers.ADC_FCS_THRESH_LSB
    assert ADC_CS_AINSEL_BITS[chip] & -ADC_CS_AINSEL_BITS[chip] == 1 << registers.ADC_CS_AINSEL_LSB
    assert registers.CLEAR == REG_ALIAS_CLR_BITS


def test_the_transfer_count_leaves_the_mode_bits_of_the_newer_chip_alone():
    import wiring

    words = 1 << (wiring.RING_BITS - 2)
    count = (1 << RP2350_COUNT_BITS) - words
    assert count % words == 0 and count >> RP2350_COUNT_BITS == 0
    text = (registers.__file__ or "").replace("registers", "endless_ring")
    with open(text, encoding="utf-8") as source:
        assert f"(1 << {RP2350_COUNT_BITS}) - items" in source.read()


def test_another_machine_is_refused(monkeypatch):
    monkeypatch.setattr(sys, "implementation", types.SimpleNamespace(name="micropython", _machine="another chip"))
    with pytest.raises(RuntimeError, match="RP2040 or RP2350"):
        registers.chip()
