"""Chatter guard (FORMAT.md section 2.3): what happens at the end of a second in which an input chattered.

core/ticks.py counts; this decides, once a second at most, who is guarded and writes the summaries.
"""

from core import records, ticks
from core.shim import const

GROUP = const(7)  # records of one summary


def _join(epochs, low):
    return (epochs - 1) << 24 | low


def _advance(s, epochs, low):
    """End of the second after the one that ends at (epochs, low)."""
    parts = s[ticks.PARTS] + s[ticks.REMAINDER]
    low += s[ticks.WHOLE]
    if parts >= s[ticks.CYCLES]:
        parts -= s[ticks.CYCLES]
        low += 1
    s[ticks.PARTS] = parts
    while low > ticks.TOP:
        low -= ticks.TOP + 1
        epochs += 1
    return epochs, low


class ChatterGuard:
    """Closes seconds. `put_group(tick, values)` writes a moment and the values (tag, value, index) after it."""

    def __init__(self, unroller, put_group):
        self._s = unroller.s
        self._put_group = put_group
        self._start = None  # tick at which the guarded second began

    def close_second(self):
        """After unroll() said SECOND_OVER: summarise, choose who is guarded from now on, begin the next second."""
        s = self._s
        end = _join(s[ticks.END_EPOCHS], s[ticks.END_LOW])
        guarded = s[ticks.GUARDED]
        stay = 0
        for channel in range(7):
            if guarded >> channel & 1:
                if s[ticks.CHANNEL + ticks.PER_CHANNEL * channel] > s[ticks.LIMIT]:
                    stay |= 1 << channel
                self._summarise(channel, end)
        s[ticks.GUARDED] = stay | s[ticks.OVER]
        self._begin(end, s[ticks.END_EPOCHS], s[ticks.END_LOW])
        s[ticks.END_EPOCHS], s[ticks.END_LOW] = _advance(s, s[ticks.END_EPOCHS], s[ticks.END_LOW])

    def cut(self, tick):
        """Sight was lost after `tick`: summarise the guarded channels up to there and guard none."""
        s = self._s
        for channel in range(7):
            if s[ticks.GUARDED] >> channel & 1 and tick > self._start:
                self._summarise(channel, tick)
        s[ticks.GUARDED] = 0
        self._begin(tick, 0, 0)

    def _begin(self, start, epochs, low):
        s = self._s
        s[ticks.OVER] = s[ticks.TOUCHED] = 0
        self._start = start
        for channel in range(7):
            place = ticks.CHANNEL + ticks.PER_CHANNEL * channel
            s[place + ticks.COUNT] = s[place + ticks.LONGEST] = s[place + ticks.ACTIVE] = 0
            s[place + ticks.SHORTEST] = ticks.NO_INTERVAL
            s[place + ticks.SINCE_EPOCHS] = epochs
            s[place + ticks.SINCE_LOW] = low

    def _summarise(self, channel, end):
        """Write the group of one channel for the span from the begin of the second to `end`."""
        s = self._s
        place = ticks.CHANNEL + ticks.PER_CHANNEL * channel
        level = s[ticks.PREVIOUS] >> channel & 1
        active = s[place + ticks.ACTIVE]
        if (s[ticks.LOW_MASK] >> channel & 1) != level:
            active += end - _join(s[place + ticks.SINCE_EPOCHS], s[place + ticks.SINCE_LOW])
        shortest = s[place + ticks.SHORTEST]
        self._put_group(
            self._start,
            (
                (records.CHATTER_EDGES, s[place + ticks.COUNT], channel),
                (records.CHATTER_SHORTEST, 0 if shortest == ticks.NO_INTERVAL else shortest, channel),
                (records.CHATTER_LONGEST, s[place + ticks.LONGEST], channel),
                (records.CHATTER_ACTIVE, active, channel),
                (records.CHATTER_SPAN, end - self._start, channel),
                (records.CHATTER_END, level, channel),
            ),
        )
