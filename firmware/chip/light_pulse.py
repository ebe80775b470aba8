"""The photodiode's converter: it fills a ring by DMA all the time, until a light on a FLASH input stops it.

Nobody is needed for that but a state machine and a DMA channel: the state machine sees the change of the input, counts
the time that is still to be seen, and sends a word; the channel carries it to the converter's CS register, where it
clears START_MANY. So it works while the processor waits for flash memory.

The converter's last sample began less than one sample before it stopped; that it was half a sample is an error of one
microsecond at most, with some 0.1 us of the state machine and the channel on top.

Position comes from the transfer count, as in chip/edge_stamper.py. The reference of an RP2040's converter makes its
codes 512, 1536, 2560 and 3584 wide (erratum RP2040-E11): a shape may have small steps there.
"""

from array import array

import rp2
import uctypes
from core.shim import const
from machine import ADC, Pin, mem32

from chip import light_program, registers

_FIRST_ADC_PIN = const(26)
_SPARE = const(4)  # samples of the ring's oldest that are given up
# Cycles from the change to the converter's register, without the count: 2 of the input's synchroniser, 8 to 11 of the
# program (tests/firmware/test_light_program.py), some 6 of the channel.
_AFTER_LOOP = const(18)
_FIFO_ON = (
    1 << registers.ADC_FCS_THRESH_LSB | registers.ADC_FCS_SEEN | registers.ADC_FCS_DREQ_EN | registers.ADC_FCS_EN
)


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
        self._count = (1 << 28) - self.samples  # whole rings, and all the bits that a plain count has on RP2350
        self._since = 0  # samples written before the converter began to watch
        ADC(Pin(pin))
        self._input = pin - _FIRST_ADC_PIN << registers.ADC_CS_AINSEL_LSB
        self._adc, adc_dreq = registers.adc()
        self._machine = rp2.StateMachine(state_machine, light_program.light, in_base=Pin(first_flash))
        self._fill_ring(adc_dreq)
        self._stop = rp2.DMA()
        fifo = registers.pio_base(state_machine) + registers.PIO_RXF0 + 4 * (state_machine & 3)
        ctrl = self._stop.pack_ctrl(
            size=2, inc_read=False, inc_write=False, treq_sel=registers.receive_dreq(state_machine), high_pri=True
        )
        self._stop.config(read=fifo, write=self._adc + registers.ADC_CS + registers.CLEAR, count=1, ctrl=ctrl)
        self._watching = False

    def _fill_ring(self, adc_dreq):
        """The data channel runs `count` samples, then its partner writes the count anew and so starts it again."""
        data, again = rp2.DMA(), rp2.DMA()
        restart = registers.DMA_BASE + registers.DMA_STRIDE * data.channel + registers.DMA_AL1_TRANS_COUNT_TRIG  # pyright: ignore[reportAttributeAccessIssue]
        self._reload = array("I", [self._count])
        again.config(
            read=self._reload,
            write=restart,
            count=1,
            ctrl=again.pack_ctrl(size=2, inc_read=False, inc_write=False, chain_to=again.channel),  # pyright: ignore[reportAttributeAccessIssue]
        )
        bits = 1
        while 1 << bits < 2 * self.samples:
            bits += 1
        data.config(
            read=self._adc + registers.ADC_FIFO,
            write=uctypes.addressof(self.ring),
            count=self._count,
            ctrl=data.pack_ctrl(
                size=1,
                inc_read=False,
                inc_write=True,
                ring_size=bits,
                ring_sel=True,
                treq_sel=adc_dreq,
                high_pri=True,
                chain_to=again.channel,  # pyright: ignore[reportAttributeAccessIssue]
            ),
            trigger=True,
        )
        self._data, self._again = data, again

    def _written(self):
        """Samples written since boot, modulo the count."""
        return (self._count - self._data.count) % self._count  # pyright: ignore[reportAttributeAccessIssue]

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
        self._since = self._written()
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
        written = self._written()
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
