"""`duskgate check`: is the wired rig ready for the night, and what to mend first."""

import functools
import sys
import textwrap
from pathlib import Path
from typing import Any

import click

from ..errors import NotReady, UsageError
from ..plaintext import shown
from .board_options import example, json_option, port_option
from .history import History, history, logbook_option, site_option
from .say import ask_yes, say, say_json
from .terminal import pixel_of, size_of

BREAKS = 3  # breaks by hand asked for
PAUSE_S = 3.0  # between them, so that the heads are charged again
POLL_S = 0.25
SETTLE_S = 1.0  # after the last break: lights, and the hand leaves
NIGHT_H = 10.0  # assumed where the place is not known


@example("duskgate check --no-hands")
@click.command("check")
@click.option("--no-hands", is_flag=True, help="Leave out what needs a hand in the beam.")
@click.option(
    "--cover",
    is_flag=True,
    help="Instead of breaks by hand: cover the emitters when asked; says which receiver sees which.",
)
@click.option(
    "--seconds", type=click.FloatRange(1, 600), default=20.0, show_default=True, help="Time given for each hand."
)
@logbook_option
@site_option
@port_option
@json_option
def command(
    no_hands: bool, cover: bool, seconds: float, logbook: Path, site_path: Path | None, port: str | None, as_json: bool
) -> None:
    """Ready, or what to mend first: beam, light of each head, delay, clock, storage, supply, wiring.

    You are asked to break the beam by hand some times: the heads will fire. Each line says ready, look or mend, what
    was seen, and what to do. Exit code 6 where something has to be mended before dusk. With two beams, --cover shows
    that neither receiver sees the other's emitter; with one, that it sees its own.
    """
    from ..link.port import BoardLink, one_port

    if no_hands and cover:
        raise UsageError("choose one of --no-hands and --cover: covering needs a hand")
    with BoardLink(one_port(port)) as link:
        known = history(logbook, site_path)
        seen, walk = look(link, known, None if no_hands else seconds, quiet=as_json, cover=cover)
    report(seen, known, as_json, walk)


def look(link: Any, known: History, seconds: float | None, quiet: bool, cover: bool) -> tuple[Any, Any]:
    """Everything that the conclusions need: what was seen, and the walk along the emitters (None: none was made).

    `seconds`: how long to wait for each break or covering by hand; None: none is asked. `cover`: walk, no breaks.
    """
    from ..errors import BoardRefused
    from .board_clock import read_clock
    from .hands import BeamHands

    who, state = link.who(), link.state()
    reading = None if state["clock_state"] else read_clock(link)
    hands = BeamHands(link, who)
    try:
        first = hands.begin()
    except BoardRefused as refused:
        if refused.code != "verb":
            raise
        return make_seen(who, state, known, reading, [], None), None  # an old firmware: the check says so
    looked = [first]
    ticks = walk = None
    tell = functools.partial(say, err=quiet)
    if seconds is not None and not cover:
        ticks = hands.ask_for(BREAKS, seconds, PAUSE_S, POLL_S, SETTLE_S, tell)
        # what came before the hands is another story: a bench, a gust, the person setting up
        looked = hands.looked[1:]
        cover = not quiet and has_two_beams(known) and sys.stdin.isatty() and ask_yes(OFFER, default=True)
    if seconds is not None and cover and isinstance(state.get("edges"), list):
        walk = walk_along(link, who, known, seconds, tell)
        looked.append(hands.follow())
    return make_seen(who, link.state(), known, reading, looked, ticks), walk


OFFER = "Two beams are in the site file. Cover their emitters one after the other now"


def has_two_beams(known: History) -> bool:
    """Whether the site file tells of a second beam."""
    return bool(known.site and (known.site.beam_spacing_mm or "BEAM2" in known.site.channels))


def walk_along(link: Any, who: dict, known: History, seconds: float, say: Any) -> Any:
    """The walk; None where no beam is in use."""
    from .cover import CoverWalk, beams_of

    beams = beams_of(who, has_two_beams(known))
    return CoverWalk(link, who, beams, seconds, say).run() if beams else None


def make_seen(who: dict, state: dict, known: History, reading: Any, looked: list, ticks: Any) -> Any:
    """The parts put together as the conclusions take them."""
    import numpy as np

    from ..link.install import firmware_files, version_of
    from ..ready.items import Seen
    from ..ready.records import Edges

    parts = [one.edges for one in looked] or [Edges(np.zeros(0, int), np.zeros(0, int), np.zeros(0, bool))]
    edges = Edges(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("tick", "channel", "active")))
    seen = Seen(who, state, edges, 0.0, tag_values=[value for one in looked for value in one.values])
    if len(edges.tick):
        seen.span_s = max(float(np.ptp(edges.tick)) * seen.tick_s, 1.0)
    seen.hands = None if ticks is None else np.array(ticks, np.int64)
    seen.usual_delay_us = known.first_delay()
    seen.clock_off_s = None if reading is None else (reading.offset_s, reading.unc_s)
    seen.cutoff_mv = known.site.logger.cutoff_mv if known.site else None
    seen.two_beams = has_two_beams(known)
    seen.version = version_of(firmware_files())
    seen.light_by_day, needed = sun_of(known.site)
    left = known.hours_left()
    if left is not None:
        seen.hours = (left[0], needed, left[1])
        seen.hours_at_least = known.hours_are_least()
    return seen


def sun_of(site: Any) -> tuple[bool | None, float]:
    """(whether the sun is up now, hours of the coming night), as far as the place is known."""
    import time

    if site is None or site.latitude_deg is None:
        return None, NIGHT_H
    from ..timebase import nights, sky

    now = time.time_ns() // 1000
    start, end = nights.bounds_utc_us(nights.night_of(now, site.zone), site.zone)
    found = sky.night_sky(sky.Place(site.latitude_deg, site.longitude_deg), start, end)
    if found.sunset_us is None or found.sunrise_us is None:
        return None, NIGHT_H
    return not found.sunset_us <= now < found.sunrise_us, (found.sunrise_us - found.sunset_us) / 3.6e9


def report(seen: Any, known: History, as_json: bool, walk: Any) -> None:
    """Print the items; raise NotReady where one has to be mended."""
    from ..ready import cover
    from ..ready.items import LOOK, MEND, Item, conclude, ready

    items = conclude(seen)
    if walk is not None:
        items += cover.conclude(walk)
    elif seen.two_beams:
        items.append(Item("two beams", LOOK, "whether each sees its own emitter alone was not tried", "check --cover"))
    to_mend = [item for item in items if item.word == MEND]
    if as_json:
        rows = [{"item": i.name, "word": i.word, "seen": i.seen, "todo": i.todo} for i in items]
        say_json({"ready": ready(items), "items": rows, "history": known.date or known.why_not})
    else:
        for item in items:
            say(*fitted(f"{item.word.upper() if item.word == MEND else item.word:<6} {item.name:<9} {item.seen}"))
            if item.todo and item.word != "ready":
                say(*fitted(f"       {'':<9} -> {item.todo}"))
        if known.why_not:
            say(*fitted(f"Usual values are not known: {known.why_not}", 2))
    if to_mend:
        say(*([] if as_json else verdict("MEND")))
        names = ", ".join(dict.fromkeys(item.name for item in to_mend))
        raise NotReady(f"not ready: mend {names} first")
    if not as_json:
        say(*(verdict("READY") or ["READY"]))


SEEN_AT = 17  # the column in which a line says what was seen


def fitted(line: str, hang: int = SEEN_AT) -> list[str]:
    """On a terminal a line in as many rows as it takes, those after the first `hang` columns in; else as it is."""
    if not sys.stdout.isatty():
        return [line]
    width, _ = size_of(sys.stdout)
    indent = " " * (hang if width > 2 * SEEN_AT else 2)
    rows = textwrap.wrap(shown(line), width, subsequent_indent=indent, break_on_hyphens=False)
    return rows or [line]


def verdict(word: str) -> list[str]:
    """On a terminal the word in large letters, as `watch` shows it, after an empty line; nothing elsewhere."""
    if not sys.stdout.isatty():
        return []
    from ..ready.large import large

    width, _ = size_of(sys.stdout)
    return ["", *large(word, width - 1, pixel_of(sys.stdout.encoding)), ""]
