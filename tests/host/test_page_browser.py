"""The page in a real browser under its own policy: figures drawn, nothing refused, nothing fetched, nothing run."""

import io
import shutil

import numpy as np
import pytest

from tests.host.sample_night import SITE, problems, sample_night
from tests.host.test_page import HOSTILE, page_of

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no browser here")


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    """What a browser has to say of a page full of hostile text, in every look, hovered over and printed."""
    night = sample_night()
    for table, column in (("notes", "text"), ("gaps", "detail"), ("boots", "firmware"), ("breaks", "reason")):
        night.tables[table][column] = HOSTILE + "\u202e\x1b"
    site = type(SITE)(**{**vars(SITE), "name": HOSTILE})
    bad = problems(1)
    bad["file"], bad["what"] = HOSTILE, HOSTILE
    path = tmp_path_factory.mktemp("page") / "night.html"
    path.write_text(page_of(night, site, problems=bad, files=[HOSTILE])[1], encoding="utf-8")
    told: dict = {"said": [], "fetched": [], "hovered": set()}
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page()
        page.on("console", lambda message: told["said"].append(message.text))
        page.on("pageerror", lambda error: told["said"].append(str(error)))
        page.on("dialog", lambda dialog: (told["said"].append("a dialog"), dialog.dismiss()))
        page.on("request", lambda request: told["fetched"].append(request.url))
        page.goto(path.as_uri())
        for look in ("red", "paper", "day"):
            page.check(f"input[value={look}]")
        hover(page, told)
        for moment in ("beforeprint", "afterprint"):
            page.evaluate(f"window.dispatchEvent(new Event('{moment}'))")
        told["figures"] = page.evaluate("document.querySelectorAll('.plot').length")
        told["drawn"] = page.evaluate("document.querySelectorAll('.plot:has(svg)').length")
        told["links"] = page.evaluate("document.querySelectorAll('.plot a, img, iframe, object, embed').length")
        told["text"] = page.inner_text("body")
        told["url"] = path.as_uri()
        browser.close()
    return told


def hover(page, told: dict) -> None:
    """Over the middle of the first figures from left to right."""
    for box in page.locator(".plot .nsewdrag").all()[:4]:
        box.scroll_into_view_if_needed()
        place = box.bounding_box()
        for k in range(1, 9):
            page.mouse.move(place["x"] + place["width"] * k / 9, place["y"] + place["height"] / 2)
            page.wait_for_timeout(150)  # hover texts come with a delay
            told["hovered"].update(page.locator(".hoverlayer .hovertext").all_text_contents())


def test_all_figures_are_drawn_and_the_policy_refuses_nothing_that_they_need(seen):
    assert seen["said"] == []
    assert seen["figures"] == seen["drawn"] >= 5 and seen["hovered"]


def test_nothing_is_fetched_but_the_page_itself(seen):
    assert seen["fetched"] == [seen["url"]]


def test_hostile_text_is_read_as_text(seen):
    assert seen["links"] == 0
    assert "<script>alert(1)</script>" in seen["text"] and "\u202e" not in seen["text"]


BROWSERS = {
    "clipboard": "",
    "none": "Object.defineProperty(navigator, 'clipboard', {value: undefined});",
    "refused": "Object.defineProperty(navigator, 'clipboard', {value: undefined}); document.execCommand = () => false;",
}


@pytest.mark.parametrize("browser_has", BROWSERS)
def test_a_table_is_copied_by_keyboard_and_the_page_says_so(browser_has, tmp_path):
    facts, text = page_of(sample_night())
    table = facts["figures"]["rate"]["table"]
    path = tmp_path / "night.html"
    path.write_text(text, encoding="utf-8")
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        context = browser.new_context()
        context.grant_permissions(["clipboard-read", "clipboard-write"])
        page = context.new_page()
        page.add_init_script("window.own = navigator.clipboard;" + BROWSERS[browser_has])
        page.goto(path.as_uri())
        page.evaluate("own.writeText('before')")
        page.focus("#figure-rate summary")
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")  # the table, which may scroll
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.locator("#figure-rate [role=status]:not(:empty)").wait_for()
        said, held = page.inner_text("#figure-rate [role=status]"), page.evaluate("own.readText()")
        marked = page.evaluate("String(document.activeElement.value)")
        browser.close()
    if browser_has == "refused":
        assert "does not let the page copy" in said and held == "before"
        held = marked
    else:
        assert said == f"Copied, {len(table['rows'])} rows under the heads, parted by tabs."
    rows = [line.split("\t") for line in held.splitlines()]
    assert rows == [table["columns"], *table["rows"]]


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory):
    """The page in the dark look, on a narrow screen and on paper: pixels, widths and boxes."""
    path = tmp_path_factory.mktemp("looks") / "night.html"
    path.write_text(page_of(sample_night(), problems=problems(2))[1], encoding="utf-8")
    found: dict = {}
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 900, "height": 800})
        page.goto(path.as_uri() + "#look=red")
        page.locator("details").evaluate_all("all => all.forEach(d => { d.open = true; })")
        page.focus("button.copy")
        found["red"] = page.screenshot(full_page=True)
        page.set_viewport_size({"width": 360, "height": 740})
        page.goto(path.as_uri() + "?narrow")
        page.locator("details").evaluate_all("all => all.forEach(d => { d.open = true; })")
        page.wait_for_timeout(300)
        found["narrow"] = page.evaluate("document.documentElement.scrollWidth")
        page.set_viewport_size({"width": 1200, "height": 800})
        page.goto(path.as_uri())
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        found["sheet"] = page.locator(".plot .main-svg").evaluate_all("all => all.map(s => s.clientWidth)")
        page.evaluate("window.dispatchEvent(new Event('afterprint'))")
        found["window"] = page.locator(".plot .main-svg").evaluate_all("all => all.map(s => s.clientWidth)")
        browser.close()
    return found


def test_the_dark_look_shines_in_red_alone(looked_at):
    image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
    pixels = np.asarray(image.open(io.BytesIO(looked_at["red"])).convert("RGB")).reshape(-1, 3)
    assert pixels[:, 1:].max() <= 3, "no green, no blue: tables open, one button focused"
    assert pixels[:, 0].max() > 100 and pixels[:, 0].mean() < 30, "something to read on a dark page"


def test_nothing_scrolls_sideways_on_a_narrow_screen(looked_at):
    assert looked_at["narrow"] <= 360


def test_figures_fit_the_sheet_and_take_the_window_again(looked_at):
    assert max(looked_at["sheet"]) <= 700 and min(looked_at["window"]) > 900
