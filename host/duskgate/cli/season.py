"""`duskgate season`: several nights together, and two rigs or sites compared."""

from pathlib import Path

import click

from ..errors import DamagedLog, NothingToAnswer, UsageError
from .board_options import example, in_terminal, json_option
from .night import checked_date, page_can_be_written, uncollected, write_page
from .say import say_answer


@example("duskgate season logbook --window 1.5 --by sunset --page season.html")
@click.command("season")
@click.argument("source", metavar="LOGBOOK", type=click.Path(path_type=Path))
@click.option(
    "--window", type=click.FloatRange(0.25, 12), default=2.0, show_default=True, metavar="HOURS",
    help="Length of the window that you would sit through or sell.",
)  # fmt: skip
@click.option(
    "--by", type=click.Choice(["sunset", "clock"]),
    help="Hours after sunset, or of the clock. Default: sunset, where the site file gives the place.",
)  # fmt: skip
@click.option("--from", "first", callback=checked_date, metavar="DATE", help="First night, as YYYY-MM-DD.")
@click.option("--to", "last", callback=checked_date, metavar="DATE", help="Last night.")
@click.option("--compare", type=click.Path(path_type=Path), metavar="LOGBOOK2", help="Another rig or site.")
@click.option("--board", metavar="ID", help="Only logs of this board, as in the files' names.")
@click.option("--site", type=click.Path(path_type=Path), help="Site file for all nights instead of the dated copies.")
@click.option("--page", type=click.Path(path_type=Path, dir_okay=False), help="Write the season's page: one HTML file.")
@click.option("--tables", "folder", type=click.Path(path_type=Path), help="Write the season's tables into this folder.")
@json_option
@click.option("--force", is_flag=True, help="Replace files that exist.")
def season(source: Path, window: float, *, by: str | None, first: str | None, last: str | None, **how) -> None:
    """Say which hours are best over several nights, and how sure that is.

    Each night is analysed with its own dated site file. Rates are visits per hour of sight; their intervals show how
    nights differ, and n is nights. Exit code 4: some night's log is damaged, and what could be read is reported; 5: no
    night has a time of day and any time of sight.
    """
    if first and last and first > last:
        raise UsageError(f"--from {first} lies after --to {last}: exchange them")
    from ..report import season_tables

    page_can_be_written(how["page"], how["force"])
    if how["folder"] and not how["force"]:
        season_tables.refuse(how["folder"])
    with uncollected(), ReadingBar(in_terminal()) as bar:
        from ..report.season_facts import season_of

        facts = season_of(
            source, site=how["site"], board=how["board"], first=first, last=last, compare=how["compare"], by=by,
            window_h=window, progress=bar,
        )  # fmt: skip
    written = season_tables.write(facts, how["folder"], how["force"]) if how["folder"] else []
    lines = [*facts["summary"], *([f"Tables   {len(written)} files in {how['folder']}"] if written else [])]
    if how["page"]:
        from ..report.page import season_page

        lines.append(write_page(how["page"], season_page(facts), how["force"]))
    say_answer(facts, lines, how["as_json"])
    leave(source, facts, first or last)


def leave(source: Path, facts: dict, asked: str | None) -> None:
    """Raise what belongs to the exit code; nothing for a sound season."""
    damaged = [*facts["damaged"], *((facts["compare"] or {}).get("damaged") or [])]
    if damaged:
        raise DamagedLog(f"{source}: damaged logs ({', '.join(damaged)}): what could be read was reported, partial")
    if facts["status"] == "nothing":
        there = ", ".join(facts["log"]["seen"][-12:]) or "none with a time of day"
        what = "no such night" if asked and not facts["nights"] else "no night with a time of day and any time of sight"
        raise NothingToAnswer(f"{source}: {what}; nights there: {there}")


class ReadingBar:
    """Progress over the pulls of a logbook; silent when nobody watches."""

    def __init__(self, shown: bool, label: str = "Reading nights"):
        self.shown, self.label = shown, label
        self._bar = None

    def __enter__(self) -> "ReadingBar":
        return self

    def __exit__(self, *exc: object) -> None:
        self.finish()

    def __call__(self, done: int, of: int) -> None:
        if not self.shown or of < 2:
            return
        if self._bar is None:
            self._bar = click.progressbar(length=of, label=self.label, file=click.get_text_stream("stderr"))
            self._bar.__enter__()
        self._bar.update(max(0, done - self._bar.pos))
        if done == of:
            self.finish()

    def finish(self) -> None:
        """Take the bar off the screen; a second call does nothing."""
        if self._bar is not None:
            self._bar.__exit__(None, None, None)
            self._bar = None
