"""How soon a command answers: `--help` of all of them against the import of click, which none can do without."""

from __future__ import annotations

from tests.benchmarks.rows import Row, at_most, duskgate, in_turns, middle, paired, process

TURNS = 5
BUDGET = 2.0
COMMANDS = ("", "night", "season", "plan", "pull", "check", "watch", "bench", "delay", "export", "load", "clock")


def rows() -> list[Row]:
    """One row a command."""
    runs = {"click": process(["-c", "import click"])}
    runs |= {name: duskgate(*name.split(), "--help") for name in COMMANDS}
    took = in_turns(runs, TURNS)
    found = []
    for name in COMMANDS:
        ratio, spread = paired(took[name], took["click"])
        words = f"`duskgate {name} --help`".replace("  ", " ")
        limit = at_most(BUDGET, ratio)
        baseline = f'{middle(took["click"]):.3f} s, `python -c "import click"`'
        found.append(Row(words, f"{middle(took[name]):.3f} s", baseline, **limit, spread=spread))
    return found
