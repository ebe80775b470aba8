"""From a path and a date to one analysed night: which files, which site file, which clock, which hours.

The same call serves the command line and a notebook: `open_night(Path("logbook"))`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import time
from pathlib import Path
from typing import Any

import pandas as pd

from ..errors import NothingToAnswer, UsageError
from ..link.clock_told import clock_troubles
from ..link.pull import troubles
from ..logfile import archive, captures, decode, vcd
from ..timebase import clock as timeclock
from ..timebase import nights as nightnames
from . import board_faults
from . import facts as report_facts
from .night_sky import sky_of

SITE_NAME = "site.toml"


@dataclass
class OpenedNight:
    """One night, ready to be shown: `facts`, `tables`, and whether the log was damaged (reported in the facts).

    `rec`, `clock`, `site` (None without a file) and `window_utc_us` (None: all of it) are what they were made from;
    `form` is "log", "edges.csv" or "vcd".
    """

    facts: dict
    tables: dict[str, pd.DataFrame]
    damaged: bool
    rec: Any
    clock: Any
    site: Any
    window_utc_us: tuple[int, int] | None
    form: str


@dataclass
class Source:
    """What was found under a path: the recording, its files, the site file beside it and the nights known by name."""

    rec: Any
    files: list[Path]
    form: str
    site_path: Path | None = None
    named: list[str] = field(default_factory=list)  # nights that stand in file names
    target: str | None = None  # the night that the files speak for, where their names say so


def open_night(path: Path, date: str | None = None, site_path: Path | None = None) -> OpenedNight:
    """Read, analyse and state one night; the latest where no date is given.

    path: a logbook folder, a log file, edges.csv or a VCD capture. site_path: instead of the dated copy beside it.
    Raises UsageError (nothing there, wrong kind of file), SiteFileError, NothingToAnswer (no such night).
    """
    source = find_source(Path(path), date)
    chosen = site_path or source.site_path
    site = _site(chosen)
    clock = timeclock.fit_clock(source.rec)
    zone = str(getattr(site, "zone", None) or "UTC")
    turn = nightnames.turn_of(site)
    spans = boot_spans(source.rec, clock)
    found = nights_in(spans, zone, turn=turn)
    night = choose(date or source.target, found, nights_in(spans, zone, EVENING_US, turn), asked=date is not None)
    whole = source.form != "log" and date is None and span_us(spans) <= DAY_US
    if whole and found:
        night = found[0]  # a capture of a day, or one whose zone nobody stated, is one session whatever noon it holds
    window = nightnames.bounds_utc_us(night, zone, turn) if night and len(found) > 1 and not whole else None
    log = {
        "files": [p.name for p in source.files],
        "form": source.form,
        "date": night or "unknown date",
        "other_nights": [] if whole else sorted({*source.named, *found} - {night}),
        "problems": source.rec.problems,
        "faults": board_faults.noted(source.rec, clock, window),
        "site_file": chosen.name if chosen else None,
        "interpreter_versions": interpreter_versions(source.rec),
        "left_out": left_out(clock, window),
        "remarks": [*said_at_pull(source.rec.headers, window), *clock.notes, *([] if chosen else [NO_SITE])],
    }
    sky = sky_of(site, night) if night else None
    facts, tables = report_facts.read_night(source.rec, clock, site, sky=sky, log=log, window_utc_us=window)
    return OpenedNight(facts, tables, source.rec.damaged, source.rec, clock, site, window, source.form)


EVENING_US = 6 * 3_600_000_000  # a night counts as begun six hours after noon, a day six hours after midnight
DAY_US = 24 * 3_600_000_000
NO_SITE = "No site file was found: times are UTC, and the default thresholds hold."


def _site(path: Path | None) -> Any:
    """The site file's content; None where there is none."""
    if path is None:
        return None
    from .. import sitefile

    return sitefile.load(path)


def said_at_pull(headers: list[dict], window: tuple[int, int] | None) -> list[str]:
    """What kept the board from its work when it was pulled after that night, as its log file keeps it."""
    kept = [h for h in headers if isinstance(h.get("state"), dict) and isinstance(h.get("pulled_utc_us"), int)]
    if window is not None:
        kept = [h for h in kept if window[0] <= h["pulled_utc_us"] < window[1] + DAY_US]
    if not kept:
        return []
    state = max(kept, key=lambda h: h["pulled_utc_us"])["state"]
    return [f"At the pull: {text}." for text in (*troubles(state), *clock_troubles(state))]


def find_source(path: Path, date: str | None) -> Source:
    """Read what a path stands for. UsageError where it stands for nothing that is known."""
    if path.is_dir():
        return _logbook(path, date)
    if not path.is_file():
        raise UsageError(f"{path}: not found: name a logbook folder, a .dgl log, edges.csv or a .vcd capture")
    kind = path.suffix.lower()
    if kind == ".dgl":
        book = archive.Logbook(path.parent)
        named = archive.NIGHT.match(path.name)
        target = named[0] if named else None
        site = book.site_for(target) if target else None
        return Source(decode.read_dgl(path), [path], "log", site or _site_beside(path.parent), target=target)
    if kind == ".csv":
        return Source(captures.read_edges_csv(path), [path], "edges.csv", _site_beside(path.parent))
    if kind == ".vcd":
        return Source(vcd.read_vcd(path), [path], "vcd", _site_beside(path.parent))
    raise UsageError(f"{path}: not a log: expected a logbook folder, a .dgl log, edges.csv or a .vcd capture")


def _logbook(folder: Path, date: str | None) -> Source:
    book = archive.Logbook(folder)
    named = book.nights()
    if not named:
        loose = book.files()
        if loose:
            return Source(decode.read_dgl_files(one_board(loose)), loose, "log", _site_beside(folder))
        if (folder / "edges.csv").is_file():
            return find_source(folder / "edges.csv", date)
        raise UsageError(f"{folder}: no .dgl log in this folder: run `duskgate pull` first, or name another folder")
    target = date or max(named)
    files = one_board(files_around(named, target))
    site = book.site_for(target) or _site_beside(folder)
    return Source(decode.read_dgl_files(files), files, "log", site, sorted(named), target)


def files_around(named: dict[str, list[Path]], night: str) -> list[Path]:
    """Files that may hold parts of a night: of the pull named for it or the next, and of one pull on either side.

    A pull is named for its newest night, so that a night may lie in a later pull (several nights at once), its end in
    the next one (pulled in mid-night), and the statement of its boot in the one before.
    """
    names = sorted(named)
    at = next((k for k, name in enumerate(names) if name >= night), len(names) - 1)
    return [path for name in names[max(0, at - 1) : at + 2] for path in named[name]]


def one_board(files: list[Path]) -> list[Path]:
    """The files themselves where they are of one board; UsageError with the boards where they are of several."""
    boards: dict[str, Path] = {}
    for path in files:
        parts = path.stem.split("_")
        boards.setdefault(parts[1] if len(parts) >= 3 else "", path)
    if len(boards) > 1:
        listed = ", ".join(f"{p.name} ({b})" for b, p in boards.items())
        raise UsageError(f"logs of several boards lie here: name one log file instead of the folder: {listed}")
    return files


def _site_beside(folder: Path) -> Path | None:
    places = (folder / SITE_NAME, folder.resolve().parent / SITE_NAME)
    return next((p for p in places if p.is_file()), None)


def boot_spans(rec: Any, clock: Any) -> list[tuple[int, int]]:
    """First and last UTC microsecond of each boot whose place in time is known."""
    boots, out = rec.boots, []
    for boot, first, last, state in zip(boots["boot"], boots["first_ns"], boots["last_ns"], clock.state, strict=True):
        if state != "unknown":
            lo, hi = clock.utc_us(int(boot), [int(first), int(max(first, last))])
            out.append((int(lo), int(hi)))
    return out


def span_us(spans: list[tuple[int, int]]) -> int:
    """From the first begin to the last end of the boots, us; 0 without any."""
    return max(hi for _, hi in spans) - min(lo for lo, _ in spans) if spans else 0


def nights_in(spans: list[tuple[int, int]], zone: str, reach_us: int = 0, turn: time = nightnames.NOON) -> list[str]:
    """Dates of the nights that the boots reach into by more than `reach_us` after their begin, oldest first."""
    found = set()
    for lo, hi in spans:
        for night in nightnames.nights_between(lo, hi, zone, turn):
            if hi - nightnames.bounds_utc_us(night, zone, turn)[0] >= reach_us:
                found.add(night)
    return sorted(found)


def choose(wanted: str | None, found: list[str], begun: list[str], asked: bool) -> str | None:
    """The night to show: the wanted one, else the latest that has begun, else the latest; None where none is known.

    A board that stays on after noon reaches into a night that has not begun: `begun` leaves such a night out.

    Raises NothingToAnswer when a night was asked for by date and the log does not reach into it.
    """
    if wanted in found:
        return wanted
    if asked:
        there = ", ".join(found[-12:]) or "none with a time of day"
        raise NothingToAnswer(f"{wanted}: no such night in the log; nights there: {there}")
    return (begun or found or [None])[-1]


def interpreter_versions(rec: Any) -> dict[int, str]:
    """Version of the interpreter that wrote each boot's part of the log."""
    return {int(b): str(v or "") for b, v in zip(rec.boots["boot"], rec.boots["interpreter_version"], strict=True)}


def left_out(clock: Any, window: tuple[int, int] | None) -> list[str]:
    """A sentence on boots that belong to no night because their time of day is unknown; none where all are shown."""
    n = sum(state == "unknown" for state in clock.state)
    if not n or window is None:
        return []
    starts = "1 start of the board carries" if n == 1 else f"{n} starts of the board carry"
    return [
        f"{starts} no time of day and could not be put into any night: what was logged then is not in these numbers."
    ]
