"""Rows of the table of what was tried: what the scripts of this folder leave for it."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path


def row(what: str, tried: int, unit: str, lost: int, note: str, command: str) -> dict:
    """One row: what was tried how many times, how many of them lost something or went wrong, by which command."""
    return {"what": what, "tried": tried, "unit": unit, "lost": lost, "note": note, "command": command}


def keep(path: Path | None, rows: Iterable[dict]) -> None:
    """Append the rows to a file, a JSON line each; without a file nothing."""
    if path:
        with path.open("a", encoding="utf-8") as file:
            file.writelines(json.dumps(one) + "\n" for one in rows)
