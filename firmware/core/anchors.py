"""Which second of the clock chip began at which tick.

The chip's 1 Hz wave falls when a second begins, and the fall is stamped like any edge. Reading the chip by I2C then
says which second that was - but only well inside the second, and only while falls are whole seconds apart: near a
boundary, or after the clock was set, the reading may belong to another fall. A first reading is held back until
a second one, after another fall, agrees with it.
"""

from core.shim import const

OSCILLATOR_STOPPED = const(1)
NO_CHIP = const(2)
NO_WAVE = const(4)
NOT_CONFIRMED = const(8)

EARLIEST_PERCENT = const(10)  # of a second after the fall in which a reading is believed
LATEST_PERCENT = const(90)
_MOST_EPOCHS = const(60)  # of 2**24 ticks: the difference then still is a small integer on the board


class Anchors:
    """Told of falls and readings, knows the second that began at the last fall.

    nominal: ticks in a second by the stamper's own crystal. `second` is None until a reading was confirmed.
    """

    def __init__(self, nominal):
        self.nominal = nominal
        self._earliest = nominal // 100 * EARLIEST_PERCENT
        self._latest = nominal // 100 * LATEST_PERCENT
        self.low = self.epoch = None  # tick of the last fall, in two halves
        self.second = None  # confirmed: second that began at the last fall
        self._candidate = None  # read once: likewise
        self._regular = False  # the last fall came whole seconds after the one before
        self._checked = False  # a reading was taken since the last fall

    def fall(self, low, epoch):
        """A falling edge. Intervals that are not whole seconds within 500 ppm end what was believed."""
        if self.epoch is not None and epoch - self.epoch <= _MOST_EPOCHS:
            ticks = ((epoch - self.epoch) << 24) + low - self.low
            seconds = (ticks + self.nominal // 2) // self.nominal
            if seconds > 0 and abs(ticks - seconds * self.nominal) * 2 <= seconds * (self.nominal // 1000):
                self._regular = True
                if self.second is not None:
                    self.second += seconds
                if self._candidate is not None:
                    self._candidate += seconds
            else:
                self.lose()
        elif self.epoch is not None:
            self.lose()
        self.low = low
        self.epoch = epoch
        self._checked = False

    def lose(self):
        """Believe nothing until the next two readings: the clock was set, or falls were lost."""
        self._regular = False
        self.second = self._candidate = None

    def tick(self):
        """Tick of the last fall, or None."""
        return None if self.epoch is None else self.epoch << 24 | self.low

    def since(self, now):
        """Ticks from the last fall to `now`, or None."""
        return None if self.epoch is None else now - (self.epoch << 24 | self.low)

    def window(self, now):
        """0 where a reading taken at tick `now` would be believed, else how many ticks to wait for one at least.

        None: no fall for more than a second, so nothing to wait for but the next fall.
        """
        since = self.since(now)
        if since is None or since >= self._latest:
            return None
        return max(0, self._earliest - since)

    def wants_reading(self):
        """True while nothing is confirmed and the last fall may carry a reading."""
        return self._regular and self.second is None and not self._checked

    def reading(self, before, second, after):
        """The chip said `second`, asked between ticks `before` and `after`. True unless it contradicts."""
        if self.window(before) != 0 or self.window(after) != 0 or not self._regular:
            return True
        self._checked = True
        if self.second is not None:
            if second == self.second:
                return True
            self.lose()
            return False
        if self._candidate == second:
            self.second = second
        else:
            self._candidate = second
        return True

    def state(self, now, stopped, answers):
        """Bits of tag 51. stopped: the chip says its oscillator had stopped; answers: it could be read."""
        bits = (OSCILLATOR_STOPPED if stopped else 0) | (0 if answers else NO_CHIP)
        since = self.since(now)
        if since is None or since > self.nominal * 5 // 2:
            bits |= NO_WAVE
        if self.second is None:
            bits |= NOT_CONFIRMED
        return bits
