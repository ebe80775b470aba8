"""Many nights of a logbook, one at a time: each with its files, clock, sky and the site file that was in force then.

Only one recording is held at any time; whoever walks through the nights keeps what he needs of each and drops the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .. import sitefile
from ..errors import UsageError
from ..logfile import archive, decode
from ..timebase import clock as timeclock
from ..timebase import nights as nightnames
from . import open_night as one
from .night_sky import sky_of

HOUR_US = 3_600_000_000


@dataclass
class NightSource:
    """One night before it is analysed. `date` is None where the log has no time of day; `window` None: all of `rec`."""

    date: str | None
    rec: Any
    clock: Any
    site: Any
    site_file: str | None
    window: tuple[int, int] | None
    files: list[str]
    sky: dict | None
    left_out: list[str]

    @property
    def problems(self):
        """Damage in this night's own files; those of its neighbours are read for its edges only."""
        found = self.rec.problems
        return found.loc[found["file"].map(lambda f: Path(f).name in self.files).astype(bool)]

    @property
    def boards(self) -> list[str]:
        """Ids of the boards in this night's log, sorted."""
        return sorted({str(b) for b in self.rec.boots["board"] if b})


@dataclass
class NightReader:
    """Walks through the nights of a logbook or a log. `board` as in the file names, first and last: dates, inclusive.

    After the walk `remarks` says what was left out, and `seen` holds the dates of all nights that were there.
    """

    path: Path
    site_path: Path | None = None
    board: str | None = None
    first: str | None = None
    last: str | None = None
    only: set[str] | None = None
    progress: Callable[[int, int], None] | None = None
    remarks: list[str] = field(default_factory=list)
    seen: set[str] = field(default_factory=set)
    _sites: dict[Path, Any] = field(default_factory=dict)

    def __iter__(self) -> Iterator[NightSource]:
        groups = self._groups()
        for k, (name, files, own) in enumerate(groups):
            last = k == len(groups) - 1
            if self._skips(name, groups[k - 1][0] if k else "", last):
                self.seen.add(name)
            else:
                yield from self._nights(name, files, own, last)
            if self.progress:
                self.progress(k + 1, len(groups))

    def _skips(self, name: str, before: str, last: bool) -> bool:
        """True where no night between the name before and this one is asked for."""
        if not name:
            return False
        if self.only is not None and not any(before < d <= name or (last and d > name) for d in self.only):
            return True
        return bool((self.first and name < self.first and not last) or (self.last and before >= self.last))

    def _groups(self) -> list[tuple[str, list[Path], list[Path]]]:
        """(date, files to read, files named for it) of each pull; without a date where no file name has one."""
        if not Path(self.path).is_dir():
            return [("", [], [])]
        named = of_board(archive.Logbook(self.path).nights(), self.board)
        if not named:
            if self.board and boards_of(self.path):
                raise UsageError(f"{self.path}: no log of board {self.board}; boards there: {_listed(self.path)}")
            return [("", [], [])]
        many = boards_of(self.path)
        if self.board is None and len(many) > 1:
            there = _listed(self.path)
            raise UsageError(f"{self.path}: logs of several boards lie here: name one with --board: {there}")
        return [(name, one.files_around(named, name), own) for name, own in sorted(named.items())]

    def _nights(self, name: str, files: list[Path], own: list[Path], last: bool) -> Iterator[NightSource]:
        source = None if files else one.find_source(self.path, None)
        rec = source.rec if source else decode.read_dgl_files(files)
        clock = timeclock.fit_clock(rec)
        site_path = self._site_path(name, source)
        zone = str(getattr(self._site(site_path), "zone", None) or "UTC")
        turn = nightnames.turn_of(self._site(site_path))
        spans = one.boot_spans(rec, clock)
        found = one.nights_in(spans, zone, turn=turn)
        begun = one.nights_in(spans, zone, one.EVENING_US, turn) or found
        if source and source.form != "log" and found and one.span_us(spans) <= one.DAY_US:
            found = begun = found[:1]
        mine = [d for d in begun if d not in self.seen and (not name or d <= name or last)]
        if last:
            self._say_not_begun(set(found) - set(begun))
        own_names = [p.name for p in (source.files if source else own)]
        if not found:
            yield self._unplaced(rec, clock, site_path, own, own_names, last or len(own) == len(files))
        self.seen.update(mine)
        for date in mine:
            if self._wanted(date):
                place = self._site_path(date, source)
                site = self._site(place)
                window = nightnames.bounds_utc_us(date, zone, turn) if len(found) > 1 else None
                lost = one.left_out(clock, window)
                site_name = place.name if place else None
                yield NightSource(date, rec, clock, site, site_name, window, own_names, sky_of(site, date), lost)

    def _unplaced(self, rec: Any, clock: Any, site_path: Path | None, own: list[Path], names: list[str], whole: bool):
        """What a log without any time of day holds; of its own files alone, so that nothing is counted twice."""
        if own and not whole:
            rec = decode.read_dgl_files(own)
            clock = timeclock.fit_clock(rec)
        name = site_path.name if site_path else None
        return NightSource(None, rec, clock, self._site(site_path), name, None, names, None, [])

    def _wanted(self, date: str) -> bool:
        inside = (not self.first or date >= self.first) and (not self.last or date <= self.last)
        return inside and (self.only is None or date in self.only)

    def _site_path(self, night: str, source: one.Source | None) -> Path | None:
        if self.site_path:
            return self.site_path
        folder = self.path if self.path.is_dir() else self.path.parent
        if night and (dated := archive.Logbook(folder).site_for(night)):
            return dated
        if source and source.site_path:
            return source.site_path
        places = (folder / one.SITE_NAME, folder.resolve().parent / one.SITE_NAME)
        return next((p for p in places if p.is_file()), None)

    def _site(self, path: Path | None) -> Any:
        if path is None:
            return None
        if path not in self._sites:
            self._sites[path] = sitefile.load(path)
        return self._sites[path]

    def _say_not_begun(self, dates: set[str]) -> None:
        for date in sorted(dates):
            if self._wanted(date):
                self.remarks.append(f"{date}: the log ends within six hours after noon: that night is left out.")


def of_board(named: dict[str, list[Path]], board: str | None) -> dict[str, list[Path]]:
    """The files of one board only, by the board's name in theirs; all files where no board is named."""
    if board is None:
        return named
    kept = {name: [p for p in files if _board(p).startswith(board.lower())] for name, files in named.items()}
    return {name: files for name, files in kept.items() if files}


def boards_of(folder: Path) -> list[str]:
    """Boards whose logs lie in a logbook, by the files' names."""
    if not Path(folder).is_dir():
        return []
    files = [p for several in archive.Logbook(folder).nights().values() for p in several]
    return sorted({_board(p) for p in files} - {""})


def _board(path: Path) -> str:
    parts = path.stem.split("_")
    return parts[1].lower() if len(parts) >= 3 else ""


def _listed(folder: Path) -> str:
    return ", ".join(boards_of(folder))
