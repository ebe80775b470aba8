"""`duskgate logbook`: what concerns the folder of pulled logs itself."""

from pathlib import Path
from typing import Any

import click

from ..errors import DamagedLog
from .board_options import bytes_text, example, json_option
from .say import say_answer


@example("duskgate logbook verify logbook")
@click.group("logbook")
def logbook() -> None:
    """Look after the folder of pulled logs."""


@example("duskgate logbook verify logbook")
@logbook.command("verify")
@click.argument("folder", metavar="LOGBOOK", type=click.Path(path_type=Path))
@json_option
def command(folder: Path, as_json: bool) -> None:
    """Check every file of a logbook again, and how they fit together. Nothing is changed.

    Checks, blocks, holes in segments, files that contradict each other, names, dated site files, what cut pulls left.
    Exit code 4: something is damaged; what is still whole is said, and the board may still have the rest.
    """
    from ..logfile.verify import verify

    verdict = verify(folder, site_fault)
    say_answer(as_dict(folder, verdict), lines(verdict), as_json)
    if verdict.damaged:
        n = sum(finding.damage for finding in verdict.findings)
        raise DamagedLog(f"{folder}: {n} damaged places; {verdict.whole} of {verdict.files} log files are whole")


def site_fault(path: Path) -> str | None:
    """What is wrong with a site file, or None."""
    from .. import sitefile
    from ..errors import SiteFileError

    try:
        sitefile.load(path)
    except SiteFileError as error:
        return str(error)
    return None


def as_dict(folder: Path, verdict: Any) -> dict[str, Any]:
    """The verdict for a script."""
    rows = [{"file": f.file or None, "what": f.what, "todo": f.todo, "damage": f.damage} for f in verdict.findings]
    boards = {board: {"segments": n, "bytes": size} for board, (n, size) in verdict.boards.items()}
    return {
        "logbook": str(folder), "files": verdict.files, "whole": verdict.whole, "damaged": verdict.damaged,
        "boards": boards, "findings": rows,
    }  # fmt: skip


def lines(verdict: Any) -> list[str]:
    """The verdict for a person."""
    out = []
    for found in verdict.findings:
        out.append(f"{'DAMAGE' if found.damage else 'look':<6} {found.file or 'logbook'}: {found.what}")
        out.append(f"       -> {found.todo}")
    for board, (n, size) in verdict.boards.items():
        out.append(f"Whole  board {board}: {n} segments, {bytes_text(size)}")
    return [*out, f"{verdict.whole} of {verdict.files} log files are whole."]
