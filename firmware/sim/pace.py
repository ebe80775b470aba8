"""Board time: jumps from event to event while a scene lasts, then follows the wall clock."""

import gc
import sys
import time

from core.shim import const

from sim import scene

_BATCH_NS = const(20000000)  # events of 20 ms are taken in one go, as a board's loop would find them
_WALL_STEP_MS = const(20)
_MILLION = const(1000000)

if sys.implementation.name == "micropython":

    def wall_ms():
        return time.ticks_ms()  # 62 bits here: never wraps
else:

    def wall_ms():
        return time.monotonic_ns() // _MILLION


class BoardReset(BaseException):
    """The scene resets the board: (board time in ns, boot cause). Not an Exception, so no part's guard stops it."""

    def __init__(self, t_ns, cause):
        super().__init__(t_ns, cause)
        self.t_ns = t_ns
        self.cause = cause


class Time:
    """Board time `now_ns` since the scene's start, and ticks since boot. A stamp is that of the first sample at or
    after the moment, so ticks are rounded up."""

    def __init__(self, boot_at_ns, clock_hz, cycles):
        self.boot_at_ns = self.now_ns = boot_at_ns
        up, down = clock_hz, cycles * 1000000000
        while down:
            up, down = down, up % down
        self._up, self._down = clock_hz // up, cycles * 1000000000 // up

    def to_tick(self, t_ns):
        return -((self.boot_at_ns - t_ns) * self._up // self._down)

    def tick(self):
        return (self.now_ns - self.boot_at_ns) * self._up // self._down


class Pace:
    """now_ms(), link_ms(), sleep_until(), heap_free() of the board; plays `events` into `handlers` (by kind).

    handlers[kind](tick, value); speed 0: jump, 1: as the wall clock goes; stream: waited for when there is time;
    say(text): progress lines.
    """

    def __init__(self, board_time, events, handlers, stamper, stream, speed, say):
        self._time = board_time
        self._events = events
        self._handlers = handlers
        self._stamper = stamper
        self._stream = stream
        self._say = say
        self._end_ns = events.header["end_ns"]
        self._percent = -1
        self._ended = False
        self._jumps = speed == 0
        self._base_ns = board_time.now_ns
        self._base_ms = wall_ms()

    def now_ms(self):
        return (self._time.now_ns - self._time.boot_at_ns) // _MILLION

    def link_ms(self):
        """The host lives in wall time, whatever the board's time does."""
        return wall_ms()

    def heap_free(self):
        if not hasattr(gc, "mem_free"):
            return 0
        gc.collect()
        return gc.mem_free()

    def sleep_until(self, due_ms, busy):
        """Let time go on, to `due_ms` at most. busy: an answer is under way, so no time to lose."""
        if busy:
            self._stream.wait_writable(1)
            if self._jumps:
                return
        elif not self._jumps:
            wait = min(due_ms - self.now_ms(), _WALL_STEP_MS)
            if wait > 0:
                self._stream.wait_readable(wait)
        if self._jumps:
            due_ns = due_ms * _MILLION + self._time.boot_at_ns
            to_ns = min(due_ns, self._events.t_ns + _BATCH_NS, self._end_ns)
        else:
            to_ns = self._base_ns + (wall_ms() - self._base_ms) * _MILLION
        self._advance(max(to_ns, self._time.now_ns))

    def stall(self, ms):
        """The loop stands still for so long; the pins do not."""
        self._advance(self._time.now_ns + ms * _MILLION)

    def play(self, changes):
        """Let inputs change that the board drives itself: [(ns from now, bits to set, bits to clear)], sorted."""
        start_ns = self._time.now_ns
        for after_ns, up, down in changes:
            if not self._jumps:
                self._stream.wait_readable(0)
            self._advance(start_ns + after_ns)
            self._stamper.change(self._time.to_tick(start_ns + after_ns), self._stamper.active() & ~down | up)

    def _advance(self, to_ns):
        events = self._events
        while events.t_ns <= to_ns:
            if events.what == scene.RING_LOSS and self._stamper.waiting():
                self._time.now_ns = max(self._time.now_ns, events.t_ns)
                return  # what came before is read before anything is lost
            t_ns, what, value = events.t_ns, events.what, events.value
            events.next()
            if what == scene.RESET:
                raise BoardReset(t_ns, value)
            handler = self._handlers[what] if what < scene.KINDS else None
            if handler is not None:
                handler(self._time.to_tick(t_ns), value)
        self._time.now_ns = to_ns
        self._progress(to_ns)

    def _progress(self, now_ns):
        if self._ended:
            return
        if now_ns >= self._end_ns:
            self._ended = True
            if self._jumps:
                self._jumps = False
                self._base_ns = now_ns
                self._base_ms = wall_ms()
            self._say("scene end")
            return
        percent = now_ns * 100 // self._end_ns
        if percent != self._percent:
            self._percent = percent
            self._say("scene %d" % percent)
