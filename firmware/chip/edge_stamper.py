"""The stamper: one PIO state machine samples all inputs every 9 clock cycles and sends one word for each change; DMA
carries the words into a ring, for ever and without the processor (chip/endless_ring.py).

Word: down-counter << 8 | levels (core/ticks.py). A full FIFO drops the word but keeps the time; RXSTALL then says so.
A ring overrun is known exactly, from the transfer count.
"""

import gc
from array import array
from time import ticks_diff, ticks_us

import rp2
import uctypes
from core.shim import const
from machine import Pin, mem32

from chip import edge_program, registers
from chip.endless_ring import EndlessRing

_HEADROOM = const(3)  # an eighth of the ring is given up with an overrun


def ring_memory(bits):
    """(array to hold on to, words of it aligned to their size). Take it first thing, before the heap is in pieces."""
    gc.collect()
    raw = array("I", bytearray(2 << bits))  # twice the size: somewhere in it an aligned ring begins
    gc.collect()
    size = 1 << bits
    start = uctypes.addressof(raw)
    first = ((start + size - 1) & ~(size - 1)) - start >> 2
    return raw, memoryview(raw)[first : first + (size >> 2)]


def left_over(memory, bits):
    """A run of 2**bits bytes, aligned to its size, out of what ring_memory() took and does not use: bits at most one
    less than there. Half of the memory is left, before the ring or behind it, so one side has a whole such run."""
    raw, ring = memory
    start = uctypes.addressof(raw)
    first = uctypes.addressof(ring) - start >> 2
    words = 1 << (bits - 2)
    if first < words:
        first += len(ring) + words
    return memoryview(raw)[first - words : first]


class EdgeStamper:
    """As core/capture.py wants it. Call once per boot, after the clock frequency was set.

    Never collected: hold on to it, or its finaliser stops the DMA.
    """

    def __init__(self, memory, first_pin, pins, state_machine, clock_hz, cycles):
        self._raw, self.ring = memory
        self.clock_hz = clock_hz
        self.cycles = cycles
        self.read = self.unread = 0
        self.dropped = False
        self._words = len(self.ring)
        self._taken = 0
        rp2.PIO(state_machine >> 2).remove_program()  # a second start without reset would find no room
        for pin in range(first_pin, first_pin + pins):
            Pin(pin, Pin.IN, Pin.PULL_UP)  # the state machine itself sets up no input
        self._machine = rp2.StateMachine(state_machine, edge_program.stamper, in_base=Pin(first_pin))
        fifo = registers.pio_base(state_machine) + registers.PIO_RXF0 + 4 * (state_machine & 3)
        self._endless = EndlessRing(self.ring, self._words, 2, fifo, registers.receive_dreq(state_machine))
        self._count = self._endless.count
        self._fdebug = registers.pio_base(state_machine) + registers.PIO_FDEBUG
        self._stalled = 1 << (state_machine & 3)
        mem32[self._fdebug] = self._stalled  # forget old stalls
        self._elapsed_us = 0
        self._machine.active(1)
        # Read after the start: now() then is never ahead of the stamps, so a moment never overtakes an edge to come.
        self._us = ticks_us()

    def now(self):
        """Tick now, by the timer, which runs from the same crystal. Call at least every 8 minutes."""
        us = ticks_us()
        self._elapsed_us += ticks_diff(us, self._us)
        self._us = us
        return self._elapsed_us * (self.clock_hz // 1000000) // self.cycles

    def poll(self):
        unread = (self._endless.written() - self._taken) % self._count
        lost = unread - (self._words - 1)  # one slot may be half written
        if lost > 0:
            # A little more than that: right behind the writer nothing could be read in time while words go on coming.
            lost += self._words >> _HEADROOM
            self._taken = (self._taken + lost) % self._count
            unread -= lost
        else:
            lost = 0
        self.dropped = bool(mem32[self._fdebug] & self._stalled)
        if self.dropped:
            mem32[self._fdebug] = self._stalled
        self.read = self._taken & (self._words - 1)
        self.unread = unread
        return lost

    def consumed(self, words):
        if (self._endless.written() - self._taken) % self._count > self._words - 1:
            return False
        self._taken = (self._taken + words) % self._count
        return True
