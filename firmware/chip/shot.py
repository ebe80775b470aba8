"""SHOT: closes an optocoupler that fires the rig, for measurements on the bench."""

from time import sleep_ms

from machine import Pin


class Shot:
    """fire() waits for the whole pulse, so that nothing can leave the contact closed; the stamper goes on meanwhile."""

    def __init__(self, pin, width_ms):
        self._pin = Pin(pin, Pin.OUT, value=0)
        self._width_ms = width_ms

    def fire(self):
        self._pin.value(1)
        try:
            sleep_ms(self._width_ms)
        finally:
            self._pin.value(0)
        return True
