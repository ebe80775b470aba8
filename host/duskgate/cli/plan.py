"""`duskgate plan`: tonight's plan from the site file, the earlier nights and the sky, with what was assumed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..errors import DamagedLog, UsageError
from .board_options import example, in_terminal, json_option
from .night import checked_date, page_can_be_written, uncollected, write_page
from .say import say_answer
from .season import ReadingBar


class Power(click.ParamType):
    """A share of full power, as 1/32 or 0.03125."""

    name = "share"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The share as a number from 1/1024 to 1."""
        first, slash, second = str(value).partition("/")
        try:
            share = float(first) / float(second) if slash else float(first)
        except (ValueError, ZeroDivisionError):
            share = 0.0
        if not 1 / 1024 <= share <= 1:
            self.fail(f"{value!r} is no share of full power: write it as 1/32 or 0.03125", param, ctx)
        return share


@example("duskgate plan logbook --date 2026-07-19 --hours 3 --guests 2 --page plan.html")
@click.command("plan")
@click.argument("source", metavar="[LOGBOOK]", required=False, type=click.Path(path_type=Path))
@click.option("--logbook", type=click.Path(path_type=Path), help="The same, named: folder of pulled logs, or one log.")
@click.option("--date", callback=checked_date, metavar="DATE", help="Date on which the night begins. Default: tonight.")
@click.option(
    "--site", type=click.Path(path_type=Path),
    help="Site file. Default: the one beside the logbook, else ./site.toml, else the newest dated copy.",
)  # fmt: skip
@click.option("--hours", type=click.FloatRange(0.25, 24), metavar="H", help="How long you stay. Default: 4, assumed.")
@click.option("--guests", type=click.IntRange(1, 100), metavar="N", help="Guests who take turns at one camera.")
@click.option("--shutter-s", type=click.FloatRange(0.00001, 3600), metavar="S", help="What if: shutter time, s.")
@click.option("--iso", type=click.FloatRange(1, 10_000_000), metavar="ISO", help="What if: sensitivity.")
@click.option("--aperture", type=click.FloatRange(0.5, 128), metavar="F", help="What if: f-number.")
@click.option("--power", type=Power(), help="What if: power of every head, such as 1/32.")
@click.option("--page", type=click.Path(path_type=Path, dir_okay=False), help="Write the plan's page: one HTML file.")
@json_option
@click.option("--force", is_flag=True, help="Replace a page that exists.")
def plan(source: Path | None, logbook: Path | None, date: str | None, site: Path | None, **how: Any) -> None:
    """Plan tonight: when to set up, start and rest, how to set camera and heads, what to expect and to bring.

    Without a logbook the plan rests on the site file and the sky, and names what only earlier nights can tell. What
    was assumed and which keys of the site file are missing is said. Exit code 4: a log is damaged, and what could be
    read was used.
    """
    if source and logbook:
        raise UsageError(f"{source} and --logbook {logbook}: name the logbook once")
    page_can_be_written(how["page"], how["force"])
    book = source or logbook
    with uncollected(), ReadingBar(in_terminal()) as bar:
        from ..report.plan_facts import Asked, plan_of

        loaded, name = site_of(site, book)
        asked = Asked(how["hours"], how["guests"], how["shutter_s"], how["iso"], how["aperture"], how["power"])
        facts = plan_of(book, date or tonight(loaded), loaded, asked, site_path=site, site_file=name, progress=bar)
    lines = list(facts["summary"])
    if how["page"]:
        from ..report.page import plan_page

        lines.append(write_page(how["page"], plan_page(facts), how["force"]))
    say_answer(facts, lines, how["as_json"])
    if facts["history"]["damaged"]:
        named = ", ".join(facts["history"]["damaged"])
        raise DamagedLog(f"{book}: damaged logs ({named}): what could be read was used, and the plan is partial")


def site_of(asked: Path | None, book: Path | None) -> tuple[Any, str | None]:
    """Tonight's site file and its name: the one asked for, ./site.toml, the one beside the logbook, or its newest."""
    from .. import sitefile

    folder = book if book is None or book.is_dir() else book.parent
    beside = [] if folder is None else [folder / "site.toml", folder.resolve().parent / "site.toml"]
    dated = [] if folder is None else sorted(folder.glob("*_site.toml"), reverse=True)
    near = [*beside, Path("site.toml")]
    found = asked or next((p for p in [*near, *dated] if p.is_file()), None)
    return (sitefile.load(found), found.name) if found else (None, None)


def tonight(site: Any) -> str:
    """Date of the night that begins or runs now, by this computer's clock and the site's zone."""
    import time

    from ..timebase import nights

    return nights.night_of(time.time_ns() // 1000, str(getattr(site, "zone", None) or "UTC"), nights.turn_of(site))
