"""The logger's supply, by a divider on an ADC pin."""

from core.shim import const
from machine import ADC, Pin

_READINGS = const(16)  # averaged: the supply of the ADC is noisy


class Supply:
    """read_mv() in millivolts at the divider's upper end."""

    def __init__(self, pin, upper_ohm, lower_ohm, reference_mv):
        self._adc = ADC(Pin(pin))
        self._full_mv = reference_mv * (upper_ohm + lower_ohm) // lower_ohm

    def read_mv(self):
        total = 0
        for _ in range(_READINGS):
            total += self._adc.read_u16()
        return total // _READINGS * self._full_mv // 65535
