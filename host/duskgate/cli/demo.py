"""`duskgate demo`: an invented night through the board's real firmware, pulled, analysed and written as a page."""

import tempfile
from pathlib import Path
from typing import Any

import click

from ..errors import UsageError
from ..virtual.scene_plan import PRESETS
from .board_options import example, in_terminal
from .say import say

INVENTED = "This night is invented: moths, weather, heads and every number were made up by a random generator."
LOG_NOTE = "invented night, made by duskgate demo: nothing in this log was measured"


def nights_text() -> str:
    """The list of nights for the help text."""
    return "\b\nNights:\n" + "\n".join(f"  {name:<15} {plan.title}" for name, plan in PRESETS.items())


@example("duskgate demo --dir duskgate-demo --preset quiet-night")
@click.command("demo", help=f"""A simulated night through the real firmware; no hardware needed.

The night is invented: hawk-moths at a flowering-tobacco border in a walled garden in south-west France, three
identical heads. The board's own firmware logs it, the log is pulled over a serial link, analysed and written into DIR:
site.toml, logbook, tables and one page. The same seed gives the same night.

{nights_text()}""")
@click.option(
    "--dir",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("duskgate-demo"),
    show_default=True,
    help="Folder to write into; it must be empty or new.",
)
@click.option(
    "--preset", type=click.Choice(list(PRESETS)), default="border-night", show_default=True, metavar="NIGHT",
    help="Which night; see the list above.",
)  # fmt: skip
@click.option(
    "--seed", type=click.IntRange(0, 2**32 - 1), default=1, show_default=True, help="Another seed, another night."
)
@click.option(
    "--interpreter", type=click.Choice(["auto", "micropython", "cpython"]), default="auto", show_default=True,
    help="What runs the firmware; auto takes MicroPython where it is installed.",
)  # fmt: skip
@click.option("--truth", is_flag=True, help="Also write truth.json: what really happened in the invented night.")
@click.option("--force", is_flag=True, help="Replace an earlier demo in that folder.")
def demo(folder: Path, preset: str, seed: int, interpreter: str, truth: bool, force: bool) -> None:
    from ..virtual import scenes
    from ..virtual.board import interpreter_here

    chosen = interpreter_here(None if interpreter == "auto" else interpreter)
    scene = scenes.make(preset, seed)
    make_ready(folder, scene.plan.board, force)
    write_site(folder, scene)
    say(f"Night    {preset}, seed {seed}: {scene.plan.title}", f"         {INVENTED}")
    say(f"Board    the board's own firmware, run by {RUNNERS[chosen]}")
    pull_night(folder, scene, chosen)
    if truth:
        scene.write_truth(folder / "truth.json")
    say(*report_lines(folder))


RUNNERS = {"micropython": "MicroPython on this computer", "cpython": "CPython (no MicroPython wheel is needed)"}


def make_ready(folder: Path, board: str, force: bool) -> None:
    """An empty folder. With `force`, files of an earlier demo are taken away, and nothing else ever is."""
    if folder.exists() and any(folder.iterdir()) and not force:
        raise UsageError(f"{folder} is not empty: name another folder with --dir, or add --force to replace a demo")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder} cannot be made ({error.strerror}): name another folder with --dir") from error
    remove_earlier(folder, board)


def remove_earlier(folder: Path, board: str) -> None:
    """Take away an earlier demo's files. A log of any other board is somebody's data: then nothing is touched."""
    from ..logfile.container import board_of, read_log_file

    logs = sorted((folder / "logbook").glob("*.dgl"))
    site = folder / "site.toml"
    if not logs and site.exists() and not is_demo_site(site):
        raise UsageError(f"{site} is not from a demo: name another folder with --dir; nothing was changed")
    for path in logs:
        header = read_log_file(path).header
        if header is None or board_of(header) != board:
            raise UsageError(f"{path} is not from a demo: name another folder with --dir; nothing was changed")
    old = [*logs, *(folder / "logbook").glob("????-??-??_site*.toml"), *folder.glob(PAGE.format("????-??-??"))]
    made = [path for path in [*old, folder / "truth.json", *table_paths(folder)] if path.exists()]
    if made and not logs:
        raise UsageError(f"{made[0]} is there, but no demo's log: name another folder with --dir; nothing was changed")
    for path in [*old, folder / "site.toml", folder / "truth.json", *table_paths(folder)]:
        path.unlink(missing_ok=True)


def is_demo_site(path: Path) -> bool:
    """Whether a site file is as some demo wrote it."""
    from ..virtual.scene_site import site_text

    return path.read_bytes() in {site_text(plan).encode("utf-8") for plan in PRESETS.values()}


PAGE = "night-{}.html"


def table_paths(folder: Path) -> list[Path]:
    """Files of the tables of a demo in that folder."""
    from .. import fields

    return [folder / "tables" / f"{name}.csv" for name in fields.TABLES]


def write_site(folder: Path, scene: Any) -> None:
    """The invented rig's site file."""
    from ..tables import write_whole
    from ..virtual.scene_site import site_text

    write_whole(folder / "site.toml", site_text(scene.plan).encode("utf-8"))


def pull_night(folder: Path, scene: Any, interpreter: str) -> None:
    """Play the night through the firmware and pull it into DIR/logbook, as `duskgate pull` would."""
    from ..virtual.scene_play import played
    from .pull import Bar, lines, pull_with

    shown = in_terminal()
    with (
        tempfile.TemporaryDirectory(prefix="duskgate-") as scratch,
        PlayBar(shown) as play,
        played(scene, Path(scratch), interpreter, play) as (_, link),
        Bar(shown) as bar,
    ):
        play.finish()
        link.note("text", 0, LOG_NOTE)  # so that the log itself says what it is, wherever it is copied to
        result = pull_with(link, folder / "logbook", folder / "site.toml", bar)
    say(*(f"Pull     {line}" for line in lines(result)))
    for warning in result.warnings:
        say(f"duskgate: {warning}", err=True)


def report_lines(folder: Path) -> list[str]:
    """Page and tables, as `duskgate night` would write them; lines with the night's answer."""
    from ..report.open_night import open_night
    from .night import closing_lines, write_all

    opened = open_night(folder / "logbook", None, None)
    page = folder / PAGE.format(opened.facts["night"]["date"])
    written = write_all(opened, page, folder / "tables", "csv", False)
    return ["", *opened.facts["summary"], *closing_lines(opened.facts), "", *written]


class PlayBar:
    """Progress of the night's play; silent when nobody watches."""

    def __init__(self, shown: bool):
        self.shown = shown
        self._bar: Any = None

    def __enter__(self) -> "PlayBar":
        return self

    def __exit__(self, *exc: Any) -> None:
        self.finish()

    def __call__(self, percent: int) -> None:
        if not self.shown:
            return
        if self._bar is None:
            self._bar = click.progressbar(length=100, label="Playing the night", file=click.get_text_stream("stderr"))
            self._bar.__enter__()
        self._bar.update(max(0, percent - self._bar.pos))

    def finish(self) -> None:
        """Take the bar off the screen; a second call does nothing."""
        if self._bar is not None:
            self._bar.__exit__(None, None, None)
            self._bar = None
