"""The loop: answer, drain, minute, note, commit, feed, sleep. Every part is handed in.

Parts by name (the same in chip/ and sim/), each with the methods named here:
  stamper   see core/capture.py                       rtc       read() -> Unix second, stopped() -> bool, temp_c100(),
  supply    read_mv()                                           set(second) -> True; OSError where it does not answer
  button    pressed() -> once True for each press     lamp      show(state, now_ms)
  shot      fire() -> True, after the pulse
  watchdog  feed()                                    stream    read() -> bytes, write(view) -> bytes taken
  pulse     see core/pulse_watch.py
  pace      now_ms(), link_ms(), sleep_until(ms, busy), heap_free()
"""

from core import faults, records
from core import store as store_states
from core.capture import Capture
from core.commit_policy import CommitPolicy
from core.inputs import InputWatch
from core.link import Frames, RequestReader, Sender
from core.parts import Parts, error_number
from core.pulse_watch import PulseWatch
from core.readings import MINUTE_MS, SUPPLY_MINUTES, Readings
from core.recorder import Recorder
from core.shots import Shots
from core.verbs import Verbs
from core.version import FIRMWARE, packed
from wiring import CHANNELS

HOUR_MS = 3600000
PUMP_STEPS = 20  # link steps in one pass at most: about 10 frames, some 70 ms of a USB link
PUMP_MS = 70  # and so long, where steps are slow
LINK_DRAIN_MS = 2000  # time for the last answer to leave before a restart
SILENT_PERIODS = 2  # counter periods without a word: the stamper is dead
PUT_OFF_STEP_MS = 10
IDLE_MS = 1000  # between passes after logging has ended: nothing is due any more
NIGHT_HOURS = 12  # a night's length where its size is worked out from the hours so far


class Identity:
    """Who this board is: id (at most 12 bytes), interpreter text, kind (tag 47) and version triple."""

    def __init__(self, board_id, interpreter, kind, version):
        self.board_id = board_id[:12]
        self.interpreter = interpreter
        self.kind = kind
        self.version = version


def boot_facts(identity, capture, settings, cause, boot_no):
    """Values of the boot statement, (tag, value, index) in their order."""
    facts = [
        (records.BOOT_NUMBER, boot_no, 0),
        (records.BOOT_CAUSE, cause, 0),
        (records.CYCLES_PER_TICK, capture.cycles, 0),
        (records.CLOCK_HZ, capture.clock_hz, 0),
        (records.LOW_MASK, capture.low_mask, 0),
        (records.CHANNEL_MASK, capture.channels, 0),
        (records.FIRMWARE, packed(FIRMWARE), 0),
        (records.INTERPRETER_VERSION, packed(identity.version), 0),
        (records.INTERPRETER, identity.kind, 0),
    ]
    for part, value in enumerate(records.text_parts(identity.board_id, 2)):
        facts.append((records.BOARD_ID, value, part))
    facts.append((records.SETTINGS_CHECK, settings.check(), 0))
    return facts


def fault_value(number, detail):
    """Tag 78: number in bits 0..15, detail in 16..47."""
    return records.FAULT, number | (detail & 0xFFFFFFFF) << 16, 0


class Station:
    """run() logs until a restart is asked for and returns "log" or "hold"; see the module text for the parts.

    boot_id: random, not 0. cause: tag 42. wiring_check: names of inputs that looked unwired at boot.
    """

    def __init__(self, parts, identity, settings, store, boot_id, cause, wiring_check=()):
        self.identity = identity
        self.settings = settings
        self.wiring_check = list(wiring_check)
        self.parts = Parts(parts)
        self.pace = parts["pace"]
        self._stream = parts["stream"]
        self.capture = Capture(parts["stamper"], settings["channels"], settings["low_mask"], settings["chatter_limit"])
        self._policy = CommitPolicy(settings["commit_s"] * 1000)
        boot_no = store.last_boot_no + 1
        self._facts = boot_facts(identity, self.capture, settings, cause, boot_no)
        levels = self.capture.levels
        hooks = (self._commit_begins, lambda: self.pulses.commit_ended())
        self.recorder = Recorder(store, self._policy, boot_id, boot_no, self._facts, levels, *hooks)
        self.capture.recorder = self.recorder
        self.pulses = PulseWatch(self.parts, self.capture, self.recorder, settings)
        self.requests = RequestReader()
        self._frames = Frames()
        self._sender = Sender(self._stream, self._frames)
        self._verbs = Verbs(self, self._frames)
        self.readings = Readings(self.parts, self.capture, self.recorder, lambda: self.requests.bad, self.pulses)
        self.readings.low_mv = settings["stop_below_mv"]
        self.inputs = InputWatch(self.capture, sum(1 << CHANNELS.index(name) for name in self.wiring_check))
        self._boot_ms = self._hour_ms = self.pace.now_ms()
        self._store_fault = None  # trouble of the store that is not yet in the log
        self._put_off_ms = None  # when to look again at a commit that waits for a light
        self._restart = None  # how, once asked for
        self._restart_ms = 0
        self.shots = Shots()
        self.stopped = 0  # why logging ended (tag 7B)
        self._free = (None, 0)  # (when and at which contents, free bytes)
        if store.torn is not None:
            self.parts.fault(faults.SEGMENT_TAIL, store.torn)
        for number, detail in settings.problems:
            self.parts.fault(number, detail)

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
        self.parts.ask("lamp", faults.LAMP, "show", self._lamp_state(), now_ms)
        self._feed()
        self.pace.sleep_until(now_ms + IDLE_MS if self.stopped else self._due_ms(now_ms), self._sender.busy())

    def _stamp(self, now_ms):
        """Drain, and whatever is due of clock, button, minute, hour, faults and commit."""
        self.readings.drain_or_minute(now_ms)
        if now_ms >= self.inputs.due_ms:
            for number, detail in self.inputs.look(now_ms):
                self._moment_now((fault_value(number, detail),))
        self.pulses.step(now_ms)
        self.readings.read_clock(now_ms)
        if self.parts.ask("button", faults.BUTTON, "pressed"):
            self.note(records.NOTE_BUTTON, 0, b"")
        self._fire_if_due(now_ms)
        if now_ms >= self._hour_ms:
            self._hour_ms = now_ms + HOUR_MS
            self._moment_now(self._hour_values())
        if self.readings.low_minutes >= SUPPLY_MINUTES:
            self.stop(records.STOP_SUPPLY_LOW)
            return
        self._look_at_stamper()
        self._write_faults()
        waiting = self.recorder.block.n
        self._policy.saw(waiting, now_ms)
        self._put_off_ms = None
        if self._policy.due(waiting, now_ms):
            if waiting < self._policy.records and self.pulses.puts_off(now_ms):
                self._put_off_ms = now_ms + PUT_OFF_STEP_MS
                return
            self.recorder.commit()
            self._policy.saw(0, now_ms)
            self._look_at_store()

    def _hour_values(self):
        values = ((records.HEAP_FREE, self.pace.heap_free(), 0),)
        return values + ((records.PULSE_BLIND_US, self.pulses.blind_us(), 0),) if self.pulses.has() else values

    def _due_ms(self, now_ms):
        """When the loop has to run again at the latest, as far as the board itself knows."""
        due = min(self._hour_ms, self.readings.due_ms(now_ms))
        commit = self._put_off_ms or self._policy.due_ms()
        for other in (commit, self.shots.due_ms, self.pulses.due_ms):
            if other is not None:
                due = min(due, other)
        return max(due, now_ms)

    def _restart_due(self):
        if self._restart is None:
            return False
        return not self._sender.busy() or self.pace.link_ms() - self._restart_ms > LINK_DRAIN_MS

    def _commit_begins(self):
        self._feed()
        self.pulses.commit_begins()

    def _feed(self):
        self.parts.ask("watchdog", faults.WATCHDOG, "feed")

    def _lamp_state(self):
        status = self.recorder.store.status
        if self.stopped:
            return "stopped"
        if status != store_states.OK:
            return "full" if status == store_states.FULL else "fault"
        return "fault" if self.parts.faults.lines or self.inputs.wrong else "logging"

    # -- link ----------------------------------------------------------------------------------------------------

    def _serve(self):
        """Take requests and send what the host takes. A fault in an answer ends that answer, not the link."""
        now_ms = self.pace.link_ms()
        try:
            data = self._stream.read()
            if data:
                for ss, verb, arguments in self.requests.feed(data):
                    self._sender.start(self._answer(ss, verb, arguments), now_ms)
            for _ in range(PUMP_STEPS):
                if not self._sender.pump(now_ms) or self.pace.link_ms() - now_ms > PUMP_MS:
                    break
        except Exception as error:  # whatever the link does, the logging goes on
            self.parts.fault(faults.LINK, error_number(error))
            self._sender.drop()

    def _answer(self, ss, verb, arguments):
        try:
            return self._verbs.answer(ss, verb, arguments)
        except Exception as error:  # a bug in a verb: the host is told
            self.parts.fault(faults.LINK, error_number(error))
            return self._failed(ss)

    def _failed(self, ss):
        yield self._frames.refused(ss, "busy", "the board failed in this request; its state may tell why")

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

    def start_shots(self, count, gap_ms):
        """Begin a series, the first at once. False where the contact fails."""
        self.shots.begin(count, gap_ms, self.pace.now_ms())
        self.inputs.bench = True
        return self._fire_if_due(self.pace.now_ms())

    def _fire_if_due(self, now_ms):
        number = self.shots.due(now_ms)
        if number:
            self.pulses.shot(now_ms)
            self._moment_now(((records.SHOT, number, 0),))
            if self.parts.ask("shot", faults.SHOT, "fire") is not True:
                self.shots.end()
                return False
        return True

    def catch_up(self):
        """Read all that the stamper has seen up to now."""
        if not self.stopped:
            self.capture.drain()

    def commit_all(self):
        """Drain and commit; False where the store did not take it."""
        self.catch_up()
        safe = self.recorder.commit()
        self._policy.saw(0, 0)
        self._look_at_store()
        return safe

    def stop(self, why):
        """End logging in order (tag 7B)."""
        if not self.stopped:
            self._moment_now(((records.STOP, why, 0),))
            self.commit_all()
            self.stopped = why
            self.shots.end()
            self.pulses.end()
            self.recorder.store.close()

    def ask_restart(self, how):
        """Stop, let the answer leave, then run() returns `how`."""
        self.stop(records.STOP_ASKED)
        self._restart = how
        self._restart_ms = self.pace.link_ms()

    def change_setting(self, name, value):
        """Keep a setting and use it at once where it can be. OSError where it cannot be kept."""
        self.settings.change(name, value)
        self._facts[-1] = (records.SETTINGS_CHECK, self.settings.check(), 0)
        self.capture.unroller.set_limit(self.settings["chatter_limit"])
        self._policy.wait_ms = self.settings["commit_s"] * 1000
        self.readings.low_mv = self.settings["stop_below_mv"]
        if name == "pulse_kb":
            self.pulses.limit_changed()
        if not self.stopped:
            self._moment_now((self._facts[-1],))

    def heap_free(self):
        return self.pace.heap_free()

    def free_bytes(self):
        """As the store says, asked once a minute at most: it walks the whole file system."""
        store = self.recorder.store
        key = (self.pace.now_ms() // MINUTE_MS, len(store.segments), store.unpulled_bytes())
        if key != self._free[0]:
            self._free = (key, store.free_bytes())
        return self._free[1]

    def nights_left(self):
        """Nights that still fit, one decimal; by the hours so far once there are enough of them."""
        up_ms = self.pace.now_ms() - self._boot_ms
        measured = self.recorder.stored_bytes * NIGHT_HOURS * HOUR_MS // up_ms if up_ms > 2 * HOUR_MS else 0
        if self.pulses.has():
            measured = max(measured, store_states.NIGHT_BYTES + 1000 * self.settings["pulse_kb"])
        return self.recorder.store.nights_left_tenths(self.free_bytes(), measured) / 10

    # -- faults --------------------------------------------------------------------------------------------------

    def _write_faults(self):
        waiting = self.parts.faults.waiting
        while waiting:
            self._moment_now((fault_value(*waiting.pop(0)),))

    def _look_at_stamper(self):
        """Each counter period makes a word: none for two of them means that the stamper is dead."""
        if self.capture.now() - self.capture.unroller.tick() > SILENT_PERIODS << 24:
            self.parts.fault(faults.STAMPER_SILENT)
        if self.capture.late:
            self.parts.fault(faults.STAMPER_LATE, self.capture.late)

    def _look_at_store(self):
        """After each commit. A fault of the store can be written only once it works again, with what was lost."""
        store = self.recorder.store
        if store.status != store_states.OK:
            full = store.status == store_states.FULL
            self._store_fault = (faults.STORE_FULL, 0) if full else (faults.STORE, store.error)
            self.parts.fault(*self._store_fault, write=False)
        elif self._store_fault is not None:
            fault, self._store_fault = self._store_fault, None
            lost = self.recorder.lost
            self.readings.told(records.STORE_LOST, lost)
            self._moment_now((fault_value(*fault), (records.STORE_LOST, lost, 0)))
