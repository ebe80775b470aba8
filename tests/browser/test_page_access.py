"""For people who see, hear or move differently: axe-core's rules over every page in every look, tables open."""

import pytest
from duskgate.plots import style

pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not installed")
from axe_playwright_python.sync_playwright import Axe

GRAVE = {"serious", "critical"}


# The marks in a figure are one picture with one text, which is what axe reads; rows of a table are alike.
WHERE = {"exclude": [[".plot > *"], ["tbody tr:nth-child(n+4)"]]}


def grave(found: dict) -> list[tuple]:
    """(rule, what it asks, places) of what axe calls serious or critical."""
    faults = [v for v in found["violations"] if v["impact"] in GRAVE]
    return [(v["id"], v["help"], [node["target"] for node in v["nodes"]][:5]) for v in faults]


@pytest.mark.parametrize("look", style.LOOKS)
def test_axe_finds_no_serious_fault(tab, look):
    page = tab.page
    page.check(f"input[value={look}]")
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    # looks differ in colours alone, so that the other rules need be asked once
    only = {} if look == "day" else {"runOnly": ["color-contrast", "link-in-text-block"]}
    found = Axe().run(page, context=WHERE, options=only).response
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = false; })")
    page.check("input[value=day]")
    assert len(found["passes"]) >= (20 if look == "day" else 1), "the rules were really run"
    assert grave(found) == []


def test_axe_does_see_a_fault(browser, tmp_path):
    path = tmp_path / "bad.html"
    path.write_text(
        "<!DOCTYPE html><html><title>x</title><img src='data:,'><p style='color:#ddd'>too pale</p>", "utf-8"
    )
    page = browser.new_page()
    page.goto(path.as_uri())
    seen = {rule for rule, *_ in grave(Axe().run(page).response)}
    page.close()
    assert {"image-alt", "html-has-lang", "color-contrast"} <= seen
