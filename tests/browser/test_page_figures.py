"""Every figure is drawn with the marks that the tables hold, answers the pointer with a sentence, wears the looks."""

import base64
import io
import json
import re

import numpy as np
import pytest
from duskgate.plots import style
from duskgate.plots.visits import ROWS
from duskgate.report.figures import lane_values

from tests.browser.made import NIGHTS

DRAWN = """() => Object.fromEntries([...document.querySelectorAll("[data-figure]")].map(
  place => [place.dataset.figure, {
  traces: (place._fullData || []).map(t => ({
    name: t.name, n: t._length, points: t.type === "bar" || (t.mode || "").includes("markers"),
  })),
  points: place.querySelectorAll(".plot .point, .bars .point, .scatterlayer .point").length,
}]))"""
SENT = "() => document.getElementById('figures').textContent"


def drawn(tab) -> dict:
    """What stands in the page: name of the figure -> its traces with the number of their points, and all points."""
    return tab.page.evaluate(DRAWN)


def length(values) -> int:
    """Number of values of an axis as the page carries it: a list, or eight bytes a number in base64."""
    return len(base64.b64decode(values["bdata"])) // 8 if isinstance(values, dict) else len(values)


def test_every_figure_of_the_page_is_drawn_with_all_that_was_sent(tab):
    found, sent = drawn(tab), json.loads(tab.page.evaluate(SENT))
    assert set(found) == set(sent) and found
    for name, figure in found.items():
        wanted = [length(trace["x"]) for trace in sent[name]["data"]]
        assert [trace["n"] for trace in figure["traces"]] == wanted, name
        assert figure["points"] == sum(t["n"] for t in figure["traces"] if t["points"]) > 0, name


def thinned(n: int, step: int) -> int:
    """How many of n points are drawn where every step-th is."""
    return -(-n // step)


def expected(made) -> dict[tuple[str, str], int]:
    """(figure, trace) -> number of points, counted in the night's own tables and facts."""
    facts, tables = made.night.facts, made.night.tables
    steps = {name: figure["draw_every"] for name, figure in facts["figures"].items()}
    caught = tables["visits"]["caught"].astype(str)
    out = {("visits", said): thinned(int((caught == key).sum()), steps["visits"]) for key, said, *_ in ROWS}
    out["rate", "visits per hour"] = int((tables["rates"]["exposure_s"] > 0).sum())
    out["supply", "reading"] = thinned(len(tables["supply"]), steps["supply"])
    for lane in facts["figures"].get("delay", {}).get("lanes", []):
        out["delay", lane["head"]] = thinned(len(lane_values(tables["fires"], lane)), steps["delay"])
    if "misses" in facts["figures"]:
        out["misses", "all heads lit (share)"] = len(facts["answered_by_gap"])
    return {key: n for key, n in out.items() if n}


@pytest.mark.parametrize("made", NIGHTS, indirect=True, scope="package")
def test_figures_of_a_night_hold_as_many_points_as_its_tables(tab, made):
    found = {(name, t["name"]): t["n"] for name, figure in drawn(tab).items() for t in figure["traces"]}
    wanted = expected(made)
    assert {key: found.get(key) for key in wanted} == wanted and wanted


PLACES = """place => {
  const inside = place.querySelector(".nsewdrag").getBoundingClientRect();
  const seen = [...place.querySelectorAll(".point")].map(p => p.getBoundingClientRect())
    .map(b => [b.x + b.width / 2, b.y + b.height / 2])
    .filter(([x, y]) => x > inside.left && x < inside.right && y > inside.top && y < inside.bottom);
  return [0, 0.3, 0.5, 0.7, 0.99].map(k => seen[Math.floor(k * seen.length)]).filter(p => p);
}"""


def hover_text(page, place) -> str:
    """The words that come up over one of the figure's marks."""
    place.scroll_into_view_if_needed()
    for x, y in place.evaluate(PLACES):
        page.mouse.move(x - 30, y - 30)
        page.mouse.move(x, y)
        try:
            page.wait_for_selector(".hoverlayer .hovertext text", timeout=1500)
        except Exception as error:
            assert "Timeout" in str(error)
            continue
        return place.locator(".hoverlayer .hovertext").first.text_content()
    return ""


def test_over_a_mark_of_every_figure_stands_a_sentence(tab):
    for place in tab.page.locator("[data-figure]").all():
        said = hover_text(tab.page, place)
        assert re.fullmatch(r"\w.*\d.*\.", said, re.DOTALL), (place.get_attribute("data-figure"), said)


GROUND = "getComputedStyle(document.documentElement).backgroundColor"
COLOURS = """() => JSON.stringify([...document.querySelectorAll("[data-figure]")].map(p => [p.data, p.layout]))"""


def test_each_look_takes_page_and_figures_along(tab):
    page = tab.page
    group = page.get_by_role("group", name="Look of this page")
    before = drawn(tab)
    for k, (look, word) in enumerate((("red", "Dim red"), ("paper", "Paper"), ("day", "Day"))):
        group.get_by_role("radio", name=word).check()
        place = style.LOOKS.index(look)
        ground = style.ROLES["ground"][place]
        assert page.evaluate("document.documentElement.dataset.look") == look
        red, green, blue = (int(ground[i : i + 2], 16) for i in (1, 3, 5))
        assert (
            page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
            == f"rgb({red}, {green}, {blue})"
        )
        worn = set(re.findall(r"#[0-9a-f]{6}\b", page.evaluate(COLOURS)))
        assert ground in worn and worn <= {role[place] for role in style.ROLES.values()}, (k, look)
        assert drawn(tab) == before


BOXES = """() => [...document.querySelectorAll("[data-figure]")].map(place => [
  place.getBoundingClientRect().height, place.querySelector("svg").getBoundingClientRect().height])"""


def test_a_window_made_smaller_squeezes_no_figure(tab):
    page, size, before = tab.page, tab.page.viewport_size, tab.page.evaluate(BOXES)
    page.set_viewport_size({"width": 800, "height": 600})
    page.wait_for_function("() => [...document.querySelectorAll('.plot')].every(p => p._fullLayout.width < 800)")
    after = page.evaluate(BOXES)
    page.set_viewport_size(size)
    page.wait_for_function("() => [...document.querySelectorAll('.plot')].every(p => p._fullLayout.width > 800)")
    assert after == before and all(box >= drawn for box, drawn in after)


def test_the_dark_look_shines_in_red_alone(tab):
    image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
    page = tab.page
    page.check("input[value=red]")
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    page.focus("button.copy")
    pixels = np.asarray(image.open(io.BytesIO(page.screenshot(full_page=True))).convert("RGB")).reshape(-1, 3)
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = false; })")
    page.check("input[value=day]")
    assert pixels[:, 1:].max() <= 3, "no green, no blue: tables open, one button focused"
    assert pixels[:, 0].max() > 100 and pixels[:, 0].mean() < 30, "something to read on a dark page"
