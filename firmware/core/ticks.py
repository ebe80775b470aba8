"""From ring words of the stamper to 8-byte records, without wide arithmetic.

A ring word is `counter << 8 | pins`: a 24-bit counter that counts down once per tick, and the levels after the change.
Each counter period makes exactly one word with counter 0xFFFFFF, the marker, with a change or without. So
    tick = epoch << 24 | (0xFFFFFF - counter)        epoch: markers seen so far, less one
and the two halves of the tick never have to be put together: bytes 0..2 of a record are the one, bytes 3..5 the other.

Within an epoch counters go down. A word whose counter does not, and which is no marker, tells that the marker between
was dropped before it reached the ring.

State lives in one array of words because compiled code reads that fastest; the names of its places stand below. No
place ever holds a negative number (see core/shim.py).
"""
# pyright: reportInvalidTypeForm=false
# (the types in viper signatures are its compiler's own)

from array import array

from core.shim import const, micropython, ptr8, ptr32

TOP = const(0xFFFFFF)

# places in the state
RING_MASK = const(0)  # words in the ring, less one
READ = const(1)  # index of the next word to read
UNREAD = const(2)  # words that may be read
OUT_AT = const(3)  # byte at which the next record goes
OUT_END = const(4)  # byte at which records must stop
EPOCHS = const(5)  # markers so far: epoch + 1
LOW = const(6)  # low half of the last word's tick
LAST_COUNTER = const(7)  # counter of the last word; TOP + 1 where none is known
PREVIOUS = const(8)  # levels of the last word, channels in use only
SECOND_HIGH = const(9)  # 0x80 where SECOND was high in the last word
MASK = const(10)  # channels in use, SECOND not among them
FILL = const(11)  # levels stated for channels not in use: their quiet level
LOW_MASK = const(12)  # channels that are active when low
SECOND_BIT = const(13)  # 0x80 where SECOND is wired, else 0
FRESH = const(14)  # 1: the next word is stated as levels, not as an edge
STOP_AT_FALL = const(15)  # 1: return after the next falling edge of SECOND
FALLS = const(16)  # falling edges of SECOND in the list of falls
LIGHT_EPOCHS = const(17)  # first light on a FLASH input since this was set to 0, as EPOCHS ...
LIGHT_LOW = const(18)  # ... and LOW
# chatter guard
LIMIT = const(20)  # edges a second and channel that are still stored one by one
GUARDED = const(21)  # channels whose edges are summarised
OVER = const(22)  # channels that passed the limit in the second under way
TOUCHED = const(23)  # channels with a count in the second under way
END_EPOCHS = const(24)  # end of the second under way, as EPOCHS ...
END_LOW = const(25)  # ... and LOW
WHOLE = const(26)  # ticks in a second: whole ones ...
REMAINDER = const(27)  # ... and the rest, in parts of CYCLES
CYCLES = const(28)
PARTS = const(29)  # rest gathered so far
# per channel, from CHANNEL on, PER_CHANNEL words each
CHANNEL = const(32)
PER_CHANNEL = const(9)
COUNT = const(0)  # edges in the second under way
SINCE_EPOCHS = const(1)  # last edge of a guarded channel, or begin of the second
SINCE_LOW = const(2)
SHORTEST = const(3)
LONGEST = const(4)
ACTIVE = const(5)
TOTAL = const(6)  # edges since boot, modulo 2**30
LAST_EPOCHS = const(7)  # tick of the last edge, guarded or not; 0: none yet
LAST_LOW = const(8)

STATE_WORDS = const(96)
FLASHES = const(0x78)
FALLS_MOST = const(64)
NO_LIMIT = const(0x3FFFFFFF)
NO_INTERVAL = const(0x3FFFFFFF)

# why unroll() came back
EMPTY = const(0)  # every word is used up
FULL = const(1)  # no room for another record; the word that needs it is unread
FELL = const(2)  # a falling edge of SECOND was asked for, or the list of falls is full
SECOND_OVER = const(3)  # a second with chatter is over; the word after it is unread
STATED = const(4)  # the levels record asked for by FRESH was written


@micropython.viper
def unroll(ring: ptr32, s: ptr32, out: ptr8, falls: ptr32) -> int:
    """Read words until one of the reasons above. One record of 8 bytes for each change of a channel in use."""
    ring_mask = int(s[RING_MASK])
    read = int(s[READ])
    left = int(s[UNREAD])
    at = int(s[OUT_AT])
    out_end = int(s[OUT_END])
    epochs = int(s[EPOCHS])
    low = int(s[LOW])
    last = int(s[LAST_COUNTER])
    previous = int(s[PREVIOUS])
    high = int(s[SECOND_HIGH])
    mask = int(s[MASK])
    fill = int(s[FILL])
    second_bit = int(s[SECOND_BIT])
    n_falls = int(s[FALLS])
    end_epochs = int(s[END_EPOCHS])
    end_low = int(s[END_LOW])
    guarded = int(s[GUARDED])
    reason = 0
    while left > 0:
        word = int(ring[read])
        counter = (word >> 8) & TOP
        new_epochs = epochs
        if counter == TOP or counter >= last:
            new_epochs = epochs + 1
        new_low = TOP - counter
        if new_epochs > end_epochs or (new_epochs == end_epochs and new_low >= end_low):
            if guarded | int(s[OVER]):
                reason = SECOND_OVER
                break
            if int(s[TOUCHED]):
                for channel in range(7):
                    s[CHANNEL + PER_CHANNEL * channel + COUNT] = 0
                s[TOUCHED] = 0
            while new_epochs > end_epochs or (new_epochs == end_epochs and new_low >= end_low):
                parts = int(s[PARTS]) + int(s[REMAINDER])
                end_low += int(s[WHOLE])
                if parts >= int(s[CYCLES]):
                    parts -= int(s[CYCLES])
                    end_low += 1
                s[PARTS] = parts
                while end_low > TOP:
                    end_low -= TOP + 1
                    end_epochs += 1
        levels = (word & mask) | fill
        changed = levels ^ previous
        stated = 0
        if int(s[FRESH]):
            if at >= out_end:
                reason = FULL
                break
            s[FRESH] = 0
            stated = 1
            changed = 0
            high = 0
        store = changed & ~guarded
        if store and at >= out_end:
            reason = FULL
            break
        if changed:
            s[TOUCHED] = int(s[TOUCHED]) | changed
            if changed & (levels ^ int(s[LOW_MASK])) & FLASHES:
                if not int(s[LIGHT_EPOCHS]):
                    s[LIGHT_EPOCHS] = new_epochs
                    s[LIGHT_LOW] = new_low
            bit = 1
            place = CHANNEL
            while bit <= changed:
                if changed & bit:
                    n = int(s[place + COUNT]) + 1
                    s[place + COUNT] = n
                    s[place + TOTAL] = (int(s[place + TOTAL]) + 1) & 0x3FFFFFFF
                    s[place + LAST_EPOCHS] = new_epochs
                    s[place + LAST_LOW] = new_low
                    if guarded & bit:
                        span = (
                            ((new_epochs - int(s[place + SINCE_EPOCHS])) << 24) + new_low - int(s[place + SINCE_LOW])
                        )
                        if n > 1:
                            if span < int(s[place + SHORTEST]):
                                s[place + SHORTEST] = span
                            if span > int(s[place + LONGEST]):
                                s[place + LONGEST] = span
                        if (previous ^ int(s[LOW_MASK])) & bit:
                            s[place + ACTIVE] = int(s[place + ACTIVE]) + span
                        s[place + SINCE_EPOCHS] = new_epochs
                        s[place + SINCE_LOW] = new_low
                    elif n > int(s[LIMIT]):
                        s[OVER] = int(s[OVER]) | bit
                bit <<= 1
                place += PER_CHANNEL
        if store or stated:
            epoch = new_epochs - 1
            out[at] = new_low & 255
            out[at + 1] = (new_low >> 8) & 255
            out[at + 2] = new_low >> 16
            out[at + 3] = epoch & 255
            out[at + 4] = (epoch >> 8) & 255
            out[at + 5] = (epoch >> 16) & 255
            out[at + 6] = 1 + stated
            out[at + 7] = levels
            at += 8
        epochs = new_epochs
        low = new_low
        last = counter
        previous = levels
        read = (read + 1) & ring_mask
        left -= 1
        fell = high & ~word & second_bit
        high = word & second_bit
        if fell:
            falls[2 * n_falls] = low
            falls[2 * n_falls + 1] = epochs - 1
            n_falls += 1
        if stated:
            reason = STATED
            break
        if fell and (int(s[STOP_AT_FALL]) or n_falls >= FALLS_MOST):
            reason = FELL
            break
    s[READ] = read
    s[UNREAD] = left
    s[OUT_AT] = at
    s[EPOCHS] = epochs
    s[LOW] = low
    s[LAST_COUNTER] = last
    s[PREVIOUS] = previous
    s[SECOND_HIGH] = high
    s[FALLS] = n_falls
    s[END_EPOCHS] = end_epochs
    s[END_LOW] = end_low
    return reason


@micropython.viper
def count_markers(ring: ptr32, s: ptr32) -> int:
    """Epochs begun by the unread words (at least one must be there), by the rules of unroll()."""
    ring_mask = int(s[RING_MASK])
    read = int(s[READ])
    left = int(s[UNREAD])
    last = int(s[LAST_COUNTER])
    markers = 0
    while left > 0:
        counter = (int(ring[read]) >> 8) & TOP
        if counter == TOP or counter >= last:
            markers += 1
        last = counter
        read = (read + 1) & ring_mask
        left -= 1
    return markers


class Unroller:
    """State of the unrolling, and what has to be done seldom.

    channels, low_mask: bit masks of FORMAT.md tags 44 and 43; clock_hz / cycles: ticks in a second;
    limit: edges a second and channel for the chatter guard, 0 = off.
    """

    SLACK_US = 1000  # the chip's timer and the state machine start some microseconds apart

    def __init__(self, ring_words, channels, low_mask, clock_hz, cycles, limit):
        self.s = s = array("i", [0] * STATE_WORDS)
        self.falls = array("i", [0] * (2 * FALLS_MOST))
        self._saved = array("i", s)
        s[RING_MASK] = ring_words - 1
        s[MASK] = channels & 0x7F
        s[FILL] = low_mask & ~channels & 0x7F
        s[LOW_MASK] = low_mask & 0x7F
        s[SECOND_BIT] = channels & 0x80
        s[LAST_COUNTER] = TOP + 1
        s[FRESH] = 1
        s[WHOLE] = clock_hz // cycles
        s[REMAINDER] = clock_hz % cycles
        s[CYCLES] = cycles
        s[END_EPOCHS] = 1  # the first roll brings it to the end of the first second
        self.slack = self.SLACK_US * clock_hz // (cycles * 1000000)
        self.set_limit(limit)

    def set_limit(self, limit):
        self.s[LIMIT] = limit if limit else NO_LIMIT

    def tick(self):
        """Tick of the last word read; 0 where none was."""
        s = self.s
        return ((s[EPOCHS] - 1) << 24 | s[LOW]) if s[EPOCHS] else 0

    def edges(self, channel):
        """Edges of a channel since boot."""
        return self.s[CHANNEL + PER_CHANNEL * channel + TOTAL]

    def last_change(self, channel):
        """Tick of the channel's last edge, or None."""
        place = CHANNEL + PER_CHANNEL * channel
        if not self.s[place + LAST_EPOCHS]:
            return None
        return (self.s[place + LAST_EPOCHS] - 1) << 24 | self.s[place + LAST_LOW]

    def first_light(self):
        """Tick of the first light on a FLASH input since forget_light(), or None."""
        if not self.s[LIGHT_EPOCHS]:
            return None
        return (self.s[LIGHT_EPOCHS] - 1) << 24 | self.s[LIGHT_LOW]

    def forget_light(self):
        self.s[LIGHT_EPOCHS] = 0

    def levels(self):
        return self.s[PREVIOUS]

    def take_falls(self):
        """Forget the falls listed; returns how many there were. They stand in `falls` as (low, epoch) pairs."""
        n = self.s[FALLS]
        self.s[FALLS] = 0
        return n

    def save(self):
        self._saved[:] = self.s

    def restore(self):
        """Back to save(): for words that turn out to have been overwritten while they were read."""
        self.s[:] = self._saved

    def find_epoch(self, ring, now):
        """Set the epoch anew after a loss, from the time `now` in ticks. UNREAD must hold all words of the ring.

        The newest word is never older than one counter period, as each period makes a marker; so `now` tells its
        epoch, and counting markers backwards tells that of the first word.
        """
        s = self.s
        newest = (s[READ] + s[UNREAD] - 1) & s[RING_MASK]
        age = TOP - ((ring[newest] >> 8) & TOP)
        epochs = ((now + self.slack - age) >> 24) + 1 - count_markers(ring, s)
        s[EPOCHS] = max(epochs, s[EPOCHS])
