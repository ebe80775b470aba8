"""SHOT on the virtual board: a jumper carries it to BEAM2, and a rig answers where the scene's header describes one.

Header: "shot_rig": {"latency_us": [for FLASH1.. , null where there is no head], "jitter_us": half width of an even
spread, "light_us": length of the light, "alone_shots": where given, one head alone is switched on, and after so many
shots the next}. Such a rig is invented; its answers follow the scene's seed.
"""

from core.shim import const

_BEAM2 = const(0x02)
_FLASH1_BIT = const(3)
_US = const(1000)
_WIDTH_US = const(20000)


class Shot:
    """`pace.play(changes)` lets the inputs change at given times: [(ns from now, bits to set, bits to clear)]."""

    def __init__(self, pace, header):
        self._pace = pace
        self._rig = header.get("shot_rig") or {}
        self._random = header.get("seed", 0) * 2654435761 & 0xFFFFFFFF
        self._fired = 0

    def _switched_on(self, head):
        """Whether this head has its switch on at this shot."""
        alone = self._rig.get("alone_shots")
        return not alone or self._fired // alone % len(self._rig["latency_us"]) == head

    def _jitter_us(self):
        """Even spread of -jitter..+jitter, in whole microseconds (Numerical Recipes' 32-bit congruence)."""
        self._random = (self._random * 1664525 + 1013904223) & 0xFFFFFFFF
        width = 2 * self._rig.get("jitter_us", 0) + 1
        return ((self._random >> 8) * width >> 24) - width // 2

    def fire(self):
        changes = [(0, _BEAM2, 0), (_WIDTH_US * _US, 0, _BEAM2)]
        for head, latency_us in enumerate(self._rig.get("latency_us", ())):
            if latency_us is not None and self._switched_on(head):
                at = max(0, latency_us + self._jitter_us()) * _US
                bit = 1 << (_FLASH1_BIT + head)
                changes += [(at, bit, 0), (at + self._rig.get("light_us", 100) * _US, 0, bit)]
        self._fired += 1
        self._pace.play(sorted(changes))
        return True
