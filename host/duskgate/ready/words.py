"""What the live picture says, in words: the large word, times, beam, heads, supply, what is wrong. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from duskgate.faults import inputs_of
from duskgate.fields import BEAM, BEAM2, CHANNELS, FLASHES
from duskgate.ready.items import STUCK_S
from duskgate.ready.live import LOST_TEXT, Live

BLIND_S = 60.0  # so long the large word says that records were lost; the line about it stays
NARROW, TINY = 60, 36  # columns below which a beam is drawn small, and not at all
WHOLE = "o=====================o"
BROKEN = "o=======    |    ======o"
UNKNOWN = "o- - - - - ? - - - - -o"
SMALL = {WHOLE: "o=========o", BROKEN: "o==  |  ==o", UNKNOWN: "o- - ? - -o"}


@dataclass
class Status:
    """What the picture shows besides the counts. `link`: a sentence on the link; `recycle`: (s, words) or None."""

    clock: str = ""
    link: str = "link good"
    state: dict[str, Any] = field(default_factory=dict)
    recycle: tuple[float, str] | None = None
    restarts: int = 0
    ahead_s: float = 0.0  # seconds since the board was last heard of
    lost: bool = False  # it does not answer
    day: str = ""  # date, for lines that are kept


def since(seconds: float | None) -> str:
    """Time since something, short: 4.2 for seconds, 3:07 for minutes, 2:03:07 for hours; - for never."""
    if seconds is None or seconds < 0:
        return "-"
    if seconds < 100:
        return f"{seconds:.1f}"
    minutes, s = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{s:02d}" if hours else f"{minutes}:{s:02d}"


def calm(seconds: float | None) -> str:
    """The same for large figures: tenths only in the first ten seconds, so that the screen rests."""
    return since(seconds) if seconds is None or seconds < 9.95 or seconds >= 100 else f"{seconds:.0f}"


def unit(seconds: float | None) -> str:
    """The unit of what `since` says."""
    return "s" if seconds is None or seconds < 100 else "min" if seconds < 3600 else "h"


def ago(seconds: float) -> str:
    """How long ago, with its unit: '4.2 s ago', '3:07 min ago', '2:03:07 h ago'."""
    return f"{since(seconds)} {unit(seconds)} ago"


class Told:
    """All that is said of one moment, from the counts and the status."""

    def __init__(self, live: Live, status: Status):
        self.live, self.status = live, status
        self.now = live.now_s + status.ahead_s

    def _passed(self, at: float | None) -> float | None:
        return None if at is None else max(0.0, self.now - at)

    @property
    def since_visit(self) -> float | None:
        """Seconds since the end of the last visit; None: none yet."""
        return self._passed(self.live.last_visit_s)

    @property
    def since_fire(self) -> float | None:
        """Seconds since the last fire; None: none yet."""
        return self._passed(self.live.last_fire_s)

    @property
    def broken_s(self) -> float | None:
        """How long the beam has been broken; None: it is not, or it is not known since when."""
        if not self.live.state(BEAM):
            return None
        if self.live.broken_since_s is not None:
            return self._passed(self.live.broken_since_s)
        still = self.status.state.get("still_s")  # the board's own word, at most some seconds old
        return still[BEAM] if isinstance(still, list) and still else None

    @property
    def visit_now(self) -> bool:
        """The beam is broken long enough for a visit, and not so long that something must be stuck in it."""
        broken = None if self.status.lost else self.broken_s
        return broken is not None and self.live.rules.visit_s <= broken < STUCK_S

    def wait_s(self) -> float | None:
        """Seconds until the heads should be charged; 0: they should be; None: not known."""
        if self.status.recycle is None or not self.live.fires_watched or self.status.lost:
            return None
        # without a fire yet, one may have come just before the first record that was seen
        dark = self.since_fire if self.since_fire is not None else self._passed(self.live.seen_from_s)
        return None if dark is None else max(0.0, self.status.recycle[0] - dark)

    def headline(self) -> tuple[str, str]:
        """The word that is shown large, and the sentence below it. What stops the night comes before all else."""
        stopped = self.stopped()
        if stopped:
            return stopped
        wait = self.wait_s()
        # 0.04 s would read `WAIT 0.0 s`
        word = "" if wait is None else "READY" if wait < 0.05 else f"WAIT {calm(wait)} s" if wait < 100 else "WAIT"
        return f"{word} !".strip() if self.warnings() else word, self.recycle_words()

    def stopped(self) -> tuple[str, str] | None:
        """The large word and its sentence where nothing is logged or nothing can be seen; None: all goes on."""
        if self.status.lost:
            return "NO LINK", self.status.link
        store = self.status.state.get("store", "ok")
        if store != "ok":
            return "STORE FULL" if store == "full" else "NO STORE", f"NOT STORING ({store}): pull the log"
        blind = self._passed(self.live.last_lost_s)
        if blind is not None and blind < BLIND_S:
            return "BLIND", f"the board lost records {ago(blind)}: what came then is not known; mend what flickers"
        broken = self.broken_s
        if broken is not None and broken >= STUCK_S:
            said = f"the beam is broken for {since(broken)} {unit(broken)}: no visit can be seen"
            return "BLOCKED", f"{said}; clear it, wipe the windows"
        return None

    def recycle_words(self) -> str:
        """The recycle time, as far as earlier nights tell, or why it is not known."""
        if not self.live.fires_watched:
            return "the heads are not watched: no light sensor is wired"
        if self.status.recycle is None:
            return "recycle time not known: a bench or a pulled night tells it"
        return f"recycle {self.status.recycle[1]}"

    def visit_words(self) -> str:
        """When the last visit was."""
        if self.visit_now:
            return "visit NOW"
        return "no visit yet" if self.since_visit is None else f"last visit {ago(self.since_visit)}"

    def fire_words(self) -> str:
        """When the last fire was."""
        if not self.live.fires_watched:
            return "fires not watched"
        return "no fire yet" if self.since_fire is None else f"last fire {ago(self.since_fire)}"

    def miss_words(self) -> str:
        """When the last miss was, and how long after the fire before it; empty without one."""
        gone, gap = self._passed(self.live.last_miss_s), self.live.miss_gap_s
        if gone is None or not self.live.fires_watched:
            return ""
        after = "" if gap is None else f", {since(gap)} {unit(gap)} after the fire before it"
        return f"last miss {ago(gone)}{after}"

    def beam(self, channel: int, width: int = 80) -> str:
        """A beam in shape and word; the shape is small on a narrow screen, and only the word is left on a tiny one."""
        state = None if self.status.lost else self.live.state(channel)
        drawn = UNKNOWN if state is None else BROKEN if state else WHOLE
        word = "unknown" if self.status.lost else self.live.beam_word(channel)
        if channel == BEAM and state and self.broken_s is not None:
            word += f" for {since(self.broken_s)} {unit(self.broken_s)}"
        if self.status.lost and self.live.state(channel) is not None:
            word += f" (was {self.live.beam_word(channel)})"
        if width < TINY:
            return f"{CHANNELS[channel]} {word}"
        if width < NARROW:
            return f"{CHANNELS[channel]:<5} {SMALL[drawn]} {word}"
        return f"{CHANNELS[channel]:<7} {drawn}  {word}"

    def beams(self) -> list[int]:
        """The beams in use that something drives."""
        unwired = self.live.who.get("wiring_check")
        two = self.live.has_second_beam and not (isinstance(unwired, list) and "BEAM2" in unwired)
        return [BEAM, BEAM2] if two else [BEAM]

    def heads_words(self) -> str:
        """How many fires each light sensor saw."""
        live = self.live
        if not live.fires_watched or not live.fires:
            return ""
        seen = [f"light {k}: {live.lit[c]}" for k, c in enumerate(FLASHES, 1) if live.lit[c]]
        strange = f"; {live.strangers} without a break" if live.strangers else ""
        return f"of {live.fires} fires {', '.join(seen)}{strange}"

    def supply_words(self) -> str:
        """Supply and room."""
        mv = self.status.state.get("supply_mv")
        supply = f"supply {mv / 1000:.2f} V" if isinstance(mv, int) and mv >= 100 else "supply not seen"
        nights = self.status.state.get("nights_left")
        return f"{supply}; room for {nights:.3g} nights" if nights is not None else supply

    def warnings(self) -> list[str]:
        """What a person has to know now, what stops the night left out where it is the large word."""
        state, live = self.status.state, self.live
        out = [str(fault) for fault in state.get("faults") or []]
        out += [said.text for said in inputs_of(state)]
        if state.get("store", "ok") != "ok" and self.status.lost:
            out.append(f"NOT STORING ({state['store']}) when last heard of: pull the log")
        lost = state.get("ring_lost", 0) + state.get("store_lost", 0)
        out += [f"{lost} records lost since start"] if lost else []
        out += [f"the board restarted {self.status.restarts} times"] if self.status.restarts else []
        out += [f"{live.unseen} records went by unseen here; the log has them"] if live.unseen else []
        return [*out, *(text for text in live.notes if not (lost and text == LOST_TEXT))]
