"""What is read once a minute - clock, supply, temperature, counters - and the clock chip's anchoring and setting."""

from core import faults, records
from core.anchors import NO_CHIP
from core.shim import const

MINUTE_MS = const(60000)
FIRST_MINUTE_MS = const(5000)  # without a sure second the first readings are written this long after boot
FALL_WAIT_MS = const(3000)  # a minute record waits this long for a falling edge of SECOND
SUPPLY_MINUTES = const(3)  # readings in a row below the limit: the supply is low
NO_WAVE_SECONDS = const(3)


class Readings:
    """drain_or_minute() and read_clock() in each pass; due_ms() says when they want the next.

    parts: see core/parts.py, with rtc and supply. bad_requests(): count for tag 64.
    """

    def __init__(self, parts, capture, recorder, bad_requests, pulses):
        self._parts = parts
        self._capture = capture
        self._recorder = recorder
        self._bad_requests = bad_requests
        self._pulses = pulses
        self.supply_mv = self.temp_c100 = None
        self.low_minutes = 0  # readings in a row below the limit
        self.low_mv = 0  # that limit, 0 = none
        self._rtc_stopped = False
        self._rtc_answers = True
        self._rtc_pause_ms = 0
        self._check_clock = False
        self._minute_ms = parts.pace.now_ms() + FIRST_MINUTE_MS
        self._armed = False  # the next fall is that of the minute record
        self._sure_once = False
        self._told = {}  # counter tag -> value last written

    def told(self, tag, value):
        """A counter was written elsewhere."""
        self._told[tag] = value

    # -- the minute ----------------------------------------------------------------------------------------------

    def drain_or_minute(self, now_ms):
        """Drain; at the first fall after a minute is due, or after waiting for one in vain, write its records."""
        capture, anchors = self._capture, self._capture.anchors
        if not self._sure_once and anchors.second is not None:
            self._sure_once = True
            self._minute_ms = now_ms
        if now_ms < self._minute_ms or not self._armed:
            capture.drain()
            self._armed = now_ms >= self._minute_ms  # from here on the next fall is a fall of now
            return
        if capture.drain(stop_at_fall=True):
            self._minute(anchors.tick(), now_ms)
            capture.drain()
        elif now_ms - self._minute_ms >= FALL_WAIT_MS:
            self._minute(capture.now(), now_ms)

    def due_ms(self, now_ms):
        """When the next pass is needed at the latest."""
        if now_ms >= self._minute_ms:
            return now_ms + 1 + self._ms_to_fall()
        anchors = self._capture.anchors
        due = self._minute_ms
        if anchors.wants_reading() or self._check_clock:
            wait = anchors.window(self._capture.now())
            return min(due, now_ms + (100 if wait is None else 1 + wait // (anchors.nominal // 1000)))
        return min(due, now_ms + 500) if anchors.second is None else due

    def _ms_to_fall(self):
        anchors = self._capture.anchors
        since = anchors.since(self._capture.now())
        if since is None or since >= anchors.nominal:
            return 100
        return (anchors.nominal - since) // (anchors.nominal // 1000) + 1

    def _minute(self, tick, now_ms):
        self._minute_ms = max(self._minute_ms + MINUTE_MS, now_ms + 1000)
        self._armed = False
        self._check_clock = True
        self._recorder.moment(tick, self._clock_values() + self._part_values(now_ms) + self._counter_values())

    def _clock_values(self):
        values = []
        if self._capture.anchors.second is not None:
            values.append((records.CLOCK_SECOND, self._capture.anchors.second, 0))
        state = self.clock_state()
        if state:
            values.append((records.CLOCK_STATE, state, 0))
        return values

    def _part_values(self, now_ms):
        values = []
        if self._pulses.lend(now_ms):
            self.supply_mv = self._parts.ask("supply", faults.SUPPLY, "read_mv")
            if self.supply_mv is not None:
                values.append((records.SUPPLY_MV, self.supply_mv, 0))
                self.low_minutes = self.low_minutes + 1 if self.supply_mv < self.low_mv else 0
        self.temp_c100 = self._parts.ask("rtc", faults.RTC, "temp_c100") if self._rtc_answers else None
        if self.temp_c100 is not None:
            values.append((records.TEMPERATURE_C100, self.temp_c100, 0))
        return values

    def _counter_values(self):
        values = []
        for tag, value in (
            (records.RING_LOST, self._capture.ring_lost),
            (records.FIFO_DROPS, self._capture.fifo_drops),
            (records.STORE_LOST, self._recorder.lost),
            (records.BAD_REQUESTS, self._bad_requests()),
        ):
            if value != self._told.get(tag, 0):
                self._told[tag] = value
                values.append((tag, value, 0))
        for why, value in enumerate(self._pulses.dropped):
            if value != self._told.get(-why - 1, 0):
                self._told[-why - 1] = value
                values.append((records.PULSES_DROPPED, value, why))
        return values

    # -- the clock chip ------------------------------------------------------------------------------------------

    def read_clock(self, now_ms):
        """Ask the chip where a reading is wanted and would be believed."""
        anchors = self._capture.anchors
        if not (self._check_clock or anchors.wants_reading()) or now_ms < self._rtc_pause_ms:
            return
        before = self._capture.now()
        wait = anchors.window(before)
        if wait or (wait is None and not self._no_wave(before)):
            return
        second = self._parts.ask("rtc", faults.RTC, "read")
        self._rtc_answers = second is not None
        self._check_clock = False
        if second is None:
            self._rtc_pause_ms = now_ms + MINUTE_MS
            return
        self._rtc_stopped = bool(self._parts.ask("rtc", faults.RTC, "stopped"))
        if not anchors.reading(before, second, self._capture.now()):
            self._parts.fault(faults.CLOCK_JUMPED)

    def _no_wave(self, tick):
        """True where SECOND is silent: the chip is then read only to know whether it answers."""
        since = self._capture.anchors.since(tick)
        return (tick if since is None else since) > NO_WAVE_SECONDS * self._capture.anchors.nominal

    def clock_state(self):
        """Bits of tag 51."""
        state = self._capture.anchors.state(self._capture.now(), self._rtc_stopped, self._rtc_answers)
        return state if self._parts.has("rtc") else state | NO_CHIP

    def set_clock(self, second):
        """Set the chip to a second that begins now. Jump in milliseconds, or None where the chip did not take it."""
        old = self._clock_ms()
        if self._parts.ask("rtc", faults.RTC, "set", second) is not True:
            return None
        jump = 0 if old is None else second * 1000 - old
        self._capture.drain()
        self._capture.anchors.lose()
        self._rtc_stopped, self._rtc_answers, self._rtc_pause_ms = False, True, 0
        self._sure_once = False
        self._recorder.moment(self._capture.now(), ((records.CLOCK_SET, jump, 0),))
        return jump

    def _clock_ms(self):
        """The chip's time now: by the last fall where it is known, else to the second, else None."""
        self._capture.drain()
        anchors = self._capture.anchors
        if anchors.second is not None:
            return anchors.second * 1000 + anchors.since(self._capture.now()) * 1000 // anchors.nominal
        second = self._parts.ask("rtc", faults.RTC, "read")
        return None if second is None else second * 1000
