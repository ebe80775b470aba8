"""The walk of `check --cover`: asks for each emitter to be covered, and watches the live levels meanwhile."""

from collections.abc import Callable
from typing import Any

from ..fields import BEAM, BEAM2
from ..ready.cover import NAMES, Covering, Walk

POLL_S = 0.2
STEADY_S = 0.5  # a hand has come to rest, or has gone
HOLD_S = 2.0  # watched while covered


class CoverWalk:
    """`beams`: channels to walk. seconds: given for each step. say: prints a line. Every wait ends."""

    def __init__(self, link: Any, who: dict[str, Any], beams: tuple[int, ...], seconds: float, say: Callable):
        self.link = link
        self.clock = link.clock
        self.beams = beams
        self.seconds = seconds
        self.say = say
        self.low_mask = who["low_mask"]
        self.channels = who.get("channels", 0x7F)
        self.counts: dict[int, int] = {}

    def run(self) -> Walk:
        """Walk all of it."""
        fires = " The heads may fire when BEAM breaks." if BEAM in self.beams else ""
        self.say(f"Cover the emitters when asked, with the flat hand right before them.{fires}")
        self.say(f"  Nothing in the way of {self._named(self.beams)} ({self.seconds:.0f} s)")
        whole = self._until(lambda broken: not broken, STEADY_S)
        never = () if whole else tuple(b for b in self.beams if b in self._broken())
        for beam in never:
            self.say(f"  {NAMES[beam]} reads broken all the time: its emitter is not asked for")
        asked = tuple(b for b in self.beams if b not in never)
        done = [self._cover((beam,), f"the emitter of {NAMES[beam]}", never) for beam in asked]
        walk = Walk(self.beams, never, tuple(done))
        if walk.needs_both:
            done.append(self._cover(self.beams, "both emitters at once", never))
        return Walk(self.beams, never, tuple(done))

    def _cover(self, covered: tuple[int, ...], what: str, never: tuple[int, ...]) -> Covering:
        self.say(f"  Cover {what} and hold it: now ({self.seconds:.0f} s)")
        before = dict(self._look()[1])
        came = self._until(lambda broken: bool(broken - set(never)), STEADY_S)
        changed = {b: self.counts[b] - before[b] for b in self.beams}
        if not came:
            self.say("  nothing changed" if not any(changed.values()) else "  nothing stayed broken")
            return Covering(covered, dict.fromkeys(self.beams, 0.0), changed)
        found = self._hold(covered)
        self.say("  seen. Uncover.")
        self._until(lambda broken: not broken - set(never), STEADY_S)
        back = tuple(b for b in self.beams if b not in self._broken())
        if set(self.beams) - set(back) - set(never):
            self.say("  it reads broken still")
        return Covering(covered, found.share, found.changes, True, back)

    def _hold(self, covered: tuple[int, ...]) -> Covering:
        """Watch while it is covered."""
        end = self.clock.monotonic() + HOLD_S
        before, looks = dict(self.counts), []
        while not looks or self.clock.monotonic() < end:
            looks.append(self._broken())
            self.clock.sleep(POLL_S)
        share = {b: sum(b in look for look in looks) / len(looks) for b in self.beams}
        return Covering(covered, share, {b: self.counts[b] - before[b] for b in self.beams})

    def _until(self, holds: Callable[[set[int]], bool], steady_s: float) -> bool:
        """Whether it held for `steady_s` without a pause before the time was over."""
        end = self.clock.monotonic() + self.seconds
        since = None
        while True:
            now = self.clock.monotonic()
            if not holds(self._broken()):
                since = None
            elif since is None:
                since = now
            elif now - since >= steady_s:
                return True
            if now >= end and since is None:
                return False
            self.clock.sleep(POLL_S)

    def _broken(self) -> set[int]:
        return self._look()[0]

    def _look(self) -> tuple[set[int], dict[int, int]]:
        """Beams that read broken now, and the changes of each since boot."""
        from ..ready.records import active_levels

        state = self.link.state()
        active = active_levels(state["levels"], self.low_mask, self.channels)
        self.counts = {b: state["edges"][b] for b in self.beams}
        return {b for b in self.beams if active >> b & 1}, self.counts

    @staticmethod
    def _named(beams: tuple[int, ...]) -> str:
        return " and ".join(NAMES[b] for b in beams)


def beams_of(who: dict[str, Any], two_beams: bool) -> tuple[int, ...]:
    """Beams to walk: BEAM where it is in use, and BEAM2 where the site file tells of it, or something drives it."""
    channels = who.get("channels", 0x7F)
    unwired = who.get("wiring_check")
    driven = isinstance(unwired, list) and "BEAM2" not in unwired
    second = bool(channels >> BEAM2 & 1) and (two_beams or driven)
    return tuple(b for b, used in ((BEAM, bool(channels >> BEAM & 1)), (BEAM2, second)) if used)
