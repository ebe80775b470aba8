"""What a speed figure is, where the parts that measure them stand, and how two things are timed side by side.

A part is a module of this folder with `rows() -> list[Row]`; it joins the table by its name in PARTS. A figure is
always the ratio of two things timed in turns in one run, so that a slow or busy computer slows both.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
# name for `--only` -> module of this folder, in the order of the table
PARTS = {
    "start": "speed_start",
    "night": "speed_night",
    "decode": "speed_decode",
    "steps": "speed_steps",
    "season": "speed_season",
    "page": "speed_page",
    "open": "speed_open",
    "pull": "speed_link",
    "board": "speed_board",
}


@dataclass(frozen=True)
class Row:
    """One line of the table.

    what: what was measured. figure, baseline: what was found for it and for what it is held against, in words with
    units. ratio: figure to baseline, whichever way `budget` counts it; spread: its least and greatest of the turns.
    budget: in words; met: whether it holds, None where there is none.
    """

    what: str
    figure: str
    baseline: str
    ratio: float
    budget: str = ""
    met: bool | None = None
    spread: tuple[float, float] | None = None


def at_most(limit: float, ratio: float) -> dict:
    """Budget and verdict of a ratio that must not be above `limit`."""
    return {"ratio": ratio, "budget": f"at most {limit:g}", "met": ratio <= limit}


def at_least(limit: float, ratio: float) -> dict:
    """Budget and verdict of a ratio that must not be below `limit`."""
    return {"ratio": ratio, "budget": f"at least {limit:g}", "met": ratio >= limit}


def in_turns(
    runs: dict[str, Callable[[], object]], turns: int, clock: Callable[[], float] = time.process_time
) -> dict[str, list[float]]:
    """Seconds of each run in each turn, the runs one after the other in every turn; one turn before, to warm up.

    clock: the processor's time of this process, which other work on the computer lengthens least; perf_counter where
    waiting is part of the matter. A run that returns a float has measured its seconds itself.
    """
    took: dict[str, list[float]] = {name: [] for name in runs}
    for turn in range(turns + 1):
        for name, run in runs.items():
            start = clock()
            own = run()
            if turn:
                took[name].append(own if isinstance(own, float) else clock() - start)
    return took


def middle(seconds: Iterable[float]) -> float:
    """Median."""
    return statistics.median(list(seconds))


def paired(above: list[float], below: list[float]) -> tuple[float, tuple[float, float]]:
    """Median of the ratios turn by turn, with the least and the greatest."""
    found = [a / b for a, b in zip(above, below, strict=True)]
    return statistics.median(found), (min(found), max(found))


def process(words: list[str]) -> Callable[[], float]:
    """A run of a whole Python process with these words, our host first on its path, its output thrown away.

    It returns the seconds of the processor, not of the clock: other work on the computer lengthens them least, and
    threads that spin count. Raises RuntimeError where the process fails.
    """
    return lambda: used_by(words)[0]


# A small process between: the memory of a process that starts another one counts as that one's until it has begun.
LAUNCHER = """
import os, subprocess, sys
child = subprocess.Popen([sys.executable, *sys.argv[1:]], stdout=subprocess.DEVNULL)
_, status, used = os.wait4(child.pid, 0)
child.returncode = os.waitstatus_to_exitcode(status)
print(child.returncode, used.ru_utime + used.ru_stime, used.ru_maxrss)
"""


def used_by(words: list[str]) -> tuple[float, float]:
    """Seconds of the processor and greatest memory (MB) of a whole Python process, as `process` runs it.

    Raises RuntimeError where the process fails.
    """
    env = os.environ | {"PYTHONPATH": str(ROOT / "host")}
    told = subprocess.run([sys.executable, "-IS", "-c", LAUNCHER, *words], stdout=subprocess.PIPE, env=env, check=True)
    code, seconds, kilobytes = told.stdout.split()
    if int(code):
        raise RuntimeError(f"{words}: ended with code {int(code)}")
    return float(seconds), int(kilobytes) / 1024


def duskgate(*words: str) -> Callable[[], float]:
    """A run of our command in a process of its own."""
    return process(["-m", "duskgate", *words])
