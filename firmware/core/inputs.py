"""Inputs that behave as no beam, contact or light sensor does, as far as the board can tell it by itself.

Looks once a second at counts that core/ticks.py keeps anyway, and judges once a minute. Numbers and details of what it
finds are those of tag 78 (core/faults.py, FORMAT.md section 2.4). Times are in ticks >> 10, some 74 us: small numbers
for hours.
"""

from array import array

from core import faults, ticks
from core.shim import const

LOOK_MS = const(1000)
UNIT = const(10)
WINDOW_S = const(60)  # share of active time is judged over so long
NEW_S = const(300)  # active nearly all the time since the start for so long: no animal stays in the beam then
DAY_S = const(21600)  # ... a light sensor: longer than it may stand in daylight before dusk
LONG_S = const(1800)  # a beam that had worked and is broken for so long
TWIN_EDGES = const(20)  # changes in a row, each shared within one tick
RUN = const(10)  # looks in a row that make a chatter
CHATTER_PER_S = const(200)
HUM_HZ = (50, 60, 100, 120)  # mains, and lamps on it, which light up twice in a period
HUM_LEAST_PER_S = const(90)
SILENT_EDGES = const(40)  # of a light sensor, while another input never changed
HOUR_MS = const(3600000)
TOLD_MOST = const(16)

BEAMS = const(0x03)
SYNC = const(2)
FIRST_FLASH = const(3)
WRAP = const(0x3FFFFFFF)


class InputWatch:
    """look(), due at `due_ms`, returns what is news for the log, found() all that holds now; both as [number, detail].

    undriven: mask of inputs that nothing drives. `wrong`: whether anything held at the last judgement. `bench`: fires
    were asked for by the host, so lights without a break mean nothing.
    """

    def __init__(self, capture, undriven=0):
        self._capture = capture
        self._s = capture.unroller.s
        self._channels = capture.channels & 0x7F
        self._undriven = undriven
        self._second = capture.anchors.nominal >> UNIT
        self.due_ms = 0
        self._at = self._window = capture.now() >> UNIT
        self._levels = 0  # active ones at the last look
        self._worked = 0  # channels that were quiet for a minute
        self._edged = 0  # channels that changed in this minute
        self._edges = array("i", [0] * 7)  # totals at the last look
        self._delta = array("i", [0] * 7)
        self._active = array("i", [0] * 7)  # active time in this minute
        self._bad = array("i", [0] * 7)  # time active nearly without a pause, up to the last judgement
        self._runs = bytearray(7)  # looks in a row with many edges
        self._hum = bytearray(7)  # place in HUM_HZ ...
        self._hum_runs = bytearray(7)  # ... and looks in a row that fitted it
        self._same = bytearray(49)  # changes in a row that two channels shared
        self._told = {}
        self._judge = False
        self.wrong = False
        self.bench = False

    def look(self, now_ms):
        """Once a second: takes the counts in. A look that comes late does no harm."""
        self.due_ms = now_ms + LOOK_MS
        now = self._capture.now() >> UNIT
        span = now - self._at
        self._at = now
        s = self._s
        levels = (s[ticks.PREVIOUS] ^ s[ticks.LOW_MASK]) & self._channels
        changed = 0
        for channel in range(7):
            total = s[ticks.CHANNEL + ticks.PER_CHANNEL * channel + ticks.TOTAL]
            delta = (total - self._edges[channel]) & WRAP
            if delta:
                changed |= 1 << channel
                self._edges[channel] = total
                self._moved(channel, delta, levels, now, span)
            elif levels >> channel & 1:
                self._active[channel] += span
            self._delta[channel] = delta
            if delta > HUM_LEAST_PER_S or self._runs[channel] or self._hum_runs[channel]:
                self._rate(channel, delta, span)
        if changed:
            self._edged |= changed
            self._compare()
        self._levels = levels
        if now - self._window >= WINDOW_S * self._second:
            self._close(now)
        if not self._judge:
            return ()
        self._judge = False
        return self._news(now_ms)

    def _moved(self, channel, delta, levels, now, span):
        """Active time since the last look of a channel that changed in it."""
        since = now - (self._capture.unroller.last_change(channel) >> UNIT)
        since = min(max(since, 0), span)
        active = levels >> channel & 1
        if active:
            self._active[channel] += since
        before = active ^ 1 if delta == 1 else self._levels >> channel & 1
        if before:
            self._active[channel] += span - since

    def _rate(self, channel, delta, span):
        """Looks in a row with many edges, and with as many as mains frequency gives. Others begin anew."""
        steady = self._second * 4 // 5 <= span <= self._second * 3 // 2
        many = steady and delta * self._second > CHATTER_PER_S * span
        self._runs[channel] = min(self._runs[channel] + 1, 255) if many else 0
        fits = 0
        if steady:
            for place, hz in enumerate(HUM_HZ):
                if abs(delta * self._second - 2 * hz * span) <= 2 * self._second:
                    fits = place + 1
        if not fits or (self._hum_runs[channel] and self._hum[channel] != fits - 1):
            self._hum_runs[channel] = 0
        if fits:
            self._hum[channel] = fits - 1
            self._hum_runs[channel] = min(self._hum_runs[channel] + 1, 255)
        if RUN in (self._runs[channel], self._hum_runs[channel]):
            self._judge = True

    def _compare(self):
        """Count the changes that two channels share; one of its own and they are two."""
        delta, same = self._delta, self._same
        for a in range(6):
            n = delta[a]
            for b in range(a + 1, 7):
                if n != delta[b]:
                    same[7 * a + b] = 0
                elif n:
                    self._share(a, b, n)

    def _share(self, a, b, n):
        """Two channels changed as often since the last look: both at once?"""
        s, same = self._s, self._same
        pa, pb = ticks.CHANNEL + ticks.PER_CHANNEL * a, ticks.CHANNEL + ticks.PER_CHANNEL * b
        one = s[pa + ticks.LAST_EPOCHS] == s[pb + ticks.LAST_EPOCHS]
        if one and abs(s[pa + ticks.LAST_LOW] - s[pb + ticks.LAST_LOW]) <= 1:
            before = same[7 * a + b]
            same[7 * a + b] = min(before + n, 255)
            if before < TWIN_EDGES <= same[7 * a + b]:
                self._judge = True
        else:
            same[7 * a + b] = 0

    def _close(self, now):
        """End of a minute."""
        span = now - self._window
        for channel in range(7):
            active = self._active[channel]
            still = channel != SYNC or not self._edged >> SYNC & 1  # open shutters hold it closed, but not for ever
            if active >= span - span // 10 and still:
                self._bad[channel] = min(self._bad[channel] + span, WRAP)
            else:
                self._bad[channel] = 0
            if active <= span // 10:
                self._worked |= 1 << channel
            self._active[channel] = 0
        self._edged = 0
        self._window = now
        self._judge = True

    def _news(self, now_ms):
        found = self.found()
        self.wrong = bool(found)
        fresh = []
        for number, detail in found:
            last = self._told.get((number, detail))
            if last is None or now_ms - last >= HOUR_MS:
                if len(self._told) >= TOLD_MOST:
                    self._told.clear()
                self._told[(number, detail)] = now_ms
                fresh.append((number, detail))
        return fresh

    def found(self):
        """All that holds now, as [number, detail] with the channels' mask in bits 0..7 of the detail."""
        new = long = chatter = 0
        out = []
        for channel in range(7):
            bit = 1 << channel
            if not self._worked & bit:
                limit = DAY_S if channel >= FIRST_FLASH else NEW_S
                new |= bit if self._bad[channel] >= limit * self._second else 0
            elif bit & BEAMS and self._bad[channel] >= LONG_S * self._second:
                long |= bit
            if self._hum_runs[channel] >= RUN:
                out.append([faults.INPUT_HUM, bit | HUM_HZ[self._hum[channel]] << 8])
            elif self._runs[channel] >= RUN:
                chatter |= bit
        for number, mask in (
            (faults.INPUT_NEW, new),
            (faults.INPUT_LONG, long),
            (faults.INPUT_CHATTER, chatter),
            (faults.INPUT_SILENT, self._silent()),
        ):
            if mask:
                out.append([number, mask])
        return out + self._twins()

    def _twins(self):
        out, taken = [], 0
        for a in range(7):
            mask = 0
            for b in range(a + 1, 7):
                if self._same[7 * a + b] >= TWIN_EDGES:
                    mask |= 1 << b
            if mask and not taken >> a & 1:
                taken |= mask
                out.append([faults.INPUT_TWINS, mask | 1 << a])
        return out

    def _silent(self):
        """BEAM and light sensors that are driven and never changed, while another light sensor saw many lights."""
        if self.bench or max(self._edges[FIRST_FLASH:]) < SILENT_EDGES:
            return 0
        mask = 0
        for channel in (0, 3, 4, 5, 6):
            if not self._edges[channel]:
                mask |= 1 << channel
        return mask & self._channels & ~self._undriven
