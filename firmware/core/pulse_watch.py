"""Light pulses through the night: when the converter watches, what becomes of a pulse, and what was missed.

The part "pulse" (chip/light_pulse.py, sim/light_pulse.py) holds the converter's `ring` of 16-bit codes, `samples` in
it, `step_ns`, and `post_us`: so long after the first change of a FLASH input it stops by itself. Its methods:
  start()   watch, from now on             ready() -> True once it stopped after a change
  found()   sets `first` (index in the ring), `count` and `lead_ns` (by which that sample lies before the edge)
  lend()    the converter is free for another input until start()
"""
# pyright: reportOptionalMemberAccess=false
# (step() asks nothing of a part that is not there)

from core import faults, records, ticks
from core.pulses import EDGE, KEPT, LEAD, LEAD_MOST, Budget, Pulse
from core.shim import const

COMMIT_DUE = const(0)  # why a pulse was dropped, index of tag 83
USED_UP = const(1)
STILL_READING = const(2)
NOTHING_SEEN = const(3)

WINDOW_MS = const(60)  # so soon after a beam break or a shot a light is expected
PUT_OFF_MS = const(1000)  # a commit that is due waits so long at most
QUIET_MS = const(30)  # FLASH inputs rest so long before it watches again
_LOOK_MS = const(5)
_ASKED_MS = const(120)  # a pulse taken so soon after a shot was asked for
_WEAK_MOST = const(20)  # so many in a row tell that nothing is wired; more of them would only fill the store
_MISSED_MS = const(60)  # a light that did not stop the converter by now came while it was not watching


class PulseWatch:
    """step() in each pass, after the drain. Without the part, or with the setting pulse_kb at 0, it does nothing."""

    def __init__(self, parts, capture, recorder, settings):
        self._parts = parts
        self._part = parts.part("pulse")
        self._capture = capture
        self._recorder = recorder
        self._settings = settings
        self._pulse = Pulse() if self._part else None
        self._budget = Budget()
        self._ms_ticks = capture.anchors.nominal // 1000
        self.number = 0  # pulses stored since boot
        self.dropped = [0, 0, 0, 0]
        self.due_ms = None  # when the next look is needed at the latest
        self._watching = False
        self._start_ms = 0
        self._seen_ms = None  # a light came, the converter has not stopped yet
        self._edge = None  # tick of the last pulse's edge
        self._blind_since = 0
        self._blind_ticks = 0
        self._shot_ms = None
        self._weak = 0  # in a row
        self._commit_begin = self._commit_end = None
        self._put_off_ms = None
        self._supply_waited = False

    def has(self):
        return self._part is not None

    def step(self, now_ms):
        if self._part is None:
            return
        try:
            self._step(now_ms)
        except Exception:  # a bug or a broken driver: the rest goes on
            self._part = self.due_ms = None
            self._parts.fault(faults.PULSE)

    def _step(self, now_ms):
        if not self._settings["pulse_kb"]:
            if self._watching:
                self._rest(self._capture.now())
                self._part.lend()
            self.due_ms = None
            return
        if not self._watching:
            if now_ms >= self._start_ms:
                self._start(now_ms)
        elif self._part.ready():
            self._take(now_ms)
        elif self._capture.unroller.s[ticks.LIGHT_EPOCHS]:
            self._await(now_ms)

    def _await(self, now_ms):
        """A light was stamped; the converter stops soon."""
        if self._seen_ms is None:
            self._seen_ms = now_ms
        elif now_ms - self._seen_ms > _MISSED_MS:
            self._capture.unroller.forget_light()
            self._seen_ms = self.due_ms = None
            return
        self.due_ms = now_ms + _LOOK_MS

    def _start(self, now_ms):
        """Watch again, once the FLASH inputs rest."""
        unroller = self._capture.unroller
        now = self._capture.now()
        if any(now - tick < QUIET_MS * self._ms_ticks for tick in self._changes()):
            self._start_ms = self.due_ms = now_ms + QUIET_MS
            return
        light = unroller.first_light()
        if light is not None and self._edge is not None and light > self._ended():
            self.dropped[STILL_READING] += 1
        unroller.forget_light()
        self._part.start()
        self._watching = True
        self._blind_ticks += now - self._blind_since
        self._seen_ms = self.due_ms = None

    def _ended(self):
        """Tick at which the converter stopped after the last pulse."""
        return self._edge + self._part.post_us * self._ms_ticks // 1000

    def _changes(self):
        """Ticks of the last change of each FLASH input that changed."""
        found = [self._capture.unroller.last_change(channel) for channel in range(3, 7)]
        return [tick for tick in found if tick is not None]

    def _rest(self, since):
        self._watching = False
        self._blind_since = since
        self._seen_ms = None

    def _take(self, now_ms):
        """The converter stopped: keep what it saw, or count why not."""
        self._capture.drain()
        edge = self._capture.unroller.first_light()
        self._start_ms = self.due_ms = now_ms + QUIET_MS
        if edge is None:  # a FLASH input that is not in use, or the end of a light
            self._rest(self._capture.now())
            return
        self._edge = edge
        self._rest(self._ended())
        if self._spoilt(edge):
            self.dropped[COMMIT_DUE] += 1
        elif not self._has_room(edge, now_ms):
            self.dropped[USED_UP] += 1
        else:
            self._measure_and_write(edge)
        self._capture.unroller.forget_light()

    def _spoilt(self, edge):
        """Whether a commit fell into the pulse: programming the flash memory disturbs the converter's supply."""
        if self._commit_end is None:
            return False
        before = LEAD_MOST * self._part.step_ns // 1000 * self._ms_ticks // 1000
        return self._commit_begin < self._ended() and self._commit_end > edge - before

    def _has_room(self, edge, now_ms):
        """Whether the night's room, or what an hour may use of it, is not used up."""
        room = 1000 * self._settings["pulse_kb"]
        if self._shot_ms is not None and now_ms - self._shot_ms <= _ASKED_MS:
            return self._budget.allows(room, now_ms, True)
        flashes = self._flashes(edge)
        if flashes & (flashes - 1):
            room //= 4  # several lights at once tell little of a head: the rest is for those that come alone
        return self._budget.allows(room, now_ms)

    def _measure_and_write(self, edge):
        part, pulse = self._part, self._pulse
        part.found()
        ahead = min(part.count, -(-part.lead_ns // part.step_ns))
        pulse.measured(part.ring, part.samples, part.first, part.count, ahead)
        self._weak = 0 if pulse.s[KEPT] else self._weak + 1
        if self._weak > _WEAK_MOST:
            self.dropped[NOTHING_SEEN] += 1
        else:
            self._write(edge)

    def _write(self, edge):
        part, pulse, s = self._part, self._pulse, self._pulse.s
        lead_ns = max(0, part.lead_ns - (s[EDGE] - s[LEAD]) * part.step_ns)
        self.number += 1
        values = pulse.header(self.number, self._flashes(edge), part.step_ns, lead_ns)
        packed = pulse.group(part.ring)
        while values:
            self._budget.used += self._recorder.chain(edge, values, packed)
            packed = pulse.group(part.ring)
            values = ((records.PULSE_GOES_ON, self.number & 0xFFFF, 0),) if len(packed) else ()

    def _flashes(self, edge):
        """Mask of the FLASH inputs that changed from the edge on."""
        mask = 0
        for head in range(4):
            tick = self._capture.unroller.last_change(3 + head)
            if tick is not None and tick >= edge:
                mask |= 1 << head
        return mask

    # -- beside commits and the supply's reading -----------------------------------------------------------------

    def end(self):
        """Logging ends: the converter stops, so that whoever comes to the prompt can read it."""
        if self._watching:
            self._rest(self._capture.now())
            self._parts.ask("pulse", faults.PULSE, "lend")
        self.due_ms = None

    def limit_changed(self):
        """The setting pulse_kb was changed: a new night of it begins."""
        self._budget.begin()

    def shot(self, now_ms):
        """SHOT fires now."""
        self._shot_ms = now_ms

    def expects(self, now_ms):
        """Whether a light is expected now: a beam broke or SHOT fired just before, and no pulse came since."""
        if not self._watching:
            return False
        if self._shot_ms is not None and now_ms - self._shot_ms <= WINDOW_MS:
            return True
        now = self._capture.now()
        for channel in (0, 1):
            tick = self._capture.unroller.last_change(channel)
            if tick is not None and now - tick <= WINDOW_MS * self._ms_ticks and (self._edge or 0) < tick:
                return True
        return False

    def puts_off(self, now_ms):
        """Whether a commit that is due by its time waits for the light that is expected."""
        if not self.expects(now_ms):
            self._put_off_ms = None
            return False
        if self._put_off_ms is None:
            self._put_off_ms = now_ms
        if now_ms - self._put_off_ms < PUT_OFF_MS:
            return True
        self._put_off_ms = None
        return False

    def commit_begins(self):
        if self._part is not None:
            self._commit_begin, self._commit_end = self._capture.now(), None

    def commit_ended(self):
        if self._part is not None:
            self._commit_end = self._capture.now()

    def lend(self, now_ms):
        """Give the converter away to read the supply; False where a light is expected: once, then it has to be."""
        if self._part is None:
            return True
        if not self._supply_waited and self.expects(now_ms):
            self._supply_waited = True
            return False
        self._supply_waited = False
        if self._watching and self._part.ready():
            self._take(now_ms)
        if self._watching:
            self._rest(self._capture.now())
            self._start_ms = self.due_ms = now_ms
        self._part.lend()
        return True

    def blind_us(self):
        """Microseconds since boot in which it did not watch."""
        ticks = self._blind_ticks
        if not self._watching:
            ticks += max(0, self._capture.now() - self._blind_since)
        return ticks * 1000 // self._ms_ticks
