"""The README's pictures, made from the demo's pages: python tests/browser/pictures.py

Each is the top of a page down to the words under one figure. Beside them, in inputs.json, stands for each picture a
hash of what it shows: the page's text that far and the data of the figures in it. `tests/browser/test_pictures.py`
makes the pages anew and compares, so that a picture that no longer says what the page says is noticed.
A page more: a line in PICTURES, and a maker in PAGES.
"""

import base64
import hashlib
import io
import json
import math
import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[:0] = [str(ROOT), str(ROOT / "host")]

import numpy as np  # noqa: E402
from click.testing import CliRunner  # noqa: E402

from tests.browser.chromium import CHROMIUM, launch, open_tab  # noqa: E402
from tests.browser.made import written_by  # noqa: E402
from tests.cli.season_books import book, date_of  # noqa: E402

FOLDER = ROOT / ".pictures"
INPUTS = FOLDER / "inputs.json"
MOST_BYTES = 150_000
COLOURS = 48
FIGURES = 'id="figures">'


def demo_page(folder: Path) -> Path:
    """The page that `duskgate demo` writes."""
    from duskgate.cli import main

    done = CliRunner().invoke(main, ["demo", "--dir", str(folder / "demo")])
    assert done.exit_code == 0, done.output
    return next((folder / "demo").glob("*.html"))


def several_page(command: str) -> Callable[[Path], Path]:
    """A maker of the page that a command writes of eight invented nights."""
    return lambda folder: written_by(command, book(folder / command, range(8)), folder / f"{command}.html")


def plan_page(folder: Path) -> Path:
    """The plan for the night after eight invented ones."""
    from duskgate.cli import main

    page = folder / "plan.html"
    words = ["plan", str(book(folder / "plan", range(8))), "--date", date_of(8), "--page", str(page)]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 0, done.output
    return page


PAGES: dict[str, Callable[[Path], Path]] = {
    "night": demo_page,
    "season": several_page("season"),
    "delay": several_page("delay"),
    "plan": plan_page,
}


@dataclass(frozen=True)
class Picture:
    """`page` (a key of PAGES) in a look, on a screen of that width, down to the words under the figure `until`."""

    page: str
    until: str
    look: str = "day"
    width: int = 860


PICTURES = {
    "night_day": Picture("night", "visits"),
    "night_red": Picture("night", "visits", "red"),
    "night_phone": Picture("night", "visits", width=390),
    "season": Picture("season", "season_map"),
    "delay": Picture("delay", "delay_beam_flash"),
    "plan": Picture("plan", "strip"),
}


class Words(HTMLParser):
    """The text of a part of a page, without scripts."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []

    def handle_data(self, data: str) -> None:
        self.words += data.split()


def shown(page: str, until: str) -> str:
    """Hash of what stands on a page down to the words under a figure: its text, its lines, the figures' data, coarsely.

    Coarsely, because another version of a library may turn the last digits of a number.
    """
    begin = page.index("<body>")
    part = page[begin : page.index("</figcaption>", page.index(f'id="figure-{until}"'))]
    reader = Words()
    reader.feed(part)
    figures = json.loads(page[page.index(FIGURES) + len(FIGURES) :].partition("</script>")[0])
    drawn = {name: coarse(figures[name]["data"]) for name in re.findall(r'data-figure="([\w-]+)"', part)}
    lines = re.findall(r"<(?:rect|line|path)\b[^>]*>", part)  # a drawing that the page itself holds
    assert (until in drawn or lines) and reader.words
    said = [reader.words, drawn, lines] if lines else [reader.words, drawn]
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def coarse(thing):
    """Numbers to a thousandth of their own row's span, single ones to three digits; all else as it is."""
    if isinstance(thing, dict) and "bdata" in thing:
        return steps(np.frombuffer(base64.b64decode(thing["bdata"])))
    if isinstance(thing, dict):
        return {key: coarse(value) for key, value in thing.items()}
    if isinstance(thing, list):
        return [coarse(value) for value in thing]
    return f"{thing:.3g}" if isinstance(thing, float) else thing


def steps(row: np.ndarray) -> list[int | None]:
    """Each number's place between the least and the greatest of its row, in thousandths."""
    known = row[np.isfinite(row)]
    low, span = (float(known.min()), float(np.ptp(known)) or 1.0) if len(known) else (0.0, 1.0)
    return [None if math.isnan(v) else round((v - low) / span * 997 + 0.1234) for v in row.tolist()]


def pages(folder: Path, wanted: set[str]) -> dict[str, Path]:
    """Those pages, made afresh in a folder."""
    return {name: PAGES[name](folder) for name in sorted(wanted)}


def hashes(made: dict[str, Path]) -> dict[str, str]:
    """Picture -> hash of what it would show of these pages."""
    text = {name: path.read_text(encoding="utf-8") for name, path in made.items()}
    return {name: shown(text[one.page], one.until) for name, one in PICTURES.items() if one.page in text}


def fewer_colours(png: bytes) -> bytes:
    """The same picture with a palette: a quarter of the size, and no difference that one sees."""
    from PIL import Image

    out = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(
        out, "PNG", optimize=True
    )
    return out.getvalue()


def take(browser, one: Picture, page: Path, target: Path) -> None:
    """Write one picture; refused above the size that a README may carry."""
    tab = open_tab(browser, page, one.width)
    tab.page.check(f"input[value={one.look}]")
    tab.page.evaluate("document.querySelector('input[name=look]:checked').blur()")
    below = tab.page.locator(f"#figure-{one.until} figcaption").bounding_box()
    clip = {"x": 0, "y": 0, "width": one.width, "height": math.ceil(below["y"] + below["height"] + 12)}
    data = fewer_colours(tab.page.screenshot(full_page=True, clip=clip))
    assert tab.faults() == []
    tab.page.context.close()
    if len(data) > MOST_BYTES:
        sys.exit(f"{target.name}: {len(data)} bytes, more than {MOST_BYTES}: make it narrower or end it earlier")
    target.write_bytes(data)
    print(f"{target.relative_to(ROOT)}  {clip['width']} x {clip['height']} px  {len(data) / 1000:.0f} kB")


def main() -> None:
    """All pictures and their hashes, anew."""
    from playwright.sync_api import sync_playwright

    if CHROMIUM is None:
        sys.exit("no Chromium on this computer: install it (Debian: apt-get install chromium)")
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        made = pages(Path(folder), {one.page for one in PICTURES.values()})
        browser = launch(play)
        for name, one in PICTURES.items():
            take(browser, one, made[one.page], FOLDER / f"{name}.png")
        browser.close()
        INPUTS.write_text(json.dumps(hashes(made), indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
