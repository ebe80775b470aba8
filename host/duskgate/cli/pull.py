"""`duskgate pull`: the board's log into the logbook."""

import sys
import time
from pathlib import Path
from typing import Any

import click

from .board_options import bytes_text, example, in_terminal, json_option, port_option
from .say import say, say_answer

SITE_NAME = "site.toml"


@example("duskgate pull --logbook logbook")
@click.command("pull")
@click.option(
    "--logbook",
    type=click.Path(path_type=Path),
    default=Path("logbook"),
    show_default=True,
    help="Folder of pulled logs.",
)
@click.option(
    "--site",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Site file to keep with this night. Default: site.toml in the logbook, or beside it.",
)
@click.option("--whole", is_flag=True, help="Fetch everything that is on the board, also what the logbook has.")
@port_option
@json_option
def command(logbook: Path, site: Path | None, whole: bool, port: str | None, as_json: bool) -> None:
    """Copy what is new from the board into the logbook.

    Every block is checked as it arrives. The board is told what it may drop one day only after the file is safely on
    the disk. A pull that was cut goes on where it was; pulling twice adds nothing.
    """
    from ..link.port import BoardLink, one_port

    site = site or sound_site_beside(logbook)
    with BoardLink(one_port(port)) as link, Bar(shown=in_terminal() and not as_json) as bar:
        result = pull_with(link, logbook, site, bar, whole=whole)
    say_answer(result.as_dict(), lines(result), as_json)
    for warning in result.warnings:
        say(f"duskgate: {warning}", err=True)


def pull_with(link: Any, logbook: Path, site: Path | None, progress: Any = None, **how: Any) -> Any:
    """One pull over an open link, with the link's clock and this program's name. `how`: further options of `Pull`."""
    from .. import __version__
    from ..link.pull import Pull
    from ..logfile.archive import Logbook
    from ..logfile.pull_night import newest_night

    zone, content = site_zone_and_content(site)
    return Pull(
        link,
        Logbook(logbook),
        name_night=lambda seconds, now: newest_night(seconds, now, zone),
        now_utc_us=lambda: link.clock.time_ns() // 1000,
        tool=f"duskgate {__version__}",
        progress=progress,
        site=content,
        **how,
    ).run()


def site_beside(logbook: Path) -> Path | None:
    """The site file in the logbook, else the one beside it, else none; `duskgate night` looks in the same order."""
    places = (logbook / SITE_NAME, logbook.resolve().parent / SITE_NAME)
    return next((p for p in places if p.is_file()), None)


def sound_site_beside(logbook: Path) -> Path | None:
    """The same; one with a mistake is told and left out, as the log has to come off the board all the same."""
    from ..errors import SiteFileError

    site = site_beside(logbook)
    try:
        site_zone_and_content(site)
    except SiteFileError as error:
        say(f"duskgate: {error}; the log is pulled without it", err=True)
        return None
    return site


def site_zone_and_content(site: Path | None) -> tuple[Any, bytes | None]:
    """Time zone of the site (None: this computer's) and the file's bytes. Raises SiteFileError."""
    if site is None:
        return None, None
    from zoneinfo import ZoneInfo

    from .. import sitefile

    return ZoneInfo(sitefile.load(site).zone), site.read_bytes()


def lines(result: Any) -> list[str]:
    """What the pull did, for a person."""
    if result.path is None:
        quiet = result.quiet_moments
        left = f" ({quiet} quiet minutes stay on the board until the next pull)" if quiet else ""
        return [f"Board {result.board}: nothing new{left}."]
    out = [f"Board {result.board}: {bytes_text(result.new_bytes)} new, every block checked. {result.path}"]
    if result.resumed_bytes:
        out.append(f"{bytes_text(result.resumed_bytes)} of it were kept from a pull that had been cut.")
    if result.site:
        out.append(f"Site file kept as {result.site}")
    if result.marked:
        n = len(result.marked)
        out.append(f"{n} segment{' is' if n == 1 else 's are'} marked on the board as safe here.")
    return out


class Bar:
    """Progress with rate and time left; silent when nobody watches."""

    def __init__(self, shown: bool, label: str = "Pulling"):
        self.shown = shown
        self.label = label
        self._bar: Any = None
        self._start = 0.0

    def __enter__(self) -> "Bar":
        return self

    def __exit__(self, *exc: Any) -> None:
        if self._bar is not None:
            self._bar.__exit__(*exc)

    def __call__(self, done: int, total: int) -> None:
        """Bytes fetched so far, of how many."""
        if not self.shown or total == 0:
            return
        if self._bar is None:
            self._start = time.monotonic()
            self._bar = click.progressbar(length=total, label=self.label, show_eta=True, file=sys.stderr)
            self._bar.__enter__()
        seconds = time.monotonic() - self._start
        if seconds > 0.2:
            self._bar.label = f"{self.label}, {done / seconds / 1000:.0f} kB/s"
        self._bar.update(max(0, done - self._bar.pos))
