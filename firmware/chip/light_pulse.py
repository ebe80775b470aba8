"""The photodiode's converter: it fills a ring by DMA all the time, until a light on a FLASH input stops it.

Nobody is needed for that but a state machine and a DMA channel: the state machine sees the change of the input, counts
the time that is still to be seen, and sends a word; the channel carries it to the converter's CS register, where it
clears START_MANY. So it works while the processor waits for flash memory.

The converter's last sample began less than one sample before it stopped; that it was half a sample is an error of one
microsecond at most, with some 0.1 us of the state machine and the channel on top.

The reference of an RP2040's converter makes its codes 512, 1536, 2560 and 3584 wide (erratum RP2040-E11): a shape may
have small steps there.
"""

import rp2
from core.shim import const
from machine import ADC, Pin, mem32

from chip import light_program, registers
from chip.endless_ring import EndlessRing

_FIRST_ADC_PIN = const(26)
_SPARE = const(4)  # samples of the ring's oldest that are given up
# Cycles from the change to the converter's register, without the count: 2 of the input's synchroniser, 8 to 11 of the
# program (tests/firmware/test_light_program.py), some 6 of the channel.
_AFTER_LOOP = const(18)
_FIFO_ON = 1 << registers.ADC_FCS_THRESH_LSB | registers.ADC_FCS_SEEN | registers.ADC_FCS_DREQ_EN | registers.ADC_FCS_EN


class LightPulse:
    """As core/pulse_watch.py wants it. Call once per boot, after the stamper and after the supply.

    Never collected: hold on to it, or the finalisers of its channels stop them. memory: aligned to its size.
    """

    def __init__(self, memory, pin, first_flash, state_machine, clock_hz, step_ns, post_us):
        self.ring = memory
        self.samples = 2 * len(memory)
        self.step_ns = step_ns
        self.post_us = post_us
        self.first = self.count = self.lead_ns = 0
        self._cycles = clock_hz // 1000000 * post_us - _AFTER_LOOP
        self._since = 0  # samples written before the converter began to watch
        ADC(Pin(pin))
        self._input = pin - _FIRST_ADC_PIN << registers.ADC_CS_AINSEL_LSB
        self._adc, adc_dreq = registers.adc()
        self._machine = rp2.StateMachine(state_machine, light_program.light, in_base=Pin(first_flash))
        self._endless = EndlessRing(memory, self.samples, 1, self._adc + registers.ADC_FIFO, adc_dreq)
        self._count = self._endless.count
        self._stop = rp2.DMA()
        fifo = registers.pio_base(state_machine) + registers.PIO_RXF0 + 4 * (state_machine & 3)
        ctrl = self._stop.pack_ctrl(
            size=2, inc_read=False, inc_write=False, treq_sel=registers.receive_dreq(state_machine), high_pri=True
        )
        self._stop.config(read=fifo, write=self._adc + registers.ADC_CS + registers.CLEAR, count=1, ctrl=ctrl)
        self._watching = False

    def start(self):
        """Let the converter run and the state machine watch, from the beginning of its program."""
        self.lend()
        adc, machine = self._adc, self._machine
        machine.active(0)
        machine.restart()
        while machine.rx_fifo():
            machine.get()
        while not mem32[adc + registers.ADC_FCS] & registers.ADC_FCS_EMPTY:
            _ = mem32[adc + registers.ADC_FIFO]
        self._since = self._endless.written()
        mem32[adc + registers.ADC_DIV] = 0  # without a pause between samples
        mem32[adc + registers.ADC_FCS] = _FIFO_ON
        mem32[adc + registers.ADC_CS] = self._input | registers.ADC_CS_EN | registers.ADC_CS_START_MANY
        self._stop.config(count=1, trigger=True)
        machine.put(self._cycles)
        machine.active(1)
        self._watching = True

    def ready(self):
        return self._watching and not mem32[self._adc + registers.ADC_CS] & registers.ADC_CS_START_MANY

    def found(self):
        written = self._endless.written()
        self.count = min((written - self._since) % self._count, self.samples - _SPARE)
        self.first = (written - self.count) & (self.samples - 1)
        self.lead_ns = (self.count - 1) * self.step_ns + self.step_ns // 2 - 1000 * self.post_us

    def lend(self):
        """Stop the converter and take its queue off, so that a single reading goes nowhere else."""
        self._watching = False
        mem32[self._adc + registers.ADC_CS + registers.CLEAR] = registers.ADC_CS_START_MANY
        while not mem32[self._adc + registers.ADC_CS] & registers.ADC_CS_READY:
            pass
        mem32[self._adc + registers.ADC_FCS] = 0
