"""Time and rest on the board. Plain sleeping only: light sleep would stop PIO and DMA."""

import gc
from time import sleep_ms, ticks_diff, ticks_ms

from core.shim import const

_COLLECT_PASSES = const(25)  # often and early: a collection then is short
_COLLECT_LATE = const(40)  # while the host asks, or something is due, it waits for a pause, but not longer than this
_COLLECT_QUIET = const(5)  # passes without a request: the host has paused
_COLLECT_MS = const(40)  # longest collection


class Pace:
    """now_ms() counts on where ticks_ms() wraps; it must be asked at least every 6 days.

    rest(ms) ends early, with True, where a request arrives: the host then does not wait out the pause for each of its
    questions.
    """

    def __init__(self, pause_ms, rest=sleep_ms):
        self._pause_ms = pause_ms
        self._rest = rest
        self._last = ticks_ms()
        self._ms = 0
        self._passes = self._quiet = 0

    def now_ms(self):
        now = ticks_ms()
        self._ms += ticks_diff(now, self._last)
        self._last = now
        return self._ms

    link_ms = now_ms

    def heap_free(self):
        return gc.mem_free()

    def sleep_until(self, due_ms, busy):
        self._passes += 1
        self._quiet = 0 if busy else self._quiet + 1
        pause = self._quiet >= _COLLECT_QUIET and due_ms - self.now_ms() > _COLLECT_MS
        if self._passes >= (_COLLECT_PASSES if pause else _COLLECT_LATE):
            self._passes = 0
            gc.collect()
        wait = min(self._pause_ms, due_ms - self.now_ms())
        if wait > 0 and not busy and self._rest(wait):
            self._quiet = 0
