"""Ring words as the board's stamper makes them, from levels at given ticks (format of a word: core/ticks.py).

Markers and the SECOND wave are made lazily, in bulk, up to the tick asked for. Changes within one tick share a word;
a change back within the same tick was never seen.
"""

from array import array

from core.shim import const

RING_WORDS = const(8192)
_TOP = const(0xFFFFFF)
_PERIOD = const(0x1000000)


class EdgeStamper:
    """As core/capture.py wants it. `time` has tick(); low_mask: inputs that are low when active."""

    def __init__(self, time, wave, clock_hz, cycles, low_mask):
        self.clock_hz = clock_hz
        self.cycles = cycles
        self.ring = array("I", [0] * RING_WORDS)
        self.read = self.unread = 0
        self.dropped = False
        self.light = None  # told of each change: changed(tick, active before, active after)
        self._time = time
        self._wave = wave
        self._low_mask = low_mask
        self._written = self._taken = 0  # words since boot
        self._next_marker = 0
        self._wave_on = wave.ever
        self._levels = low_mask & 0x7F | (0x80 if wave.high() or not wave.ever else 0)
        self._before = -1  # levels before the last word
        self._last_tick = -1
        self._lose = self._lost = 0  # words still to lose to a ring overrun; lost and not yet told
        self._drop = 0  # words still to drop before the ring
        self._dropping = False

    # -- the pins ------------------------------------------------------------------------------------------------

    def change(self, tick, active):
        """Inputs are as the bits of `active` say from `tick` on."""
        tick = self._unread_tick(tick)
        self.run_to(tick)
        levels = (active ^ self._low_mask) & 0x7F | self._levels & 0x80
        if levels != self._levels:
            before = self.active()
            self._levels = levels
            self._word(tick)
            if self.light is not None:
                self.light.changed(tick, before, active & 0x7F)

    def active(self):
        """Active levels of bits 0..6 now."""
        return (self._levels ^ self._low_mask) & 0x7F

    def wave_off(self, tick, off):
        """The clock chip stops or starts its wave; a silent output is high."""
        tick = self._unread_tick(tick)
        self.run_to(tick)
        self._wave_on = self._wave.ever and not off
        high = 0x80 if not self._wave_on or self._wave.high() else 0
        if high != self._levels & 0x80:
            self._levels ^= 0x80
            self._word(tick)

    def _unread_tick(self, tick):
        """The tick itself, or the next where its word was read already."""
        return self._last_tick + 1 if tick <= self._last_tick and self._written == self._taken else tick

    def lose(self, tick, words):
        """The next words are lost to a ring overrun."""
        self.run_to(tick)
        self._lose += words

    def drop(self, tick, words):
        """The next words are dropped before the ring."""
        self.run_to(tick)
        self._drop += words
        self._dropping = True

    def waiting(self):
        """Words or a loss not yet taken by a poll."""
        return self._written - self._taken or self._lost

    def run_to(self, tick):
        """Make all markers and changes of the wave up to and at `tick`."""
        wave = self._wave
        while True:
            marker = self._next_marker
            if marker <= wave.next_tick:
                if marker > tick:
                    return
                self._next_marker = marker + _PERIOD
                self._word(marker)
            else:
                at = wave.next_tick
                if at > tick:
                    return
                wave.step()
                if self._wave_on:
                    self._levels ^= 0x80
                    self._word(at)

    def _word(self, tick):
        if tick == self._last_tick:
            self._written -= 1
            if self._levels == self._before and tick & _TOP:
                self._last_tick = -1
                return
        else:
            self._before = self.ring[(self._written - 1) & (RING_WORDS - 1)] & 0xFF if self._written else -1
            if self._lose or self._drop:
                if self._lose:
                    self._lose -= 1
                    self._lost += 1
                else:
                    self._drop -= 1
                return
        self._last_tick = tick
        self.ring[self._written & (RING_WORDS - 1)] = (_TOP - (tick & _TOP)) << 8 | self._levels
        self._written += 1

    # -- the reader ----------------------------------------------------------------------------------------------

    def now(self):
        return self._time.tick()

    def poll(self):
        self.run_to(self._time.tick())
        unread = self._written - self._taken
        lost = 0
        if unread > RING_WORDS - 1:
            lost = unread - (RING_WORDS - 1)
            self._taken += lost
            unread -= lost
        if unread and self._lost:
            lost += self._lost
            self._lost = 0
        self.dropped = self._dropping and not self._drop
        if self.dropped:
            self._dropping = False
        self.read = self._taken & (RING_WORDS - 1)
        self.unread = unread
        return lost

    def consumed(self, words):
        """Time stands still while words are read, so none is ever overwritten meanwhile."""
        self._taken += words
        return True
