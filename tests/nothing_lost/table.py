"""Runs the fault injection scripts and writes what was tried, how many times, and what was lost.

    python tests/nothing_lost/table.py [--quick] [--only powercut soak ...] [--rows FILE ...] [--write DEVELOPERS.md]

Each script appends rows to a file as JSON lines: what, tried, unit, lost, note, command. Rows of scripts that are not
run this time stay in the page with the day of their own run. `--quick` is for trying the command: small counts.
`--rows` runs nothing and takes the rows that scripts started by hand have written today.
"""

from __future__ import annotations

import argparse
import json
import platform
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.marked import lines_between, write_between

TOP = Path(__file__).resolve().parents[2]
MARKS = "nothing lost"
HEAD = ["| what was tried | how many | lost or wrong | remark | command | day |", "|---|---|---|---|---|---|"]
# name -> script, its arguments in full, its arguments when quick
SCRIPTS: dict[str, tuple[str, list[str], list[str]]] = {
    "powercut": ("tests/powercut/run.py", ["--cuts", "20000"], ["--cuts", "300"]),
    "faults": ("tests/nothing_lost/faults.py", [], ["--quick"]),
    "link_chaos": ("tests/nothing_lost/link_chaos.py", [], ["--quick"]),
    "fuzz": ("tests/nothing_lost/fuzz.py", ["--reader", "all"], ["--reader", "all", "--inputs", "2000"]),
    "archive": ("tests/nothing_lost/archive.py", [], ["--quick"]),
    "real_disks": ("tests/nothing_lost/real_disks.py", [], ["--quick"]),
    "hostile_text": ("tests/nothing_lost/hostile_text.py", [], ["--quick"]),
    "soak": ("tests/nothing_lost/soak.py", ["--weeks", "3"], ["--weeks", "0.3"]),
}


def rows_of(name: str, quick: bool) -> list[dict]:
    """Run one script; its rows. Raises CalledProcessError where the script found something lost or broke."""
    script, full, small = SCRIPTS[name]
    arguments = small if quick else full
    with tempfile.TemporaryDirectory() as folder:
        rows = Path(folder) / "rows.jsonl"
        subprocess.run([sys.executable, script, *arguments, "--rows", str(rows)], cwd=TOP, check=True)
        return [json.loads(line) for line in rows.read_text(encoding="utf-8").splitlines()]


def rows_in(files: list[Path]) -> dict[str, list[dict]]:
    """Rows that scripts wrote by themselves, by the name of their script; the last of each kind counts."""
    found: dict[str, dict[str, dict]] = {}
    for path in files:
        for line in path.read_text(encoding="utf-8").splitlines():
            row = json.loads(line)
            found.setdefault(script_of(row["command"]), {})[row["what"]] = row
    return {name: list(rows.values()) for name, rows in found.items() if name}


def line_of(row: dict, day: str) -> str:
    """One row of the table."""
    tried = f"{row['tried']:,} {row['unit']}"
    cells = [row["what"], tried, f"{row['lost']:,}", row.get("note", ""), f"`{row['command']}`", day]
    return "| " + " | ".join(str(cell).replace("|", "/").replace("\n", " ") for cell in cells) + " |"


def script_of(line: str) -> str:
    """The name of the script that a line of the table comes from, "" where it is none of ours."""
    return next((name for name, (script, *_) in SCRIPTS.items() if script in line), "")


def merged(old: list[str], new: dict[str, list[str]], whole: bool = True) -> list[str]:
    """The table's lines: new ones of the scripts that ran, the old ones of the others, in the order of SCRIPTS.

    whole: a script's new lines are all that it has; else its old lines of another kind stay (one reader fuzzed alone).
    """
    kept: dict[str, list[str]] = {}
    for line in old:
        if name := script_of(line):
            kept.setdefault(name, []).append(line)
    return [*HEAD, *(line for name in SCRIPTS for line in _of_script(kept.get(name, []), new.get(name), whole))]


def _of_script(kept: list[str], new: list[str] | None, whole: bool) -> list[str]:
    if new is None or not kept:
        return new or kept
    if whole:
        return new
    fresh = {kind_of(line): line for line in new}
    return [fresh.pop(kind_of(line), line) for line in kept] + list(fresh.values())


def kind_of(line: str) -> str:
    """What a line of the table is about: its first cell."""
    return line.split("|")[1].strip()


def machine() -> str:
    """Where it ran."""
    return f"Python {platform.python_version()}, {platform.system()} {platform.machine()}."


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="small counts, to try the command")
    parser.add_argument("--only", nargs="*", choices=list(SCRIPTS), default=list(SCRIPTS))
    parser.add_argument("--rows", nargs="*", type=Path, help="files of rows; no script is run")
    parser.add_argument("--write", type=Path, help="page that gets the table between its marks")
    given = parser.parse_args()
    day = datetime.now(UTC).strftime("%Y-%m-%d")
    rows = rows_in(given.rows) if given.rows else {name: rows_of(name, given.quick) for name in given.only}
    new = {name: [line_of(row, day) for row in several] for name, several in rows.items()}
    old = lines_between(given.write, MARKS) if given.write else []
    table = merged(old, new, whole=not given.rows)
    print("\n".join(table))
    if given.write:
        write_between(given.write, MARKS, [f"Last run on {machine()}", "", *table])


if __name__ == "__main__":
    main()
