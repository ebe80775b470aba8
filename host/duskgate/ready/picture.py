"""The live picture as lines of text, for a screen at arm's length in the dark: large figures, words, shapes. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from duskgate.faults import inputs_of
from duskgate.fields import FLASHES
from duskgate.ready.live import Live

WIDTH, HEIGHT = 80, 24
DIGITS = {
    "0": ("###", "# #", "# #", "# #", "###"), "1": ("  #", "  #", "  #", "  #", "  #"),
    "2": ("###", "  #", "###", "#  ", "###"), "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"), "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"), "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"), "9": ("###", "# #", "###", "  #", "###"),
    ":": (" ", "#", " ", "#", " "), ".": (" ", " ", " ", " ", "#"), "-": ("   ", "   ", "###", "   ", "   "),
    " ": ("   ", "   ", "   ", "   ", "   "),
}  # fmt: skip
WHOLE = "o=====================o"
BROKEN = "o=======    |    ======o"
UNKNOWN = "o- - - - - ? - - - - -o"


@dataclass
class Status:
    """What the picture shows besides the counts. `link`: a sentence on the link; `recycle`: (s, words) or None."""

    clock: str = ""
    link: str = "link good"
    state: dict[str, Any] = field(default_factory=dict)
    recycle: tuple[float, str] | None = None
    restarts: int = 0
    ahead_s: float = 0.0  # seconds since the board was last heard of


def big(text: str) -> list[str]:
    """A number in five rows of figures."""
    return [" ".join(DIGITS.get(c, DIGITS[" "])[row] for c in text) for row in range(5)]


def since(seconds: float | None) -> str:
    """Time since something, short: 4.2 for seconds, 3:07 for minutes, 2:03:07 for hours; - for never."""
    if seconds is None or seconds < 0:
        return "-"
    if seconds < 100:
        return f"{seconds:.1f}"
    minutes, s = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{s:02d}" if hours else f"{minutes}:{s:02d}"


def ago(seconds: float) -> str:
    """How long ago, with its unit: '4.2 s ago', '3:07 min ago', '2:03:07 h ago'."""
    return f"{since(seconds)} {unit(seconds)} ago"


def unit(seconds: float | None) -> str:
    """The unit of what `since` says."""
    return "s" if seconds is None or seconds < 100 else "min" if seconds < 3600 else "h"


def picture(live: Live, status: Status) -> list[str]:
    """Exactly 24 lines of at most 80 characters."""
    now = live.now_s + status.ahead_s
    since_fire = None if live.last_fire_s is None else now - live.last_fire_s
    lines = [
        f"Board {live.who['board']}   {status.clock}   {status.link}",
        "",
        f"  BEAM    {shape(live.state(0))}   {live.beam_word()}",
        f"  BEAM2   {shape(live.state(1))}   {live.beam_word(1)}" if second_beam_used(live) else "",
        "",
        *beside(("VISITS", str(live.visits)), ("FIRES", str(live.fires)), ("MISSES", str(live.misses))),
        "",
        *beside(("SINCE LAST FIRE", since(since_fire))),
        f"  {charged(since_fire, status.recycle)}",
        f"  {last_words(live, now)}",
        f"  {heads_words(live)}",
        f"  {supply_words(status)}",
        *(f"  ! {text}" for text in warnings(live, status)),
    ]
    lines = [line[:WIDTH].rstrip() for line in lines[:HEIGHT]]
    return lines + [""] * (HEIGHT - len(lines))


def plain(live: Live, status: Status) -> str:
    """The same in one line, for a file or a pipe."""
    now = live.now_s + status.ahead_s
    fire = None if live.last_fire_s is None else now - live.last_fire_s
    parts = [
        status.clock, f"beam {live.beam_word()}", f"visits {live.visits}", f"fires {live.fires}",
        f"misses {live.misses}", f"since fire {since(fire)} s" if fire is not None else "no fire yet",
        supply_words(status), status.link, *warnings(live, status),
    ]  # fmt: skip
    return "; ".join(part for part in parts if part)


def shape(state: bool | None) -> str:
    """The beam as it stands: a line from post to post, or one with a gap and a bar in it."""
    return UNKNOWN if state is None else BROKEN if state else WHOLE


def second_beam_used(live: Live) -> bool:
    """Shown where it is in use and something drives it."""
    unwired = live.who.get("wiring_check")
    return live.has_second_beam and not (isinstance(unwired, list) and "BEAM2" in unwired)


def beside(*named: tuple[str, str]) -> list[str]:
    """Large figures side by side, each under its name."""
    rows = [""] * 6
    for name, text in named:
        block = [name, *big(text)]
        width = max(22, *(len(line) + 3 for line in block))
        rows = [row + f"  {line}".ljust(width) for row, line in zip(rows, block, strict=True)]
    return rows


def charged(since_fire: float | None, recycle: tuple[float, str] | None) -> str:
    """Whether the heads should be ready again, as far as earlier nights tell."""
    said = unit(since_fire).ljust(8)
    if recycle is None:
        return f"{said}recycle time not known: a bench or a pulled night tells it"
    if since_fire is None:
        return f"{said}recycle {recycle[1]}"
    word = "ready" if since_fire >= recycle[0] else "CHARGING"
    return f"{said}{word}; recycle {recycle[1]}"


def last_words(live: Live, now: float) -> str:
    """When the last visit and the last miss were."""
    visit = "no visit yet" if live.last_visit_s is None else f"last visit {ago(now - live.last_visit_s)}"
    if live.last_miss_s is None:
        return visit
    gap = "" if live.miss_gap_s is None else f", {since(live.miss_gap_s)} s after the fire before it"
    return f"{visit}; last miss {ago(now - live.last_miss_s)}{gap}"


def heads_words(live: Live) -> str:
    """How many fires each light sensor saw."""
    seen = [f"light {k} {live.lit[c]}" for k, c in enumerate(FLASHES, 1) if live.lit[c]]
    strange = f"; {live.strangers} without a break" if live.strangers else ""
    return f"of {live.fires} fires: {', '.join(seen) if seen else 'none seen by a sensor'}{strange}"


def supply_words(status: Status) -> str:
    """Supply and room."""
    state = status.state
    mv = state.get("supply_mv")
    supply = f"supply {mv / 1000:.2f} V" if isinstance(mv, int) and mv >= 100 else "supply not seen"
    nights = state.get("nights_left")
    return f"{supply}; room for {nights:.3g} nights" if nights is not None else supply


def warnings(live: Live, status: Status) -> list[str]:
    """What a person has to know now."""
    state = status.state
    out = [str(fault) for fault in state.get("faults") or []]
    out += [said.text for said in inputs_of(state)]
    if state.get("store", "ok") != "ok":
        out.append(f"NOT STORING ({state['store']}): pull the log")
    lost = state.get("ring_lost", 0) + state.get("store_lost", 0)
    out += [f"{lost} records lost since start"] if lost else []
    out += [f"the board restarted {status.restarts} times"] if status.restarts else []
    out += [f"{live.unseen} records went by unseen here; the log has them"] if live.unseen else []
    return [*out, *live.notes]
