"""What opening a page costs, against an empty figure.

A page holds the whole plotly library, so the least that any page of figures costs is that library and one empty
figure. Both are opened in turns, from files, in the same headless Chromium; the time is from the start of the
navigation to the second frame after `load`, when all is drawn. The ratio is that of the shortest turns, which other
work on the computer lengthens least.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from duskgate.virtual.scenes import PRESETS
from plotly.offline import get_plotlyjs

from tests.benchmarks.rows import Row, at_most
from tests.browser.chromium import CHROMIUM, launch
from tests.browser.made import SEVERAL, make

TURNS = 3
RATIO_WANTED, MEGABYTES_WANTED = 2.0, 6.0
EMPTY = """<!DOCTYPE html><html lang="en"><meta charset="utf-8"><title>empty</title><body><div id="one"></div>
<script>{library}</script><script>Plotly.newPlot("one", [], {{}});</script></body></html>"""
FRAMES = "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now()))))"


def opened_ms(browser, path: Path) -> float:
    """From the start of the navigation to the second frame after `load`, in a new context without a cache."""
    with browser.new_context(viewport={"width": 1280, "height": 900}) as context:
        tab = context.new_page()
        tab.goto(path.as_uri(), wait_until="load", timeout=120_000)
        return tab.evaluate(FRAMES)


def rows() -> list[Row]:
    """Time and size of each night of the demo, a season and a delay; none, said on stderr, without a browser."""
    if CHROMIUM is None:
        print("no Chromium on this computer (Debian: apt-get install chromium): pages not opened", file=sys.stderr)
        return []
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        pages = {"empty": Path(folder) / "empty.html"}
        pages["empty"].write_text(EMPTY.format(library=get_plotlyjs()), encoding="utf-8")
        pages |= {name: make(name, Path(folder)).path for name in (*PRESETS, *SEVERAL)}
        browser = launch(play)
        took: dict[str, list[float]] = {name: [] for name in pages}
        for turn in range(TURNS + 1):
            for name, path in pages.items():
                ms = opened_ms(browser, path)
                if turn:  # the first turn warms the disk and the browser
                    took[name].append(ms)
        browser.close()
        sizes = {name: path.stat().st_size / 1e6 for name, path in pages.items()}
    least = {name: min(t) for name, t in took.items()}
    found = []
    for name in list(pages)[1:]:
        limit = at_most(RATIO_WANTED, least[name] / least["empty"])
        limit["budget"] += f", below {MEGABYTES_WANTED:g} MB"
        limit["met"] = limit["met"] and sizes[name] < MEGABYTES_WANTED
        found.append(Row(f"open the page of {name}, {sizes[name]:.2f} MB", f"{least[name]:.0f} ms",
                         f"{least['empty']:.0f} ms, a page of the library and an empty figure", **limit))  # fmt: skip
    return found
