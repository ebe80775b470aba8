"""`duskgate export`: a night in the forms that other programs read."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..errors import DamagedLog, NothingToAnswer, UsageError
from .board_options import example, json_option
from .night import checked_date, closing_lines, uncollected
from .say import say_answer

if TYPE_CHECKING:
    from ..report.open_night import OpenedNight

FORMATS = ("csv", "parquet", "capture", "vcd", "camtrap-dp")
FIGURES = ("visits", "rate", "delay", "pulse", "misses", "supply", "false", "blind")
PICTURES = (".html", ".png", ".svg")
CAPTURE = ("edges.csv", "readings.csv")
Written = tuple[dict[Path, bytes], list[str]]  # files to be written, and sentences on what they hold


@example("duskgate export logbook --format vcd night.vcd")
@click.command("export")
@click.argument("source", metavar="LOG|LOGBOOK", type=click.Path(path_type=Path))
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option(
    "--date", callback=checked_date, metavar="DATE", help="Date on which the night began. Default: the latest."
)
@click.option("--format", "form", type=click.Choice(FORMATS), help="What to write; csv where nothing is said.")
@click.option("--figure", type=click.Choice(FIGURES), help="One figure instead: OUT ends in .html, .png or .svg.")
@json_option
@click.option("--site", type=click.Path(path_type=Path), help="Site file instead of the copy kept with the night.")
@click.option("--force", is_flag=True, help="Replace files that exist.")
def export(source: Path, out: Path, date: str | None, *, form: str | None, figure: str | None, **how) -> None:
    """Write a night for other programs.

    \b
    csv, parquet  every table, a file each, into the folder OUT
    capture       edges.csv and readings.csv into the folder OUT; reads back the same
    vcd           the inputs as a value change dump (IEEE 1364), for signal viewers
    camtrap-dp    visits as a camera trap data package of TDWG, into the folder OUT

    A capture or dump holds whole starts of the board, also what lies beyond the night. PNG and SVG need the extra
    `pictures` and a browser; .html needs neither. Exit code 4: the log is damaged, and what could be read was
    written; 5: the night holds nothing of what was asked.
    """
    targets = targets_of(out, chosen(form, figure), figure)
    if not how["force"]:
        from ..tables import refuse_existing

        refuse_existing(targets)
    with uncollected():
        from ..report.open_night import open_night

        opened = open_night(source, date, how["site"])
        files, said = MAKERS[chosen(form, figure)](opened, out, form or "csv", figure)
        write_files(files, how["force"])
    say_answer(answer(opened, files, said), lines_of(opened, files, said), how["as_json"])
    if opened.damaged:
        raise DamagedLog(f"{source}: the log is damaged: what could be read was written, and it is partial")
    if opened.facts["status"] == "nothing":
        raise NothingToAnswer(f"{source}: the log holds no time in which the beam could be watched")


def answer(opened: OpenedNight, files: dict[Path, bytes], said: list[str]) -> dict[str, Any]:
    """What `--json` prints."""
    facts = opened.facts
    return {
        "night": facts["night"]["date"], "files": [str(path) for path in files], "notes": said,
        "partial": facts["partial"], "remarks": facts["remarks"], "damaged": opened.damaged,
    }  # fmt: skip


def lines_of(opened: OpenedNight, files: dict[Path, bytes], said: list[str]) -> list[str]:
    """The same for a person, with the places of damage."""
    lines = [f"Night    {opened.facts['night']['date']}"]
    lines += [f"Wrote    {path} ({len(content):,} bytes)" for path, content in files.items()]
    return [*lines, *(f"Note     {text}" for text in said), *closing_lines(opened.facts)]


def chosen(form: str | None, figure: str | None) -> str:
    """What is to be made. UsageError where both a format and a figure are asked for."""
    if form and figure:
        raise UsageError("--format and --figure exclude each other: run the command once for each")
    return "figure" if figure else form or "csv"


def targets_of(out: Path, what: str, figure: str | None) -> list[Path]:
    """The files that will be written; UsageError where OUT cannot be what is needed."""
    from .. import fields
    from ..export.camtrap import FILES

    if what in ("vcd", "figure"):
        wanted = (".vcd",) if what == "vcd" else PICTURES
        if out.suffix.lower() not in wanted:
            raise UsageError(f"{out}: name a file that ends in {' or '.join(wanted)}")
        if not out.resolve().parent.is_dir():
            raise UsageError(f"{out}: its folder does not exist: make it first, or name another place")
        return [out]
    if out.exists() and not out.is_dir():
        raise UsageError(f"{out}: is a file, and a folder is needed: name another place")
    names = {"capture": CAPTURE, "camtrap-dp": FILES}.get(what, [f"{name}.{what}" for name in fields.TABLES])
    return [out / name for name in names]


def write_files(files: dict[Path, bytes], force: bool) -> None:
    """Write each whole or not at all, folders made where they are missing."""
    from ..tables import write_whole

    for path, content in files.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(f"{path.parent}: cannot be made ({error.strerror}): name another folder") from error
        write_whole(path, content, force)


def tables_of(opened: OpenedNight, out: Path, form: str, figure: str | None) -> Written:
    """Every table of the night."""
    from ..tables import table_bytes

    return {out / f"{name}.{form}": content for name, content in table_bytes(opened.tables, form).items()}, []


def capture_of(opened: OpenedNight, out: Path, form: str, figure: str | None) -> Written:
    """edges.csv and readings.csv of the night's starts."""
    from ..export.capture import capture_files

    rec, _, said = starts(opened)
    files, more = capture_files(rec, counted=opened.form == "edges.csv")
    return {out / name: content for name, content in files.items()}, [*said, *more]


def vcd_of(opened: OpenedNight, out: Path, form: str, figure: str | None) -> Written:
    """The value change dump of the night's starts."""
    from ..export.vcd import vcd_bytes

    rec, numbers, said = starts(opened)
    content, more = vcd_bytes(rec, opened.clock, numbers)
    return {out: content}, [*said, *more]


def starts(opened: OpenedNight):
    """Recording and numbers of the starts that reach into the night, and a sentence where others are left out."""
    from ..export.starts import count, starts_of

    rec, numbers = starts_of(opened.rec, opened.clock, opened.window_utc_us)
    if not len(numbers):
        raise NothingToAnswer("no start of the board lies in this night, so there is nothing to write")
    left = len(opened.rec.boots) - len(numbers)
    others = count(left, "start of the board outside this night is", "starts of the board outside this night are")
    return rec, numbers, [f"{others} left out."] if left else []


def camtrap_of(opened: OpenedNight, out: Path, form: str, figure: str | None) -> Written:
    """The camera trap data package of the night's visits."""
    from ..export.camtrap import camtrap_files

    facts = opened.facts
    files, said = camtrap_files(
        opened.rec, opened.tables, opened.site, facts["night"]["date"], time.time_ns() // 1000, facts["partial"]
    )
    return {out / name: content for name, content in files.items()}, said


def figure_of(opened: OpenedNight, out: Path, form: str, figure: str | None) -> Written:
    """One figure of the night."""
    facts = opened.facts
    if figure not in facts["figures"]:
        there = ", ".join(facts["figures"]) or "none"
        raise NothingToAnswer(f"this night has nothing for the figure {figure}; figures there: {there}")
    if out.suffix.lower() == ".html":
        from ..report.page import figure_page

        return {out: figure_page(figure, facts, opened.tables).encode("utf-8")}, []
    from .. import plots
    from ..export.picture import picture

    heading = f"Night of {facts['night']['date']}"
    return {out: picture(plots.describe(figure, opened.tables, facts), out.suffix.lower()[1:], heading)}, []


MAKERS: dict[str, Callable[[OpenedNight, Path, str, str | None], Written]] = {
    "csv": tables_of, "parquet": tables_of, "capture": capture_of, "vcd": vcd_of, "camtrap-dp": camtrap_of,
    "figure": figure_of,
}  # fmt: skip
