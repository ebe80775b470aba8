"""`duskgate delay`: what lies between the broken beam and the light, rig by rig, and what it means in space."""

from pathlib import Path

import click

from ..errors import DamagedLog, NothingToAnswer
from .board_options import example, in_terminal, json_option
from .night import page_can_be_written, uncollected, write_page
from .say import say_answer
from .season import ReadingBar


@example("duskgate delay logbook --speed-m-s 1.2 --page delay.html")
@click.command("delay")
@click.argument("sources", metavar="LOG|LOGBOOK [MORE ...]", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--speed-m-s", "speed", type=click.FloatRange(0.001, 50), metavar="X",
    help="Speed of the animal across the beam, m/s. Default: that of the site file.",
)  # fmt: skip
@click.option("--site", type=click.Path(path_type=Path), help="Site file for all logs instead of the dated copies.")
@click.option("--page", type=click.Path(path_type=Path, dir_okay=False), help="Write the delay's page: one HTML file.")
@json_option
@click.option("--force", is_flag=True, help="Replace a page that exists.")
def delay(
    sources: tuple[Path, ...], speed: float | None, site: Path | None, page: Path | None, as_json: bool, force: bool
) -> None:
    """Measure the delay by path and head, compare rigs, and say where to put the beam.

    Several logs, or several boards in one logbook, stand side by side; differences are from the first. The way that
    the animal flies during the delay is set against the depth of field of the site file's camera. Exit code 4: a log
    is damaged, and what could be read is reported; 5: no log tells any delay.
    """
    page_can_be_written(page, force)
    with uncollected(), ReadingBar(in_terminal()) as bar:
        from ..report.delay_facts import delays_of

        facts = delays_of(list(sources), speed_m_s=speed, site=site, progress=bar)
    lines = list(facts["summary"])
    if page:
        from ..report.page import delay_page

        lines.append(write_page(page, delay_page(facts), force))
    say_answer(facts, lines, as_json)
    if facts["damaged"]:
        raise DamagedLog(f"{', '.join(facts['damaged'])}: the log is damaged: what could be read was reported, partial")
    if facts["status"] == "nothing":
        raise NothingToAnswer("no light could be matched with a break in any of these logs, so no delay is known")
