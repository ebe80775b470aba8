"""For people who see, hear or move differently: axe-core's rules over every page in every look, tables open."""

import pytest
from duskgate.plots import style

pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not installed")
from axe_playwright_python.sync_playwright import Axe

from tests.browser.access import grave, look_over


@pytest.mark.parametrize("look", style.LOOKS)
def test_axe_finds_no_serious_fault(tab, look):
    found = look_over(Axe(), tab.page, look)
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
