"""What `duskgate season` costs over 25, 50 and 200 nights of some 20,000 edges: seconds of the processor, and memory.

Whole processes, one turn each (the longest takes minutes). The baseline is the 25 nights: eight times their seconds is
what 200 would take if each night cost the same, and memory should not know how many nights there are.
"""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

from duskgate.virtual import scenes
from duskgate.virtual.scene_site import site_text

from tests.benchmarks.rows import Row, at_most, used_by
from tests.cli.night_logs import night_log
from tests.cli.season_books import log_name

NIGHTS = (25, 50, 200)
SEEDS = 4
PRESET = "border-night"
SLOPE, MEGABYTES = 1.1, 600


def logbook(folder: Path, nights: int) -> int:
    """Write so many nights and their site file; how many bytes of logs."""
    folder.mkdir()
    size = 0
    for day in range(nights):
        size += (folder / log_name(day)).write_bytes(night_log(PRESET, 3 + day % SEEDS, day, day + 1))
    (folder / "site.toml").write_text(site_text(scenes.PRESETS[PRESET]), encoding="utf-8")
    return size


def rows() -> list[Row]:
    """Time and memory of the most nights against the fewest, and how both grow."""
    took = []
    with tempfile.TemporaryDirectory() as folder:
        for nights in NIGHTS:
            book = Path(folder) / str(nights)
            size = logbook(book, nights)
            took.append((nights, size, *used_by(["-m", "duskgate", "season", str(book)])))
    few, most = took[0], took[-1]
    slope = math.log(most[2] / few[2]) / math.log(most[0] / few[0])
    said = ", ".join(f"{nights}: {seconds:.0f} s, {memory:.0f} MB" for nights, _, seconds, memory in took)
    times = most[0] / few[0]
    return [
        Row(f"season over {most[0]} nights, {most[1] / 1e6:.0f} MB of logs", f"{said}; slope {slope:.2f}",
            f"{times * few[2]:.0f} s, {times:.0f} times that of {few[0]} nights", most[2] / (times * few[2]),
            budget=f"slope at most {SLOPE}", met=slope <= SLOPE),
        Row(f"season over {most[0]} nights: memory", f"{most[3]:.0f} MB at the most", f"{MEGABYTES} MB, the budget",
            **at_most(1, most[3] / MEGABYTES)),
        Row(f"season over {most[0]} nights: memory", f"{most[3]:.0f} MB", f"{few[3]:.0f} MB, {few[0]} nights",
            most[3] / few[3]),
    ]  # fmt: skip
