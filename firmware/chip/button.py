"""The note button: to ground, debounced by two looks at least 30 ms apart."""

from time import ticks_diff, ticks_ms

from core.shim import const
from machine import Pin

_SETTLE_MS = const(30)


class Button:
    def __init__(self, pin):
        self._pin = Pin(pin, Pin.IN, Pin.PULL_UP)
        self._down = False
        self._changed_ms = None

    def pressed(self):
        """True once for each press that lasts."""
        down = not self._pin.value()
        if down == self._down:
            self._changed_ms = None
            return False
        now_ms = ticks_ms()
        if self._changed_ms is None:
            self._changed_ms = now_ms
        if ticks_diff(now_ms, self._changed_ms) < _SETTLE_MS:
            return False
        self._down = down
        self._changed_ms = None
        return down
