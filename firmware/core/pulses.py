"""A light pulse out of the converter's ring: where it begins and ends, how high it is, and its records (FORMAT.md 2.5).

State lives in one array of words, as in core/ticks.py, and no place holds a negative number. The ring may be longer
than the pulse: `first` is the index of its oldest sample in use.
"""
# pyright: reportInvalidTypeForm=false
# ruff: noqa: PLR1730  compiled code compares by itself; min and max would be calls
# (the types in viper signatures are its compiler's own)

from array import array

from core import records
from core.shim import const, micropython, ptr8, ptr16, ptr32

# places in the state
RING_MASK = const(0)  # samples in the ring, less one
FIRST = const(1)  # index in the ring of the oldest sample in use, later of the first that is kept
COUNT = const(2)  # samples in use
EDGE = const(3)  # samples in use that lie before the edge
PEAK = const(4)
BASE16 = const(5)  # sum of 16 samples before the light
KEPT = const(6)
CUT = const(7)
LEAD = const(8)  # samples kept before the edge
# of the coding
POSITION = const(9)  # samples coded
BEFORE = const(10)  # the code before
WAITING = const(11)  # nibbles of a code that are still to be written, lowest first ...
WAITING_N = const(12)  # ... and how many
INDEX = const(13)  # records written
STATE_WORDS = const(14)

LEAD_MOST = const(64)
TAIL = const(64)  # samples kept behind the light's end
KEPT_MOST = const(2048)
SLICE = const(16)  # samples whose sum tells light from noise
LIGHT16 = const(48)  # three codes a sample: so much above the base a slice is light, or a 64th of the peak
WEAK_CODES = const(16)

_NIGHT_MS = const(86400000)
_SPREAD_MS = const(43200000)

NIBBLES = const(12)  # in one record
GROUP_RECORDS = const(59)  # so few that a group never forces a commit early
_SAMPLES_TAG = const(0x82)


@micropython.viper
def measure(ring: ptr16, s: ptr32):
    """Base, peak and end of the light; sets PEAK, BASE16, FIRST, LEAD, KEPT and CUT."""
    mask = int(s[RING_MASK])
    count = int(s[COUNT])
    lead = int(s[EDGE])
    if lead > LEAD_MOST:
        lead = LEAD_MOST
    first = int(s[FIRST]) + int(s[EDGE]) - lead
    limit = count - int(s[EDGE]) + lead
    if limit > KEPT_MOST:
        limit = KEPT_MOST
    quiet = lead if lead >= SLICE else limit
    base = SLICE << 12
    at = 0
    while at + SLICE <= quiet:
        total = 0
        for i in range(SLICE):
            total += int(ring[(first + at + i) & mask])
        if total < base:
            base = total
        at += SLICE
    peak = 0
    for i in range(limit):
        code = int(ring[(first + i) & mask])
        if code > peak:
            peak = code
    light = (peak * SLICE - base) >> 6
    if light < LIGHT16:
        light = LIGHT16
    end = limit
    while end > lead:
        begin = end - SLICE
        if begin < 0:
            begin = 0
        total = 0
        for i in range(end - begin):
            total += int(ring[(first + begin + i) & mask])
        if total > base + light:
            break
        end = begin
    s[CUT] = 1 if end == limit else 0
    if end < lead:
        end = lead
    end += TAIL
    if end > limit:
        end = limit
    s[PEAK] = peak
    s[BASE16] = base
    s[FIRST] = first & mask
    s[LEAD] = lead
    s[KEPT] = end


@micropython.viper
def encode(ring: ptr16, s: ptr32, out: ptr8, most: int) -> int:
    """Write at most `most` records of samples from byte 0 of `out` on; how many. 0: all are written."""
    mask = int(s[RING_MASK])
    first = int(s[FIRST])
    kept = int(s[KEPT])
    position = int(s[POSITION])
    before = int(s[BEFORE])
    waiting = int(s[WAITING])
    n = int(s[WAITING_N])
    index = int(s[INDEX])
    made = 0
    nibble = 0
    at = 0
    while made < most:
        if n == 0:
            if position >= kept:
                break
            code = int(ring[(first + position) & mask])
            waiting = (code >> 8) | (code & 0xF0) | ((code & 15) << 8)
            n = 3
            if position:
                if code - before < 8 and before - code < 8:
                    waiting = code - before + 7
                    n = 1
                else:
                    waiting = (waiting << 4) | 15
                    n = 4
            before = code
            position += 1
        if nibble & 1:
            out[at] = int(out[at]) | ((waiting & 15) << 4)
            at += 1
        else:
            out[at] = waiting & 15
        waiting >>= 4
        n -= 1
        nibble += 1
        if nibble == NIBBLES:
            out[at] = _SAMPLES_TAG
            out[at + 1] = index & 255
            at += 2
            index += 1
            made += 1
            nibble = 0
    if nibble:
        at += nibble & 1
        nibble += nibble & 1
        while nibble < NIBBLES:
            out[at] = 0
            at += 1
            nibble += 2
        out[at] = _SAMPLES_TAG
        out[at + 1] = index & 255
        index += 1
        made += 1
    s[POSITION] = position
    s[BEFORE] = before
    s[WAITING] = waiting
    s[WAITING_N] = n
    s[INDEX] = index
    return made


class Pulse:
    """One pulse at a time: measured(), then header() and groups() until they end. Buffers are made once."""

    def __init__(self):
        self.s = array("i", [0] * STATE_WORDS)
        self._out = bytearray(records.SIZE * GROUP_RECORDS)
        self._view = memoryview(self._out)

    def measured(self, ring, samples, first, count, edge):
        """Look at `count` samples of the ring from index `first` on; `edge` of them lie before the FLASH edge."""
        s = self.s
        for place in range(STATE_WORDS):
            s[place] = 0
        s[RING_MASK] = samples - 1
        s[FIRST], s[COUNT], s[EDGE] = first, count, edge
        measure(ring, s)
        if (s[PEAK] << 4) - s[BASE16] < WEAK_CODES << 4:
            s[KEPT] = s[CUT] = 0

    def header(self, number, flash, step_ns, lead_ns):
        """Values of the first group. lead_ns: by which the first kept sample lies before the edge."""
        s = self.s
        value = number & 0xFFFF | s[KEPT] << 16 | s[PEAK] << 28 | s[CUT] << 40
        return (records.PULSE, value, flash), (records.PULSE_TIMING, step_ns | lead_ns << 24, 0)

    def group(self, ring):
        """The next records of samples, at most GROUP_RECORDS, as bytes valid until the next call; empty: no more."""
        return self._view[: records.SIZE * encode(ring, self.s, self._out, GROUP_RECORDS)]


class Budget:
    """Bytes of pulses in the night under way, which is 24 h from the first pulse counted.

    An eighth may be used at once, the rest as 12 hours go by: else dusk would use up all, and what cells or cold do to
    the light later in the night would not be seen.
    """

    def __init__(self):
        self.used = 0
        self._since_ms = None

    def begin(self):
        """A new night begins with the next pulse."""
        self._since_ms = None

    def allows(self, limit, now_ms, at_once=False):
        """Whether another pulse may be stored, `limit` bytes a night; at_once: without regard to the hour."""
        if self._since_ms is None or now_ms - self._since_ms >= _NIGHT_MS:
            self._since_ms = now_ms
            self.used = 0
        if not at_once:
            passed = min(now_ms - self._since_ms, _SPREAD_MS)
            limit = limit // 8 + (limit - limit // 8) * passed // _SPREAD_MS
        return self.used < limit
