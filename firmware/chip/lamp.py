"""The lamp: one colour, patterns told apart by rhythm. Dark nearly all the time.

It stands beside animals and lenses.
"""

from machine import Pin

# state: (period in ms, then begin and end of each light in it)
PATTERNS = {
    "logging": (6000, (0, 20)),  # one short blink every six seconds
    "fault": (3000, (0, 40), (250, 290)),  # two short blinks: logging, but look at `state`
    "full": (1500, (0, 700)),  # long lights: nothing is being kept
    "stopped": (1500, (0, 700)),
}


def lit(state, now_ms):
    """Whether the lamp is on at that time."""
    pattern = PATTERNS[state]
    at = now_ms % pattern[0]
    for begin, end in pattern[1:]:
        if begin <= at < end:
            return True
    return False


class Lamp:
    def __init__(self, pin):
        self._pin = Pin(pin, Pin.OUT, value=0)

    def show(self, state, now_ms):
        self._pin.value(lit(state, now_ms))
