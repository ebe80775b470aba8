"""`duskgate watch`: the night as it goes on."""

import contextlib
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from ..errors import BoardRefused, LinkError
from .board_options import example, port_option
from .history import History, history, logbook_option, site_option
from .say import say
from .terminal import Screen, ended_by_signal, pictures, pixel_of, size_of
from .watch_events import Events

POLL_S = 0.5
STATE_S = 5.0  # supply, faults and room change slowly
LINK_SHARE = 3.0  # a slow link is asked so seldom that it is quiet for at least this many times as long as it is busy
LONGEST_POLL_S = 5.0
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 10.0
FRAME_S = 0.2  # between two pictures: times go on while the board is not asked
SUMMARY_S = 60.0  # between two plain lines without an event


@example("duskgate watch --seconds 2")
@click.command("watch")
@click.option("--seconds", type=click.FloatRange(0, 86_400 * 7), help="End by itself after so many seconds.")
@click.option("--once", is_flag=True, help="Print one picture and end.")
@click.option("--red", is_flag=True, help="Dim red on black, for eyes that have to see in the dark.")
@logbook_option
@site_option
@port_option
def command(
    seconds: float | None, once: bool, red: bool, logbook: Path, site_path: Path | None, port: str | None
) -> None:
    """Last visit, last fire, heads READY or how long to wait, the beam, supply and faults, live. Ctrl-C ends it.

    The log goes on. A plain count for looking on: the report of the night counts again from the whole log. Unplugging
    the board does no harm: it is found again, and the count goes on where it was. To a file, a pipe or a dumb terminal
    it writes a line at each event and one a minute. --red is the only colour here; without it there is none.
    """
    known = history(logbook, site_path)
    watcher = Watcher(port, known)
    if once:
        once_only(watcher)
        return
    end = None if seconds is None else time.monotonic() + seconds
    with contextlib.closing(watcher):
        watcher.first()
        try:
            with ended_by_signal(), contextlib.suppress(KeyboardInterrupt), pictures() as able:
                (on_screen if able else as_lines)(watcher, end, red)
        finally:
            say(watcher.farewell())


def once_only(watcher: "Watcher") -> None:
    """One picture, of the terminal's width where there is one, of the usual size where there is none."""
    with contextlib.closing(watcher):
        watcher.first()
        watcher.poll()
        lines = watcher.lines()
        if sys.stdout.isatty():
            width, _ = size_of(sys.stdout)
            lines = watcher.lines(width - 1, len(lines), pixel_of(sys.stdout.encoding))
        say(*(line for line in lines if line))


def on_screen(watcher: "Watcher", end: float | None, red: bool) -> None:
    """Live picture until `end` or Ctrl-C; between two questions to the board its times go on."""
    with Screen(red=red) as screen:
        for pause in watcher.polls(end):
            until = watcher.clock.monotonic() + pause
            left = pause
            while True:
                screen.draw(watcher.lines(*screen.size(), screen.pixel))
                if left <= 0:
                    break
                watcher.clock.sleep(min(left, FRAME_S))
                left = until - watcher.clock.monotonic()


def as_lines(watcher: "Watcher", end: float | None, red: bool) -> None:
    """A line at once, one at each event, one a minute without any, and one at the end."""
    events, when = Events(), None
    for pause in watcher.polls(end):
        event = events.of(watcher.live, watcher.status)
        now = watcher.clock.monotonic()
        if event or when is None or now - when >= SUMMARY_S:
            say(watcher.line(event))
            when = now
        watcher.clock.sleep(pause)
    say(watcher.line(events.of(watcher.live, watcher.status)))


class Watcher:
    """Polls one board, survives its absence, keeps the counts."""

    def __init__(self, port: str | None, known: History, clock: Any = time, make_link: Any = None):
        from ..ready.picture import Status

        self.port = port
        self.clock = clock
        self.rules = rules_of(known.site)
        self.status = Status(recycle=known.recycle_s())
        self.live: Any = None
        self.busy_s = 0.0  # how long the last poll kept the link
        self._make_link = make_link or _link
        self._link: Any = None
        self._next = 0
        self._boot_id = 0
        self._state_at = self._heard_at = 0.0
        self._pause_s = FIRST_PAUSE_S

    def first(self) -> None:
        """Find the board. Raises LinkError where there is none, BoardRefused for an old firmware."""
        self._connect()
        if self.live is None:
            self._start(self._link.who())
        self._link.recent(0)

    def close(self) -> None:
        """Give the port back."""
        if self._link is not None:
            self._link.close()
            self._link = None

    def polls(self, end: float | None) -> Iterator[float]:
        """Poll again and again; yields the pause to make after each, shorter than what is left to `end`."""
        while True:
            pause = self.poll()
            left = None if end is None else end - self.clock.monotonic()
            if left is not None and left <= 0:
                return
            yield pause if left is None else min(pause, left)

    def poll(self) -> float:
        """Ask the board once; the pause (s) until the next time. A lost link is taken up again with growing pauses."""
        self._tell_time()
        try:
            self._connect()
            began = self.clock.monotonic()
            self._ask()
        except BoardRefused:
            raise
        except LinkError as error:
            return self._lost(error)
        now = self.clock.monotonic()
        self._heard_at, self.busy_s = now, now - began
        self.status.ahead_s, self._pause_s, self.status.lost = 0.0, FIRST_PAUSE_S, False
        slow = self.busy_s * LINK_SHARE > POLL_S
        self.status.link = f"link slow ({self.busy_s:.1f} s a look)" if slow else "link good"
        return min(max(POLL_S - self.busy_s, LINK_SHARE * self.busy_s), LONGEST_POLL_S)

    def _lost(self, error: LinkError) -> float:
        self.close()
        pause = self._pause_s
        self._pause_s = min(2 * pause, LONGEST_PAUSE_S)
        self.status.lost = True
        self._tell_time()
        return pause

    def _tell_time(self) -> None:
        """The time of day, and how long ago the board was last heard of."""
        here = time.localtime(self.clock.time_ns() / 1e9)
        self.status.day, self.status.clock = time.strftime("%Y-%m-%d", here), time.strftime("%H:%M:%S", here)
        if self._heard_at:
            self.status.ahead_s = self.clock.monotonic() - self._heard_at
        if self.status.lost:
            self.status.link = f"NO LINK for {self.status.ahead_s:.0f} s; the board logs on while it has power"

    def _connect(self) -> None:
        if self._link is None:
            link = self._make_link(self.port)
            link.open()
            self._link = link

    def _ask(self) -> None:
        from ..ready.records import look

        link = self._link
        told = link.ask("tick").facts
        if told.get("boot_id") != self._boot_id:
            self._start(link.who())
        recent = link.recent(self._next)
        unseen = max(0, recent.first - self._next) if self._next else 0
        known = None if unseen or recent.first != self._next else self.live.levels
        self.live.feed(look(recent.data, self.live.who["low_mask"], known), told["tick"], unseen)
        self._next = recent.next
        if not self.status.state or self.clock.monotonic() - self._state_at >= STATE_S:
            self.status.state, self._state_at = link.state(), self.clock.monotonic()
            if self.live.levels is None:
                self.live.levels = self.status.state.get("levels")

    def _start(self, who: dict[str, Any]) -> None:
        """A boot begins. Counts go on over a restart of the board; times of its earlier life mean nothing now."""
        from ..ready.live import Live

        old, self.live = self.live, Live(who, self.rules)
        if old is not None:
            self.status.restarts += 1
            for name in ("visits", "fires", "misses", "strangers", "lit", "unseen"):
                setattr(self.live, name, getattr(old, name))
        self._boot_id, self._next = who["boot_id"], 0

    def lines(self, width: int = 80, height: int = 24, pixel: str = "#") -> list[str]:
        """The picture as of now."""
        from ..ready.picture import picture

        self._tell_time()
        return picture(self.live, self.status, width, height, pixel)

    def line(self, event: str = "") -> str:
        """The same in a line."""
        from ..ready.picture import plain

        self._tell_time()
        return plain(self.live, self.status, event)

    def farewell(self) -> str:
        """Last words."""
        if self.live is None:
            return "Nothing was seen."
        live = self.live
        heads = f"{live.fires} fires, {live.misses} misses" if live.fires_watched else "fires and misses not watched"
        return f"Seen: {live.visits} visits, {heads}. The board logs on."


def rules_of(site: Any) -> Any:
    """Thresholds of the site file, where there is one."""
    from ..ready.live import Rules

    if site is None:
        return Rules()
    limits = site.thresholds
    return Rules(limits.visit_ms / 1000, site.animal.visit_gap_s, limits.lag_max_ms / 1000, limits.light_join_ms / 1000)


def _link(port: str | None) -> Any:
    from ..link.port import BoardLink, one_port

    return BoardLink(one_port(port))
