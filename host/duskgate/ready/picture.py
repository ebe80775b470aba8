"""The live picture as lines of text, for a screen at arm's length in the dark: large words, figures, shapes. Pure.

On a small screen things go in this order (`STEPS`): empty lines; details from the last; all warnings but three, then
but one, with how many more; the large times become plain; the counts; the sentence below the word; the large word
becomes plain; clock and link. What went for nothing, because something larger went after it, comes back. What is left
is cut from below, so that the last thing standing is the word. On a narrow screen a word whose large letters do not fit
is plain, and so are the times; beams are drawn small, then not at all: their word stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from duskgate.ready.large import PIXEL, large
from duskgate.ready.live import Live
from duskgate.ready.words import BROKEN, UNKNOWN, WHOLE, Status, Told, calm, since, unit

__all__ = ["BROKEN", "UNKNOWN", "WHOLE", "Status", "picture", "plain", "since"]
WIDTH, HEIGHT = 80, 24
MOST_WARNINGS = 8


@dataclass(frozen=True)
class Shown:
    """What a picture holds: empty lines; how many lines of details and of warnings; the times large; the counts; the
    sentence below the word; the word large; the line of clock and link."""

    gaps: bool = True
    details: int = 9
    warnings: int = MOST_WARNINGS
    large_times: bool = True
    counts: bool = True
    sentence: bool = True
    large_word: bool = True
    top: bool = True


STEPS = (
    {"gaps": False}, {"details": 3}, {"details": 2}, {"details": 1}, {"details": 0}, {"warnings": 3}, {"warnings": 1},
    {"large_times": False}, {"counts": False}, {"sentence": False}, {"large_word": False},
    {"top": False},
)  # fmt: skip


def picture(live: Live, status: Status, width: int = WIDTH, height: int = HEIGHT, pixel: str = PIXEL) -> list[str]:
    """Exactly `height` lines of at most `width` characters."""
    told = Told(live, status)
    gone: list[dict] = []
    lines = compose(told, Shown(), width, pixel)
    for step in STEPS:
        if len(lines) <= height:
            break
        gone.append(step)
        lines = compose(told, without(gone), width, pixel)
    for step in gone[-2::-1]:  # what went for nothing, because something larger went after it, comes back
        rest = [one for one in gone if one is not step]
        fuller = compose(told, without(rest), width, pixel)
        if len(fuller) <= height:
            gone, lines = rest, fuller
    lines = [line[:width].rstrip() for line in lines[:height]]
    return lines + [""] * (height - len(lines))


def without(gone: list[dict]) -> Shown:
    """What is left of a picture after these steps."""
    kept = Shown()
    for step in gone:
        kept = replace(kept, **step)
    return kept


def compose(told: Told, kept: Shown, width: int, pixel: str) -> list[str]:
    """The lines of a picture from top to bottom, as many as they are."""
    word, sentence = told.headline()
    gap = [""] if kept.gaps else []
    below = wrapped(sentence, width) if kept.sentence or not word else []
    rows = large(word, width - 1, pixel) if kept.large_word else [word]
    if not word or (len(rows) == 1 and below and sentence.startswith(word)):
        rows = []  # not said twice
    head = [*(f" {row}" for row in rows), *below]
    return [
        *(top(told, width) if kept.top else []), *gap,
        *head, *warning_lines(told.warnings(), kept.warnings, width), *gap,
        *times(told, kept.large_times, width, pixel), *gap,
        *(f" {told.beam(channel, width)}" for channel in told.beams()), *gap,
        *(counts(told, width) if kept.counts else []), *details(told)[: kept.details],
    ]  # fmt: skip


def top(told: Told, width: int) -> list[str]:
    """Clock, link, and the board where there is room for all of it."""
    status = told.status
    link = "NO LINK" if status.lost else status.link
    left, board = f" {status.clock}   {link}", f"board {told.live.who['board']}"
    if len(left) + len(board) + 3 <= width:
        return [left + board.rjust(width - len(left))]
    return [left if len(left) <= width or not status.lost else f" {link}"]


def times(told: Told, big: bool, width: int, pixel: str) -> list[str]:
    """Since the last visit and since the last fire, side by side in large figures, or each in plain words."""
    lines = beside(told, width // 2 - 2, pixel) if big else []
    return lines or [f" {told.visit_words()}", f" {told.fire_words()}"]


def beside(told: Told, room: int, pixel: str) -> list[str]:
    """Two large figures under their names, each in `room` columns; nothing where one does not fit."""
    visit = [label("LAST VISIT", told.since_visit), *large(calm(told.since_visit), room, pixel)]
    if told.visit_now:
        visit = ["LAST VISIT", *large("NOW", room, pixel)]
    watched = told.live.fires_watched
    fire = [
        label("LAST FIRE", told.since_fire) if watched else "LAST FIRE: not watched",
        *large(calm(told.since_fire) if watched else "-", room, pixel),
    ]
    if len(visit) != len(fire) or len(visit) == 2 or max(len(visit[0]), len(fire[0])) > room:
        return []
    return [f" {left:<{room + 1}} {right}" for left, right in zip(visit, fire, strict=True)]


def label(name: str, passed: float | None) -> str:
    """What a large time is, with its unit."""
    return f"{name}: none yet" if passed is None else f"{name}, {UNITS[unit(passed)]} ago"


UNITS = {"s": "s", "min": "min:s", "h": "h:min:s"}


def counts(told: Told, width: int) -> list[str]:
    """Visits, fires and misses in one line."""
    live = told.live
    fires = f"FIRES {live.fires}   MISSES {live.misses}" if live.fires_watched else "FIRES and MISSES not watched"
    return wrapped(f"VISITS {live.visits}   {fires}", width)


def details(told: Told) -> list[str]:
    """What is good to know, the most useful first."""
    said = (told.miss_words(), told.supply_words(), told.heads_words(), *told.live.remarks)
    return [f" {text}" for text in said if text]


def warning_lines(texts: list[str], most: int, width: int) -> list[str]:
    """Warnings behind their marks in at most `most` lines, the first always; at the end how many more there are."""
    lines: list[str] = []
    for number, text in enumerate(texts):
        rows = wrapped(f"! {text}", width, "   ")
        left = len(texts) - number
        if len(lines) + len(rows) + (left > 1) > most:
            more = f" (and {left - (not lines)} more)" if left > (not lines) else ""
            more = " .." * (not lines and len(rows) > 1) + more
            last = rows[0] if not lines else lines.pop()
            return [*lines, clipped(last, width - len(more)) + more]
        lines += rows
    return lines


def clipped(line: str, width: int) -> str:
    """A line that ends between two words where it is too long, and shows that it does."""
    if len(line) <= width:
        return line
    return line[: max(line.rfind(" ", 4, width - 2), min(4, width))] + " .."


def wrapped(text: str, width: int, hang: str = " ") -> list[str]:
    """Text broken between words into lines that begin with a blank, and those after the first with `hang`."""
    lines, line = [], ""
    for word in text.split(" "):
        if line and len(line) + 1 + len(word) > width:
            lines.append(line)
            line = hang + word
        else:
            line = f"{line} {word}" if line else f" {word}"
    return [*lines, line]


def plain(live: Live, status: Status, event: str = "") -> str:
    """The same in one line, for a file or a pipe. `event`: what has just come, empty for a summary."""
    told = Told(live, status)
    stopped = told.stopped()
    word = stopped[1] if stopped else told.headline()[0].removesuffix("!").strip()
    heads = f"fires {live.fires}; misses {live.misses}" if live.fires_watched else "fires and misses not watched"
    parts = [
        f"{status.day} {status.clock}".strip(), event, f"beam {'unknown' if status.lost else live.beam_word()}",
        f"visits {live.visits}; {heads}", told.visit_words(), told.fire_words(),
        word, told.supply_words(), "" if status.lost else status.link, *told.warnings(), *live.remarks,
    ]  # fmt: skip
    return "; ".join(part for part in parts if part)
