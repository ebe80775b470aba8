"""The clock chip on the scene's clock: the same methods as chip/rtc.py."""

import errno

from core.anchors import NO_CHIP, NO_WAVE, OSCILLATOR_STOPPED

from sim import scene


class Rtc:
    """State bits of tag 51 come from the scene; setting the chip clears the one for an oscillator that had stopped."""

    def __init__(self, time, wave, stamper):
        self._time = time
        self._wave = wave
        self._stamper = stamper
        self._temp_c100 = 2000
        self._ahead_s = 0  # what its registers hold, less what its wave has counted
        self._state = 0 if wave.ever else NO_CHIP | NO_WAVE

    def scene_state(self, tick, bits):
        self._state = bits
        self._stamper.wave_off(tick, bool(bits & NO_WAVE))

    def scene_ahead(self, _tick, value):
        self._ahead_s = scene.signed(value)

    def scene_temperature(self, c100):
        self._temp_c100 = c100

    def _need_chip(self):
        if self._state & NO_CHIP:
            raise OSError(errno.EIO, "no chip")

    def read(self):
        self._need_chip()
        self._stamper.run_to(self._time.tick())
        return self._wave.second() + self._ahead_s

    def stopped(self):
        self._need_chip()
        return bool(self._state & OSCILLATOR_STOPPED)

    def set(self, second):
        self._need_chip()
        tick = self._time.tick()
        self._stamper.run_to(tick)
        self._wave.set(second - self._ahead_s, tick)
        self._state &= ~OSCILLATOR_STOPPED
        self._stamper.wave_off(tick, bool(self._state & NO_WAVE))
        return True

    def temp_c100(self):
        self._need_chip()
        return self._temp_c100
