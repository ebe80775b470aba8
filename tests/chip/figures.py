"""Figures that the tests measure: gathered in a file, printed as a table.

`python -m tests.chip.figures FILE` prints the table of a file that a run with DUSKGATE_CHIP_FIGURES=FILE has filled.
"""

import json
import os
import sys
from pathlib import Path

FIGURES = "DUSKGATE_CHIP_FIGURES"
_RUN: dict[str, dict] = {}


def note(name: str, **values: object) -> None:
    """Keep a figure under its name; the newest of a name counts."""
    _RUN[name] = values
    path = os.environ.get(FIGURES)
    if path:
        held = read(Path(path))
        held[name] = values
        Path(path).write_text(json.dumps(held, indent=1), encoding="utf-8")


def of_this_run() -> dict[str, dict]:
    return dict(_RUN)


def read(path: Path) -> dict[str, dict]:
    return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}


def table(figures: dict[str, dict]) -> str:
    """Markdown, one row a figure."""
    lines = ["| what | figures |", "|---|---|"]
    for name, values in figures.items():
        lines.append(f"| {name} | {', '.join(f'{k} {_short(v)}' for k, v in values.items())} |")
    return "\n".join(lines)


def _short(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.3g}" if abs(value) < 1000 else f"{value:,.0f}"
    return f"{value:,}" if isinstance(value, int) and not isinstance(value, bool) else str(value)


if __name__ == "__main__":
    print(table(read(Path(sys.argv[1]))))
