"""Pages for the browser, made from the demo's invented nights without a board: as a pull would leave them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner
from duskgate.cli import main
from duskgate.report.open_night import OpenedNight, open_night
from duskgate.report.page import bench_pulse_page, night_page
from duskgate.virtual.scene_site import site_text
from duskgate.virtual.scenes import PRESETS

from tests.cli.night_logs import night_log
from tests.cli.season_books import book, log_name
from tests.host.bench_pulses import charging_facts

NIGHTS = ("border-night", "empty-garden", "guided-evening")
SEVERAL = ("season", "delay")
BENCH = ("bench_pulse",)


@dataclass
class Made:
    """A page in a file; for a page of one night also what it was made from."""

    name: str
    path: Path
    night: OpenedNight | None = None


def make(name: str, folder: Path) -> Made:
    """The page of a night of the demo by its preset's name, or of a command that reads several nights."""
    if name in SEVERAL:
        return Made(name, written_by(name, book(folder / name, range(4)), folder / f"{name}.html"))
    if name in BENCH:
        return Made(name, bench_page(folder / f"{name}.html"))
    night = open_night(night_folder(folder / name, name))
    return Made(name, write_night(night, folder / f"{name}.html"), night)


def bench_page(path: Path) -> Path:
    """The page of three heads' light pulses at several gaps, the last of them longer."""
    facts = charging_facts([("left", 100.0), ("right", 101.0), ("back", 150.0)])
    path.write_text(bench_pulse_page(facts), encoding="utf-8")
    return path


def night_folder(folder: Path, preset: str, seed: int = 1) -> Path:
    """A logbook with one night of the demo and its site file."""
    folder.mkdir(parents=True)
    (folder / log_name(0)).write_bytes(night_log(preset, seed))
    (folder / "site.toml").write_text(site_text(PRESETS[preset]), encoding="utf-8")
    return folder


def write_night(night: OpenedNight, path: Path) -> Path:
    """The page of an analysed night in a file."""
    path.write_text(night_page(night.facts, night.tables), encoding="utf-8")
    return path


def written_by(command: str, source: Path, page: Path) -> Path:
    """The page that a command of the host tool writes of a logbook."""
    done = CliRunner().invoke(main, [command, str(source), "--page", str(page)])
    assert done.exit_code == 0 and page.is_file(), done.output
    return page
