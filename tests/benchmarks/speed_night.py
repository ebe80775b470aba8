"""What `duskgate night` costs on a night of some 20,000 edges, against the imports it cannot do without.

The imports are those of pandas, plotly.graph_objects and scipy.optimize; with the page, the seconds of a plain copy of
its bytes to the disk are added to them. Whole processes are timed, in turns.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from tests.benchmarks.rows import Row, at_most, duskgate, in_turns, middle, paired, process
from tests.cli.night_logs import night_log

TURNS = 7
BUDGET = 1.6
IMPORTS = "import pandas, plotly.graph_objects, scipy.optimize"


def rows() -> list[Row]:
    """The command with its page, and without."""
    with tempfile.TemporaryDirectory() as folder:
        log, page, copied = (Path(folder) / name for name in ("night.dgl", "night.html", "copy.html"))
        log.write_bytes(night_log("border-night", seed=3))
        page_words = ("--page", str(page), "--force")
        with_page = duskgate("night", str(log), *page_words)
        with_page()

        def copy() -> float:
            data, start = page.read_bytes(), time.process_time()
            copied.write_bytes(data)
            return time.process_time() - start

        imports = process(["-c", IMPORTS])
        took = in_turns(
            {"imports": imports, "with": with_page, "copy": copy, "without": duskgate("night", str(log))}, TURNS
        )
        megabytes = page.stat().st_size / 1e6
    least = [a + b for a, b in zip(took["imports"], took["copy"], strict=True)]
    said = f"`{IMPORTS}`"
    found = []
    for what, name, against, more in (
        (f"`duskgate night` with its page of {megabytes:.1f} MB", "with", least, " and a copy of the page's bytes"),
        ("`duskgate night` without a page", "without", took["imports"], ""),
    ):
        ratio, spread = paired(took[name], against)
        limit = at_most(BUDGET, ratio)
        baseline = f"{middle(against):.2f} s, {said}{more}"
        found.append(Row(what, f"{middle(took[name]):.2f} s", baseline, **limit, spread=spread))
    return found
