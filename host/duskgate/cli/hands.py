"""Breaks of the beam by hand: asks for them, and follows the board's recent records until they have come."""

from collections.abc import Callable
from typing import Any

HAND_GONE_S = 3.0


class BeamHands:
    """Follows the recent records of one board from `begin` on; `looked` holds each look at them."""

    def __init__(self, link: Any, who: dict[str, Any]):
        self.link = link
        self.low_mask = who["low_mask"]
        self.tick_s = who["cycles_per_tick"] / who["clock_hz"]
        self.looked: list[Any] = []
        self._next = 0
        self._levels: int | None = None

    def begin(self) -> Any:
        """First look: all that the board still remembers."""
        return self.follow()

    def follow(self) -> Any:
        """The records since the last look."""
        from ..ready.records import look

        recent = self.link.recent(self._next)
        known = self._levels if recent.first == self._next else None
        found = look(recent.data, self.low_mask, known)
        self._next, self._levels = recent.next, found.levels
        self.looked.append(found)
        return found

    def breaks(self) -> list[int]:
        """Ticks at which BEAM became broken, since the first look, oldest first."""
        from ..fields import BEAM

        return [int(t) for found in self.looked[1:] for t in found.edges.of(BEAM)]

    def ask_for(
        self, count: int, seconds: float, pause_s: float, poll_s: float, settle_s: float, say: Callable[[str], None]
    ) -> list[int]:
        """Ask for `count` breaks and wait at most `seconds` for each; the ticks of those that came, far enough apart.

        The heads will fire at each of them.
        """
        clock = self.link.clock
        say(f"The heads will fire. Pass a hand through the beam {count} times, slowly, when asked.")
        kept: list[int] = []
        for number in range(1, count + 1):
            say(f"  Break {number} of {count}: now ({seconds:.0f} s)")
            before = len(self.breaks())
            end = clock.monotonic() + seconds
            while len(self.breaks()) == before and clock.monotonic() < end:
                clock.sleep(poll_s)
                self.follow()
            came = self.breaks()[before:]
            if not came:
                say("  nothing came")
                break
            kept.append(came[0])
            say("  seen. Hand away.")
            clock.sleep(settle_s if number == count else pause_s)
            self.follow()
        self._until_whole(poll_s)
        return kept

    def _until_whole(self, poll_s: float) -> None:
        """Wait for the hand to leave the beam, at most HAND_GONE_S: a break without its end is none in the log."""
        import numpy as np

        from ..fields import BEAM

        end = self.link.clock.monotonic() + HAND_GONE_S
        while self.link.clock.monotonic() < end:
            edges = np.concatenate([found.edges.active[found.edges.channel == BEAM] for found in self.looked])
            if not len(edges) or not edges[-1]:
                return
            self.link.clock.sleep(poll_s)
            self.follow()
