"""One run on the bench: fires asked for over the link, and its log pulled into a folder of its own."""

import functools
import sys
import tempfile
from pathlib import Path
from typing import Any

import click

from ..errors import LinkError, UsageError
from .say import say

POLL_S = 0.25
SETTLE_S = 1.0  # after the last fire: its light, and the end of SHOT
HAND_S = 20.0
LATE_S = 30.0  # a series that has not ended so long after it should have


class Run:
    """`begin`, then `shots` or `by_hand`, then `pull`."""

    def __init__(self, link: Any, folder: Path, site_path: Path | None, quiet: bool):
        self.link = link
        self.folder = folder
        self.site_path = site_path
        self.quiet = quiet
        self.path: Path | None = None
        self.done: list[int] = []  # shots of each series

    def begin(self) -> None:
        """Note where the log stands now. Raises UsageError where the board cannot keep what is to come."""
        self.who = self.link.who()
        state = self.link.state()
        if state["store"] != "ok":
            raise UsageError(f"the board's store is {state['store']}: duskgate pull first, then measure")
        self.link.commit()
        self.start_tick = self._tick()
        # a segment begins with the statement of its boot, so the newest is taken whole
        self.from_segment = max((s.number for s in self.link.list_segments()), default=0)

    def _tick(self) -> int:
        return self.link.ask("tick").facts["tick"]

    def shots(self, count: int, gap_s: float) -> None:
        """One series through SHOT, until its last fire. Stopped by the user, the board is told to stop as well."""
        clock = self.link.clock
        self.link.shots(count, round(gap_s * 1000))
        late = clock.monotonic() + count * gap_s + LATE_S
        try:
            with click.progressbar(
                length=count, label=f"Firing every {gap_s:g} s", file=sys.stderr, hidden=self.quiet
            ) as bar:
                while (left := self._left()) > 0:
                    bar.update(count - left - bar.pos)
                    if clock.monotonic() > late:
                        raise LinkError("the board does not end its series of fires: restart it, then try again")
                    clock.sleep(min(POLL_S, gap_s))
                bar.update(count - bar.pos)
        except BaseException:
            self._stop()
            raise
        clock.sleep(max(SETTLE_S, gap_s))
        self.done.append(count)

    def _left(self) -> int:
        return int(self.link.state().get("shots_left") or 0)

    def _stop(self) -> None:
        try:
            self.link.shots(0, 0)
        except LinkError:
            say("duskgate: the board could not be told to stop firing: unplug it or the transmitter", err=True)

    def begin_step(self) -> tuple[int, int]:
        """Where the log stands before a step: its newest segment, and the board's tick."""
        self.link.commit()
        return max((s.number for s in self.link.list_segments()), default=0), self._tick()

    def end_step(self, begun: tuple[int, int]) -> tuple[int, int, int]:
        """The same step with the tick of its end."""
        return (*begun, self._tick())

    def look(self, step: tuple[int, int, int]) -> Any:
        """The log since a step began, read at once and kept nowhere; `pull` fetches all of it in the end."""
        from ..logfile import decode
        from .pull import pull_with

        self.link.commit()
        with tempfile.TemporaryDirectory() as folder:
            result = pull_with(self.link, Path(folder), None, from_segment=step[0], mark=False)
            if result.path is None:
                raise LinkError("the board's log holds nothing of this step: duskgate check says what is wrong")
            return decode.read_dgl_files([result.path])

    def by_hand(self, count: int, pause_s: float) -> None:
        """Guide a hand through the beam. Raises UsageError where none came."""
        from .hands import BeamHands

        hands = BeamHands(self.link, self.who)
        hands.begin()
        came = hands.ask_for(count, HAND_S, pause_s, POLL_S, SETTLE_S, functools.partial(say, err=True))
        if not came:
            raise UsageError("no break of the beam came: duskgate check says what is wrong with it")
        self.done.append(len(came))

    def pull(self) -> Any:
        """The log of this run as a file like any other, read again. The board is not told that it is safe there:
        nights that share the segment belong in the logbook."""
        from ..logfile import decode
        from .pull import pull_with

        self.end_tick = self._tick()
        result = pull_with(self.link, self.folder, self.site_path, from_segment=self.from_segment, mark=False)
        for warning in result.warnings:
            say(f"duskgate: {warning}", err=True)
        if result.path is None:
            raise LinkError("the board's log holds nothing of this run: duskgate check says what is wrong")
        self.path = result.path
        board = self.who["board"].lower()
        from ..logfile.archive import Logbook

        return self._cut(decode.read_dgl_files([p for p in Logbook(self.folder).files() if board in p.stem]))

    def span_of(self, rec: Any, step: tuple[int, int, int]) -> tuple[int, int, int]:
        """(boot, first and last ns) of a step in the recording."""
        return self._ticks_ns(rec, step[1], step[2])

    def _span_ns(self, rec: Any) -> tuple[int, int, int]:
        """(boot, first and last ns) of this run in the recording."""
        return self._ticks_ns(rec, self.start_tick, self.end_tick)

    def _ticks_ns(self, rec: Any, first: int, last: int) -> tuple[int, int, int]:
        found = rec.boots.index[rec.boots["boot_id"] == self.who["boot_id"]]
        if not len(found):
            raise LinkError("the board restarted while it was measured: try again")
        boot = int(found[-1])
        fs = int(rec.boots["tick_fs"].iloc[boot])
        return boot, first * fs // 1_000_000, last * fs // 1_000_000

    def _cut(self, rec: Any) -> Any:
        """Only the shots of this run; edges and anchors stay."""
        boot, first, last = self._span_ns(rec)
        shot = rec.readings["kind"] == "shot"
        inside = (rec.readings["boot"] == boot) & rec.readings["t_ns"].between(first, last)
        rec.readings = rec.readings[~shot | inside].reset_index(drop=True)
        return rec

    def clock_map(self, rec: Any) -> Any:
        """Board time to UTC."""
        from ..timebase.clock import fit_clock

        return fit_clock(rec)

    def window_utc_us(self, rec: Any) -> tuple[int, int]:
        """Begin and end of the run."""
        boot, first, last = self._span_ns(rec)
        lo, hi = self.clock_map(rec).utc_us(boot, [first, last])
        return int(lo), int(hi)
