"""What each verb of the link does (FORMAT.md section 5.3).

`logger` is the station: it offers capture, recorder, store, settings and the few actions that verbs ask of it.
A verb either returns its facts as pairs, or a generator of frame lengths (0: nothing yet, call again).
"""

import errno

from core import records, settings
from core.link import DATA_MOST, Refusal
from core.version import FIRMWARE, LINK_VERSION, LOG_VERSION, text

_MOST_NUMBER = 1 << 48


def number(word, least, most):
    """A whole decimal number within bounds, or a refusal."""
    digits = word[1:] if word[:1] == "-" else word
    if not digits.isdigit() or len(digits) > 16 or not least <= int(word) <= most:
        raise Refusal("arguments", "%s is not a whole number from %d to %d" % (word[:20], least, most))
    return int(word)


def _words(arguments, n):
    if len(arguments) != n:
        raise Refusal("arguments", "%d arguments needed, %d given" % (n, len(arguments)))
    return arguments


def _triples(arguments):
    """Arguments three by three; a request line holds eight of these at least."""
    if not arguments or len(arguments) % 3:
        raise Refusal("arguments", "3 arguments needed for each segment, %d given" % len(arguments))
    return [arguments[at : at + 3] for at in range(0, len(arguments), 3)]


class Verbs:
    """answer(ss, verb, arguments) -> generator of frame lengths in `frames.buf`."""

    def __init__(self, logger, frames):
        self._logger = logger
        self._frames = frames
        self._known = {
            "who": self.who,
            "state": self.state,
            "tick": self.tick,
            "commit": self.commit,
            "list": self.list,
            "get": self.get,
            "pulled": self.pulled,
            "host": self.host,
            "note": self.note,
            "clock": self.clock,
            "set": self.set,
            "settings": self.settings,
            "recent": self.recent,
            "shot": self.shot,
            "restart": self.restart,
        }

    def answer(self, ss, verb, arguments):
        """The verb has done its work when this returns; what is left is to send (or, for long answers, to read)."""
        try:
            if verb not in self._known:
                raise Refusal("verb", "no such request: " + verb[:20])
            result = self._known[verb](ss, arguments)
        except Refusal as refusal:
            return self._one(self._frames.refused, ss, refusal.code, refusal.text)
        if isinstance(result, tuple):
            return self._one(self._frames.facts, ss, result)
        return result

    def _one(self, make, *arguments):
        yield make(*arguments)

    # -- facts ---------------------------------------------------------------------------------------------------

    def who(self, _ss, arguments):
        _words(arguments, 0)
        logger = self._logger
        return (
            ("board", logger.identity.board_id.hex()),
            ("firmware", text(FIRMWARE)),
            ("log", LOG_VERSION),
            ("link", LINK_VERSION),
            ("interpreter", logger.identity.interpreter),
            ("interpreter_kind", logger.identity.kind),
            ("boot_id", logger.recorder.boot_id),
            ("boot_no", logger.recorder.boot_no),
            ("clock_hz", logger.capture.clock_hz),
            ("cycles_per_tick", logger.capture.cycles),
            ("channels", logger.capture.channels),
            ("low_mask", logger.capture.low_mask),
            ("wiring_check", logger.wiring_check),
        )

    def state(self, _ss, arguments):
        _words(arguments, 0)
        logger = self._logger
        logger.catch_up()
        recorder, capture, store = logger.recorder, logger.capture, logger.recorder.store
        return (
            ("tick", capture.now()),
            ("levels", capture.levels()),
            ("records", recorder.records),
            ("waiting", recorder.block.n),
            ("ring_lost", capture.ring_lost),
            ("fifo_drops", capture.fifo_drops),
            ("store_lost", recorder.lost),
            ("bad_requests", logger.requests.bad),
            ("segments", len(store.segments)),
            ("unpulled_bytes", store.unpulled_bytes()),
            ("free_bytes", logger.free_bytes()),
            ("nights_left", logger.nights_left()),
            ("store", store.status),
            ("clock_second", capture.anchors.second),
            ("clock_state", logger.readings.clock_state()),
            ("supply_mv", logger.readings.supply_mv),
            ("temp_c100", logger.readings.temp_c100),
            ("faults", list(logger.parts.faults.lines)),
            ("heap_free", logger.heap_free()),
            ("edges", capture.edges()),
            ("still_s", capture.still_s()),
            ("shots_left", logger.shots.left),
            ("inputs", logger.inputs.found()),
            ("pulses", logger.pulses.number if logger.pulses.has() else None),
            ("pulses_dropped", logger.pulses.dropped),
        )

    def tick(self, _ss, arguments):
        _words(arguments, 0)
        return (("tick", self._logger.capture.now()), ("boot_id", self._logger.recorder.boot_id))

    def settings(self, _ss, arguments):
        _words(arguments, 0)
        values = self._logger.settings.values
        return tuple((name, values[name]) for name in sorted(values))

    # -- actions -------------------------------------------------------------------------------------------------

    def commit(self, _ss, arguments):
        _words(arguments, 0)
        if not self._logger.commit_all():
            raise Refusal("store", "the records could not be stored: " + self._logger.recorder.store.status)
        return (("records", self._logger.recorder.records), ("waiting", self._logger.recorder.block.n))

    def host(self, _ss, arguments):
        tick, ms, unc = _words(arguments, 3)
        logger = self._logger
        tick = number(tick, 0, logger.capture.now())
        self._need_logging()
        values = (
            (records.HOST_CLOCK, number(ms, 0, _MOST_NUMBER - 1), 0),
            (records.HOST_UNCERTAINTY, number(unc, 0, _MOST_NUMBER - 1), 0),
        )
        logger.recorder.moment(tick, values, backward=True)
        return (("tick", tick),)

    def note(self, _ss, arguments):
        if len(arguments) == 2:
            arguments = arguments + [""]
        kind, head, note_text = _words(arguments, 3)
        data = note_text.encode()
        if len(data) > 6 * records.NOTE_TEXT_PARTS:
            raise Refusal("arguments", "the text is longer than %d bytes" % (6 * records.NOTE_TEXT_PARTS))
        kind = number(kind, records.NOTE_REFILLED, records.NOTE_FREE_TEXT)
        self._need_logging()
        tick = self._logger.note(kind, number(head, 0, 4), data)
        if not self._logger.commit_all():
            raise Refusal("store", "the note could not be stored: " + self._logger.recorder.store.status)
        return (("tick", tick),)

    def shot(self, _ss, arguments):
        count, gap_ms = _words(arguments, 2)
        count = number(count, 0, 500)
        gap_ms = number(gap_ms, 100 if count else 0, 600000)
        self._need_logging()
        if not self._logger.start_shots(count, gap_ms):
            raise Refusal("busy", "the contact that fires the rig failed")
        return (("shots", count),)

    def _need_logging(self):
        if self._logger.stopped:
            raise Refusal("busy", "logging has ended: restart the board first")

    def clock(self, _ss, arguments):
        self._need_logging()
        second = number(_words(arguments, 1)[0], 1577836800, 4102444799)  # the chip counts years 2000 to 2099
        jump = self._logger.readings.set_clock(second)
        if jump is None:
            raise Refusal("clock", "the clock chip does not take the time: look at its wiring and cell")
        return (("jump_ms", jump),)

    def set(self, ss, arguments):
        name, value = _words(arguments, 2)
        if name not in settings.KNOWN:
            raise Refusal("arguments", "no such setting: " + name[:20])
        least, most = settings.KNOWN[name][:2]
        try:
            self._logger.change_setting(name, number(value, least, most))
        except OSError as error:
            raise Refusal("store", "the setting could not be kept (error %d)" % error.errno)
        return self.settings(ss, [])

    def restart(self, _ss, arguments):
        how = _words(arguments, 1)[0]
        if how not in ("log", "hold"):
            raise Refusal("arguments", "restart takes log or hold")
        self._logger.ask_restart(how)
        return (("restart", how),)

    # -- segments ------------------------------------------------------------------------------------------------

    def list(self, ss, arguments):
        _words(arguments, 0)
        store = self._logger.recorder.store
        rows = b"".join(
            segment.number.to_bytes(4, "little")
            + segment.size.to_bytes(4, "little")
            + bytes((store.state_of(segment), 0, 0, 0))
            for segment in store.segments
        )
        return self._data(ss, len(rows), lambda: _Bytes(rows))

    def get(self, ss, arguments):
        pieces = []
        for word, offset, length in _triples(arguments):
            offset = number(offset, 0, _MOST_NUMBER)
            length = number(length, 0, _MOST_NUMBER)
            segment = self._segment(word)
            pieces.append((segment, offset, max(0, min(length, segment.size - offset))))
        return self._pieces(ss, pieces)

    def recent(self, ss, arguments):
        first = number(_words(arguments, 1)[0], 0, _MOST_NUMBER)
        self._logger.catch_up()
        rows, first, following = self._logger.recorder.recent(first)
        return self._data(ss, len(rows), lambda: _Bytes(rows), (("first", first), ("next", following)))

    def pulled(self, ss, arguments):
        told = []
        for word, size, check in _triples(arguments):
            size, check = number(size, 0, _MOST_NUMBER), number(check, 0, 0xFFFFFFFF)
            segment = self._segment(word)
            if segment is self._logger.recorder.store.growing:
                raise Refusal("growing", "segment %d is still growing" % segment.number)
            told.append((segment, size, check))
        return self._mark(ss, told)

    def _segment(self, word):
        segment = self._logger.recorder.store.find(number(word, 0, 99999999))
        if segment is None:
            raise Refusal("segment", "no segment " + word)
        return segment

    def _pieces(self, ss, pieces):
        """Data and end of each piece; what was sent of a segment from its first byte on is kept for `pulled`."""
        store = self._logger.recorder.store
        more = len(pieces)
        base = 0
        for segment, offset, length in pieces:
            more -= 1
            besides = (("more", more),) if more else ()
            check = yield from self._data(ss, length, lambda: store.open_at(segment, offset), besides, base)
            if check is None:
                return
            base += length
            if not offset:
                segment.sent = (length, check)

    def _data(self, ss, length, opener, besides=(), base=0):
        """Data frames of `length` bytes of what opener() opens, then end; the CRC-32 of them all.

        None where it could not be read: then a refusal has closed the answer. base: bytes of the answer before these.
        """
        frames = self._frames
        at = check = 0
        try:
            file = opener()
        except OSError as error:
            yield frames.refused(ss, "store", "opening failed (error %d)" % error.errno)
            return None
        try:
            while at < length:
                room = frames.data_room(length - at)
                n = file.readinto(room)
                if not n:
                    raise OSError(errno.EIO, "shorter than it was")
                made = frames.data(ss, base + at, n)
                check = frames.joined(check, n)
                yield made
                at += n
            yield frames.end(ss, at, check, besides)
            return check
        except OSError as error:
            yield frames.refused(ss, "store", "reading failed at byte %d (error %d)" % (at, error.errno))
            return None
        finally:
            file.close()

    def _mark(self, ss, told):
        """Mark each segment whose bytes are as told; the first that are not end it with a refusal."""
        frames, store = self._frames, self._logger.recorder.store
        marked = []
        for segment, size, check in told:
            try:
                found = segment.sent
                if found != (size, check):  # not sent whole since the start, or not so: read it again
                    found = (segment.size, 0)
                    for part in store.check_steps(segment, frames.data_room(DATA_MOST)):
                        found = (segment.size, part)
                        yield 0
                if found != (size, check) or size != segment.size:
                    text = "segment %d holds %d bytes with check %d" % (segment.number, segment.size, found[1])
                    yield frames.refused(ss, "mismatch", text)
                    return
                if not segment.pulled:
                    store.mark_pulled(segment)
                marked.append(segment.number)
                yield 0
            except OSError as error:
                yield frames.refused(ss, "store", "segment %d: error %d" % (segment.number, error.errno))
                return
        yield frames.facts(ss, (("marked", marked),))


class _Bytes:
    """Bytes that can be read like a file."""

    def __init__(self, data):
        self._data = data
        self._at = 0

    def readinto(self, room):
        n = min(len(room), len(self._data) - self._at)
        room[:n] = self._data[self._at : self._at + n]
        self._at += n
        return n

    def close(self):
        pass
