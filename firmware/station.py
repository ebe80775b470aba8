"""The loop: drain, read the clock, minute, commit, answer, feed, sleep. Every part is handed in.

Parts (the same names in chip/ and sim/), each with the methods named here:
  stamper   see core/capture.py                       rtc       read() -> Unix second, stopped() -> bool, set(second),
  supply    read_mv()                                           temp_c100(); OSError where the chip does not answer
  button    pressed() -> once True for each press     lamp      show(state, now_ms)
  watchdog  feed()                                    stream    read() -> bytes, write(view) -> bytes taken
  pace      now_ms(), link_ms(), sleep_until(ms, busy), heap_free()
A part that fails is noted as a fault and, where it fails otherwise than by OSError, dropped; the loop goes on.
"""

from core import faults, records
from core import store as store_states
from core.anchors import NO_CHIP
from core.capture import Capture
from core.commit_policy import CommitPolicy
from core.faults import FaultList
from core.link import Frames, Refusal, RequestReader, Sender
from core.recorder import Recorder
from core.verbs import Verbs
from core.version import FIRMWARE, packed

MINUTE_MS = 60000
HOUR_MS = 3600000
FIRST_MINUTE_MS = 5000  # without a sure second the first readings are written this long after boot
FALL_WAIT_MS = 3000  # a minute record waits this long for a falling edge of SECOND
PUMP_STEPS = 24  # link steps in one pass at most: about 12 frames, some 20 ms of a USB link
SUPPLY_MINUTES = 3  # readings in a row below the limit before logging ends
LINK_DRAIN_MS = 2000  # time for the last answer to leave before a restart
SILENT_PERIODS = 2  # counter periods without a word: the stamper is dead


class Identity:
    """Who this board is: id (at most 12 bytes), interpreter text, kind (tag 47) and version triple."""

    def __init__(self, board_id, interpreter, kind, version):
        self.board_id = board_id[:12]
        self.interpreter = interpreter
        self.kind = kind
        self.version = version


def _number_of(error):
    """Error number of an OSError, 0 of anything else (the board's other exceptions put their text there)."""
    return error.errno or 0 if isinstance(error, OSError) else 0


def fault_value(number, detail):
    """Tag 78: number in bits 0..15, detail in 16..47."""
    return records.FAULT, number | (detail & 0xFFFFFFFF) << 16, 0


class Station:
    """run() logs until a restart is asked for and returns "log" or "hold"; see the module text for the parts.

    boot_id: random, not 0. cause: tag 42. wiring_check: names of inputs that looked unwired at boot.
    """

    def __init__(self, parts, identity, settings, store, boot_id, cause, wiring_check=()):
        for name in ("stamper", "rtc", "supply", "button", "lamp", "watchdog", "stream", "pace"):
            setattr(self, name, parts[name])
        self.board_id = identity.board_id
        self.interpreter = identity.interpreter
        self.interpreter_kind = identity.kind
        self.settings = settings
        self.wiring_check = list(wiring_check)
        self.faults = FaultList()
        self.capture = Capture(
            self.stamper, settings["channels"], settings["low_mask"], settings["chatter_limit"]
        )
        self.policy = CommitPolicy(settings["commit_s"] * 1000)
        facts = self._boot_facts(identity, cause, store.last_boot_no + 1)
        self.recorder = Recorder(
            store, self.policy, boot_id, store.last_boot_no + 1, facts, self.capture.levels, self._feed
        )
        self.capture.recorder = self.recorder
        self._facts = facts
        self.requests = RequestReader()
        self._frames = Frames()
        self._sender = Sender(self.stream, self._frames)
        self._verbs = Verbs(self, self._frames)
        self._start_state(store)

    def _start_state(self, store):
        now_ms = self.pace.now_ms()
        self.supply_mv = self.temp_c100 = None
        self._rtc_stopped = False
        self._rtc_answers = True
        self._rtc_pause_ms = 0
        self._check_clock = False
        self._boot_ms = now_ms
        self._minute_ms = now_ms + FIRST_MINUTE_MS
        self._hour_ms = now_ms
        self._sure_once = False
        self._minute_armed = False
        self._store_fault = None  # trouble of the store that is not yet in the log
        self._told = {}  # counter tag -> value last written
        self._low_supply = 0
        self._restart = None
        self._restart_ms = 0
        self.stopped = 0
        self._nights_ms = None
        self._free = 0
        if store.torn is not None:
            self.fault(faults.SEGMENT_TAIL, store.torn)
        for number, detail in self.settings.problems:
            self.fault(number, detail)

    def _boot_facts(self, identity, cause, boot_no):
        facts = [
            (records.BOOT_NUMBER, boot_no, 0),
            (records.BOOT_CAUSE, cause, 0),
            (records.CYCLES_PER_TICK, self.capture.cycles, 0),
            (records.CLOCK_HZ, self.capture.clock_hz, 0),
            (records.LOW_MASK, self.capture.low_mask, 0),
            (records.CHANNEL_MASK, self.capture.channels, 0),
            (records.FIRMWARE, packed(FIRMWARE), 0),
            (records.INTERPRETER_VERSION, packed(identity.version), 0),
            (records.INTERPRETER, identity.kind, 0),
        ]
        for part, value in enumerate(records.text_parts(identity.board_id, 2)):
            facts.append((records.BOARD_ID, value, part))
        facts.append((records.SETTINGS_CHECK, self.settings.check(), 0))
        return facts

    # -- the loop ------------------------------------------------------------------------------------------------

    def run(self, healthy_ms=0, healthy=None):
        """Log until a restart is asked for. KeyboardInterrupt ends logging in order and goes on to the caller.

        healthy() is called once, healthy_ms after the start.
        """
        try:
            while not self._restart_due():
                self.step()
                if healthy and self.pace.now_ms() - self._boot_ms > healthy_ms:
                    healthy()
                    healthy = None
        except KeyboardInterrupt:
            self.stop(records.STOP_ASKED)
            raise
        return self._restart

    def step(self):
        """One pass of the loop."""
        now_ms = self.pace.now_ms()
        self._serve()
        if not self.stopped:
            self._stamp(now_ms)
        self._ask("lamp", faults.LAMP, "show", self._lamp_state(), now_ms)
        self._feed()
        self.pace.sleep_until(self._due_ms(now_ms), self._sender.busy())

    def _stamp(self, now_ms):
        """Drain, and whatever is due of clock, button, minute, hour, faults and commit."""
        self._minute_or_drain(now_ms)
        self._read_clock(now_ms)
        if self._ask("button", faults.BUTTON, "pressed"):
            self.note(records.NOTE_BUTTON, 0, b"")
        if now_ms >= self._hour_ms:
            self._hour_ms = now_ms + HOUR_MS
            self._moment_now(((records.HEAP_FREE, self.pace.heap_free(), 0),))
        self._look_at_stamper()
        self._write_faults()
        waiting = self.recorder.block.n
        self.policy.saw(waiting, now_ms)
        if self.policy.due(waiting, now_ms):
            self.recorder.commit()
            self.policy.saw(0, now_ms)
            self._look_at_store()

    def _due_ms(self, now_ms):
        """When the loop has to run again at the latest, as far as the board itself knows."""
        due = min(self._minute_ms, self._hour_ms)
        commit = self.policy.due_ms()
        if commit is not None and commit < due:
            due = commit
        if now_ms >= self._minute_ms:
            due = now_ms + 1 + self._ms_to_fall()
        elif self.capture.anchors.wants_reading() or self._check_clock:
            wait = self.capture.anchors.window(self.capture.now())
            due = min(due, now_ms + (100 if wait is None else 1 + wait // (self.capture.anchors.nominal // 1000)))
        elif self.capture.anchors.second is None:
            due = min(due, now_ms + 500)
        return max(due, now_ms)

    def _ms_to_fall(self):
        anchors = self.capture.anchors
        since = anchors.since(self.capture.now())
        if since is None or since >= anchors.nominal:
            return 100
        return (anchors.nominal - since) // (anchors.nominal // 1000) + 1

    def _restart_due(self):
        if self._restart is None:
            return False
        return not self._sender.busy() or self.pace.link_ms() - self._restart_ms > LINK_DRAIN_MS

    # -- clock and minute ----------------------------------------------------------------------------------------

    def _minute_or_drain(self, now_ms):
        """Drain; at the first fall after a minute is due, or after waiting for one in vain, write its records."""
        anchors = self.capture.anchors
        if not self._sure_once and anchors.second is not None:
            self._sure_once = True
            self._minute_ms = now_ms
        if now_ms < self._minute_ms or not self._minute_armed:
            self.capture.drain()
            self._minute_armed = now_ms >= self._minute_ms  # from here on the next fall is a fall of now
            return
        if self.capture.drain(stop_at_fall=True):
            self._minute(anchors.tick(), now_ms)
            self.capture.drain()
        elif now_ms - self._minute_ms >= FALL_WAIT_MS:
            self._minute(self.capture.now(), now_ms)

    def _minute(self, tick, now_ms):
        self._minute_ms = max(self._minute_ms + MINUTE_MS, now_ms + 1000)
        self._minute_armed = False
        self._check_clock = True
        values = []
        if self.capture.anchors.second is not None:
            values.append((records.CLOCK_SECOND, self.capture.anchors.second, 0))
        state = self.clock_state()
        if state:
            values.append((records.CLOCK_STATE, state, 0))
        self.supply_mv = self._ask("supply", faults.SUPPLY, "read_mv")
        if self.supply_mv is not None:
            values.append((records.SUPPLY_MV, self.supply_mv, 0))
        self.temp_c100 = self._ask("rtc", faults.RTC, "temp_c100") if self._rtc_answers else None
        if self.temp_c100 is not None:
            values.append((records.TEMPERATURE_C100, self.temp_c100, 0))
        for tag, value in (
            (records.RING_LOST, self.capture.ring_lost),
            (records.FIFO_DROPS, self.capture.fifo_drops),
            (records.STORE_LOST, self.recorder.lost),
            (records.BAD_REQUESTS, self.requests.bad),
        ):
            if value != self._told.get(tag, 0):
                self._told[tag] = value
                values.append((tag, value, 0))
        self.recorder.moment(tick, values)
        self._look_at_supply()

    def _read_clock(self, now_ms):
        """Ask the clock chip where a reading is wanted and would be believed."""
        anchors = self.capture.anchors
        if not (self._check_clock or anchors.wants_reading()) or now_ms < self._rtc_pause_ms:
            return
        before = self.capture.now()
        wave = anchors.window(before)
        if wave is None and not self._no_wave(before):
            return
        if wave:
            return
        second = self._ask("rtc", faults.RTC, "read")
        self._rtc_answers = second is not None
        self._check_clock = False
        if second is None:
            self._rtc_pause_ms = now_ms + MINUTE_MS
            return
        self._rtc_stopped = bool(self._ask("rtc", faults.RTC, "stopped"))
        if not anchors.reading(before, second, self.capture.now()):
            self.fault(faults.CLOCK_JUMPED, 0)

    def _no_wave(self, tick):
        """True where SECOND is silent: the chip is then read only to know whether it answers."""
        since = self.capture.anchors.since(tick)
        return tick > 3 * self.capture.anchors.nominal if since is None else since > 3 * self.capture.anchors.nominal

    def clock_state(self):
        state = self.capture.anchors.state(self.capture.now(), self._rtc_stopped, self._rtc_answers)
        return state | (NO_CHIP if self.rtc is None else 0)

    def set_clock(self, second):
        """Set the chip to a second that begins now; returns the jump in milliseconds."""
        old = self._clock_ms()
        if self.rtc is None:
            raise Refusal("clock", "no clock chip answers")
        try:
            self.rtc.set(second)
        except OSError:
            raise Refusal("clock", "the clock chip does not take the time")
        jump = 0 if old is None else second * 1000 - old
        self.capture.drain()
        self.capture.anchors.lose()
        self._rtc_stopped, self._rtc_answers, self._rtc_pause_ms = False, True, 0
        self._sure_once = False
        self.recorder.moment(self.capture.now(), ((records.CLOCK_SET, jump, 0),))
        return jump

    def _clock_ms(self):
        """The chip's time now: by the last fall where it is known, else to the second, else None."""
        anchors = self.capture.anchors
        if anchors.second is not None:
            return anchors.second * 1000 + anchors.since(self.capture.now()) * 1000 // anchors.nominal
        second = self._ask("rtc", faults.RTC, "read")
        return None if second is None else second * 1000

    # -- what verbs and the loop ask for -------------------------------------------------------------------------

    def _moment_now(self, values):
        """A moment at now, after every edge up to now."""
        now = self.capture.now()
        self.capture.drain()
        return self.recorder.moment(now, values)

    def note(self, kind, head, data):
        """Write a note at now; returns its tick."""
        values = [(records.NOTE, kind, head)]
        for part, value in enumerate(records.text_parts(data, records.NOTE_TEXT_PARTS)):
            values.append((records.NOTE_TEXT, value, part))
        return self._moment_now(values)

    def catch_up(self):
        """Read all that the stamper has seen up to now."""
        if not self.stopped:
            self.capture.drain()

    def commit_all(self):
        """Drain and commit; False where the store did not take it."""
        self.catch_up()
        safe = self.recorder.commit()
        self.policy.saw(0, 0)
        self._look_at_store()
        return safe

    def stop(self, why):
        """End logging in order (tag 7B)."""
        if not self.stopped:
            self._moment_now(((records.STOP, why, 0),))
            self.commit_all()
            self.stopped = why
            self.recorder.store.close()

    def ask_restart(self, how):
        self.stop(records.STOP_ASKED)
        self._restart = how
        self._restart_ms = self.pace.link_ms()

    def change_setting(self, name, value):
        """Keep a setting and use it at once where it can be. OSError where it cannot be kept."""
        self.settings.change(name, value)
        self._facts[-1] = (records.SETTINGS_CHECK, self.settings.check(), 0)
        self.capture.unroller.set_limit(self.settings["chatter_limit"])
        self.policy.wait_ms = self.settings["commit_s"] * 1000
        if not self.stopped:
            self._moment_now((self._facts[-1],))

    def heap_free(self):
        return self.pace.heap_free()

    def free_bytes(self):
        """As the store says, asked once a minute at most: it walks the whole file system."""
        now_ms = self.pace.now_ms()
        key = (now_ms // MINUTE_MS, len(self.recorder.store.segments), self.recorder.store.unpulled_bytes())
        if key != self._nights_ms:
            self._nights_ms = key
            self._free = self.recorder.store.free_bytes()
        return self._free

    def nights_left(self):
        """Nights that still fit, one decimal."""
        self.free_bytes()
        up_ms = self.pace.now_ms() - self._boot_ms
        measured = self.recorder.stored_bytes * 12 * HOUR_MS // up_ms if up_ms > 2 * HOUR_MS else 0
        return self.recorder.store.nights_left_tenths(self._free, measured) / 10

    # -- link ----------------------------------------------------------------------------------------------------

    def _serve(self):
        """Take requests and send what the host takes. A fault in an answer ends that answer, not the link."""
        now_ms = self.pace.link_ms()
        try:
            data = self.stream.read()
            if data:
                for ss, verb, arguments in self.requests.feed(data):
                    self._sender.start(self._answer(ss, verb, arguments), now_ms)
            for _ in range(PUMP_STEPS):
                if not self._sender.pump(now_ms):
                    break
        except Exception as error:  # a bug in a verb must not stop the logging
            self.fault(faults.LINK, _number_of(error))
            self._sender.drop()

    def _answer(self, ss, verb, arguments):
        try:
            return self._verbs.answer(ss, verb, arguments)
        except Exception as error:  # a bug in a verb: the host is told, the logging goes on
            self.fault(faults.LINK, _number_of(error))
            return self._failed(ss)

    def _failed(self, ss):
        yield self._frames.refused(ss, "busy", "the board failed in this request; its state may tell why")

    # -- parts that fail -----------------------------------------------------------------------------------------

    def fault(self, number, detail=0):
        self.faults.add(number, detail, self.pace.now_ms())

    def _ask(self, name, number, method, *arguments):
        """What the part answers; None where it is gone or fails."""
        part = getattr(self, name)
        if part is None:
            return None
        try:
            return getattr(part, method)(*arguments)
        except OSError as error:
            self.fault(number, _number_of(error))
        except Exception:  # a bug or a broken driver: the rest goes on without this part
            self.fault(number)
            setattr(self, name, None)
        return None

    def _write_faults(self):
        waiting = self.faults.waiting
        while waiting:
            number, detail = waiting.pop(0)
            self._moment_now((fault_value(number, detail),))

    def _look_at_stamper(self):
        """Each counter period makes a word: none for two of them means that the stamper is dead."""
        silent = self.capture.now() - self.capture.unroller.tick()
        if silent > SILENT_PERIODS << 24:
            self.fault(faults.STAMPER_SILENT)
        if self.capture.late:
            self.fault(faults.STAMPER_LATE, self.capture.late)

    def _look_at_store(self):
        """After each commit. A fault of the store can be written only once it works again, with what was lost."""
        store = self.recorder.store
        if store.status != store_states.OK:
            full = store.status == store_states.FULL
            self._store_fault = (faults.STORE_FULL, 0) if full else (faults.STORE, store.error)
            self.faults.add(self._store_fault[0], self._store_fault[1], self.pace.now_ms(), write=False)
        elif self._store_fault is not None:
            fault, self._store_fault = self._store_fault, None
            self._told[records.STORE_LOST] = self.recorder.lost
            self._moment_now((fault_value(*fault), (records.STORE_LOST, self.recorder.lost, 0)))

    def _look_at_supply(self):
        limit = self.settings["stop_below_mv"]
        if limit and self.supply_mv is not None and self.supply_mv < limit:
            self._low_supply += 1
            if self._low_supply >= SUPPLY_MINUTES:
                self.stop(records.STOP_SUPPLY_LOW)
        else:
            self._low_supply = 0

    def _feed(self):
        self._ask("watchdog", faults.WATCHDOG, "feed")

    def _lamp_state(self):
        status = self.recorder.store.status
        if self.stopped:
            return "stopped"
        if status != store_states.OK:
            return "full" if status == store_states.FULL else "fault"
        return "fault" if self.faults.lines else "logging"
