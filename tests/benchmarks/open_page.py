"""What opening a page costs, against an empty figure: python tests/benchmarks/open_page.py [NAME ..]

A page holds the whole plotly library, so the least that any page of figures costs is that library and one empty
figure. Both are opened in turns, from files, in the same headless Chromium; the time is from the start of the
navigation to the second frame after `load`, when all is drawn. Printed are the shortest of the turns, which other work
on the computer lengthens least, and its ratio, for each night of the demo, a season and a delay; wanted are at most 2
for the ratio and less than 6 MB for the page. Run it on a quiet computer.
"""

import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "host")]

from duskgate.virtual.scenes import PRESETS  # noqa: E402
from playwright.sync_api import sync_playwright  # noqa: E402
from plotly.offline import get_plotlyjs  # noqa: E402

from tests.browser.chromium import CHROMIUM, launch  # noqa: E402
from tests.browser.made import SEVERAL, make  # noqa: E402

TURNS = 5
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


def main(names: list[str]) -> None:
    if CHROMIUM is None:
        sys.exit("no Chromium on this computer: install it (Debian: apt-get install chromium)")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        pages = {"empty": Path(folder) / "empty.html"}
        pages["empty"].write_text(EMPTY.format(library=get_plotlyjs()), encoding="utf-8")
        pages |= {name: make(name, Path(folder)).path for name in names}
        browser = launch(play)
        took: dict[str, list[float]] = {name: [] for name in pages}
        for turn in range(TURNS + 1):
            for name, path in pages.items():
                ms = opened_ms(browser, path)
                if turn:  # the first turn warms the disk and the browser
                    took[name].append(ms)
        browser.close()
        least = {name: min(t) for name, t in took.items()}
        for name, t in least.items():
            size = pages[name].stat().st_size / 1e6
            print(f"{name:<15} {t:6.0f} ms  {t / least['empty']:.2f} x empty  {size:.2f} MB  ({TURNS} turns)")
    print(f"wanted at most {RATIO_WANTED} x and less than {MEGABYTES_WANTED} MB")


if __name__ == "__main__":
    main(sys.argv[1:] or [*PRESETS, *SEVERAL])
