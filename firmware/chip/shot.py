"""SHOT: closes an optocoupler that fires the rig, for measurements on the bench.

Open drain, low to fire: like every input it rests high, so that a plain jumper shows the shot to BEAM2 the right way
round, and a hand button may stand in parallel.
"""

from time import sleep_ms

from machine import Pin


class Shot:
    """fire() waits for the whole pulse, so that nothing can leave the contact closed; the stamper goes on meanwhile."""

    def __init__(self, pin, width_ms):
        self._pin = Pin(pin, Pin.OPEN_DRAIN, Pin.PULL_UP, value=1)
        self._width_ms = width_ms

    def fire(self):
        self._pin.value(0)
        try:
            sleep_ms(self._width_ms)
        finally:
            self._pin.value(1)
        return True
