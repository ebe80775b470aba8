"""The photodiode on the virtual board: a FLASH input that becomes active starts that head's light there.

Scene header: "light_pulse": {"baseline": code, "noise": code rms, "heads": [for FLASH1.. {"peak": code above the
baseline when fully charged, "rise_us": x, "tau_us": x, "cut_us": x or null, "charge_s": x}, or null]}. The light rises
evenly for rise_us, then falls exponentially with tau_us; a head that cuts its light goes dark cut_us after its begin,
with a tail of a few microseconds. Each head's capacitor charges through a resistor (charge_s), and its light goes with
the square of the voltage. Such heads are invented; their noise follows the scene's seed.
"""

import math
from array import array

from core.shim import const

_SAMPLES = const(8192)
_BEFORE = const(200)  # samples made before the edge
_FULL = const(4095)
_NOISE = const(1024)
_FLASHES = const(0x78)
_KEPT_MS = const(100)  # lights older than this are over
_CUT_TAU_US = 4.0


class LightPulse:
    """As core/pulse_watch.py wants it. `time` has tick() and to_tick()."""

    samples = _SAMPLES
    step_ns = 2000
    post_us = 4200

    def __init__(self, time, header):
        told = header["light_pulse"]
        self.ring = array("H", [0] * _SAMPLES)
        self.first = self.count = self.lead_ns = 0
        self.watching = False
        self._time = time
        self._tick_us = 1e6 * header["cycles_per_tick"] / header["clock_hz"]
        self._base = told.get("baseline", 0)
        self._heads = told.get("heads", ())
        self._random = header.get("seed", 0) * 2246822519 + 1 & 0xFFFFFFFF
        self._noise = array("f", [told.get("noise", 0) * self._gauss() for _ in range(_NOISE)])
        self._lights = []  # (tick, head, share of its full light)
        self._dark_since = [None] * len(self._heads)  # tick of each head's last light
        self._edge = None  # tick of the change that stopped it

    def _below(self, most):
        """Numerical Recipes' 32-bit congruence: the same in every Python."""
        self._random = (self._random * 1664525 + 1013904223) & 0xFFFFFFFF
        return (self._random >> 8) * most >> 24

    def _gauss(self):
        """Nearly normal, of unit variance: the sum of twelve even spreads, less its mean."""
        return sum(self._below(4096) for _ in range(12)) / 4096 - 6

    def changed(self, tick, before, after):
        """The inputs change at `tick`: lights begin, and a converter that watches has its edge."""
        for head in range(len(self._heads)):
            if self._heads[head] and (after & ~before) >> (3 + head) & 1:
                self._lights.append((tick, head, self._charge(head, tick)))
                self._dark_since[head] = tick
        if self.watching and self._edge is None and (before ^ after) & _FLASHES:
            self._edge = tick

    def _charge(self, head, tick):
        since = self._dark_since[head]
        if since is None:
            return 1.0
        gap_s = (tick - since) * self._tick_us / 1e6
        return (1 - math.exp(-gap_s / self._heads[head]["charge_s"])) ** 2

    def start(self):
        self._edge = None
        self.watching = True
        oldest = self._time.tick() - int(_KEPT_MS * 1000 / self._tick_us)
        self._lights = [light for light in self._lights if light[0] > oldest]

    def ready(self):
        return self._edge is not None and (self._time.tick() - self._edge) * self._tick_us > self.post_us

    def lend(self):
        self.watching = False

    def found(self):
        """Make the samples around the edge. The converter runs on its own, so the edge lies anywhere between two."""
        self.first = self._below(_SAMPLES)
        self.count = _BEFORE + self.post_us * 1000 // self.step_ns
        self.lead_ns = _BEFORE * self.step_ns - self._below(self.step_ns)
        begin_us = self._edge * self._tick_us - self.lead_ns / 1000
        phase = self._below(_NOISE)
        light = [0.0] * self.count
        for tick, head, share in self._lights:
            self._add(light, tick * self._tick_us - begin_us, self._heads[head], share)
        for i in range(self.count):
            code = round(self._base + light[i] + self._noise[(phase + i * 7) % _NOISE])
            self.ring[(self.first + i) % _SAMPLES] = min(max(code, 0), _FULL)
        self.watching = False

    def _add(self, light, start_us, head, share):
        """One head's light, which begins start_us after the first sample."""
        step_us = self.step_ns / 1000
        cut_us = head.get("cut_us")
        i = max(0, math.ceil(start_us / step_us))
        while i < len(light):
            t = i * step_us - start_us
            level = min(1.0, t / head["rise_us"]) * math.exp(-max(0.0, t - head["rise_us"]) / head["tau_us"])
            if cut_us is not None and t > cut_us:
                level *= math.exp((cut_us - t) / _CUT_TAU_US)
            level *= head["peak"] * share
            if level < 0.05 and t > head["rise_us"]:
                return
            light[i] += level
            i += 1
