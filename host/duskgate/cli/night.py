"""`duskgate night`: one night's report on the terminal, as a page, as tables, as JSON."""

import contextlib
import gc
import re
from pathlib import Path

import click

from ..errors import DamagedLog, NothingToAnswer, UsageError
from .board_options import example, json_option
from .say import say_answer

PROBLEM_LINES = 20


def checked_date(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    """A date as YYYY-MM-DD, or none."""
    if value is not None and not re.fullmatch(r"\d{4}-\d\d-\d\d", value):
        raise click.BadParameter("write the date on which the night began as YYYY-MM-DD")
    return value


@example("duskgate night logbook --page night.html --tables tables")
@click.command("night")
@click.argument("source", metavar="LOG|LOGBOOK", type=click.Path(path_type=Path))
@click.option(
    "--date", callback=checked_date, metavar="DATE", help="Date on which the night began. Default: the latest."
)
@click.option("--page", type=click.Path(path_type=Path, dir_okay=False), help="Write the night's page: one HTML file.")
@click.option("--tables", "folder", type=click.Path(path_type=Path), help="Write every table into this folder.")
@click.option("--format", "form", type=click.Choice(["csv", "parquet"]), default="csv", show_default=True)
@json_option
@click.option("--site", type=click.Path(path_type=Path), help="Site file instead of the copy kept with the night.")
@click.option("--force", is_flag=True, help="Replace files that exist.")
def night(source: Path, date: str | None, *, page: Path | None, folder: Path | None, form: str, **how) -> None:
    """Say what came, what was caught, what was missed and why.

    LOGBOOK is the folder of pulled logs; a single .dgl log, an edges.csv or a .vcd capture will do as well. Nothing is
    overwritten unless you say --force. Exit code 4: the log is damaged, and what could be read is reported; 5: nothing
    of what was asked can be answered.
    """
    check_targets(page, folder, form, how["force"])
    with uncollected():
        from ..report.open_night import open_night

        opened = open_night(source, date, how["site"])
        written = write_all(opened, page, folder, form, how["force"])
    say_answer(opened.facts, [*opened.facts["summary"], *closing_lines(opened.facts), *written], how["as_json"])
    if opened.damaged:
        raise DamagedLog(f"{source}: the log is damaged: what could be read was reported, and the numbers are partial")
    if opened.facts["status"] == "nothing":
        raise NothingToAnswer(f"{source}: the log holds no time in which the beam could be watched")


@contextlib.contextmanager
def uncollected():
    """No search for reference cycles while libraries load and tables grow: in a short run it finds nothing to free."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()


def check_targets(page: Path | None, folder: Path | None, form: str, force: bool) -> None:
    """Refuse before any work what could not be written after it."""
    from .. import fields
    from ..tables import refuse_existing

    page_can_be_written(page, force)
    if not force:
        refuse_existing([folder / f"{name}.{form}" for name in fields.TABLES if folder])


def page_can_be_written(page: Path | None, force: bool) -> None:
    """Refuse before any work a page that exists already or whose folder is not there; none is fine."""
    if page is None:
        return
    if not page.resolve().parent.is_dir():
        raise UsageError(f"{page}: its folder does not exist: make it first, or name another place")
    if not force:
        from ..tables import refuse_existing

        refuse_existing([page])


def write_page(page: Path, text: str, force: bool) -> str:
    """Write a page whole or not at all; return the line on it."""
    from ..tables import write_whole

    write_whole(page, text.encode("utf-8"), force)
    return f"Page     {page}"


def write_all(opened, page: Path | None, folder: Path | None, form: str, force: bool) -> list[str]:
    """Write the page and the tables that were asked for; return a line on each."""
    from ..tables import write_tables

    lines = []
    if folder:
        paths = write_tables(opened.tables, folder, form, force)
        lines.append(f"Tables   {len(paths)} files in {folder}")
    if page:
        from ..report.page import night_page

        lines.append(write_page(page, night_page(opened.facts, opened.tables), force))
    return lines


def closing_lines(facts: dict) -> list[str]:
    """What makes the numbers partial, damaged places with offsets, and the other nights."""
    lines = [f"Partial  {reason}" for reason in facts["partial"]]
    lines += [f"Remark   {remark}" for remark in facts["remarks"]]
    problems = facts["log"]["problems"]
    if problems["n"]:
        lines.append(f"{'offset':>10} {'bytes':>8}  what")
        shown = problems["rows"][:PROBLEM_LINES]
        lines += [f"{r['offset']:>10} {r['bytes']:>8}  {r['what']} ({r['file']})" for r in shown]
        if problems["n"] > len(shown):
            lines.append(f"{problems['n'] - len(shown)} more: `--json` or the page list them")
    others = facts["night"]["other_nights"]
    if others:
        more = f" and {len(others) - 12} before" if len(others) > 12 else ""
        lines.append(f"Others   {', '.join(others[-12:])}{more} (--date shows one)")
    return lines
