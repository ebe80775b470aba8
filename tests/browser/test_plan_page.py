"""The plan's page in a real browser: sound in every look, whole on a phone, and on ONE sheet of either paper."""

import dataclasses
import io

import pytest
from duskgate import sitefile
from duskgate.plots import style
from duskgate.report import plan_facts
from duskgate.report.page import plan_page
from duskgate.report.plan_facts import Asked
from duskgate.report.plan_history import History, read_history
from pypdf import PdfReader

from tests.browser.access import grave, look_over
from tests.browser.chromium import open_tab
from tests.cli.season_books import book, date_of

PLANS = ("four nights", "no night", "no site file", "no darkness")


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """A page for each of PLANS: (file, facts)."""
    folder = tmp_path_factory.mktemp("plan")
    logbook = book(folder / "logbook", range(4))
    site = sitefile.load(logbook / "site.toml")
    north = dataclasses.replace(site, latitude_deg=69.0, longitude_deg=20.0)
    asked = Asked(hours=3.0, guests=3)
    made = {
        "four nights": plan_facts.plan_facts(site, read_history(logbook), date_of(4), asked, "site.toml"),
        "no night": plan_facts.plan_facts(site, History(""), date_of(4), Asked()),
        "no site file": plan_facts.plan_facts(None, History(""), date_of(4), Asked()),
        "no darkness": plan_facts.plan_facts(north, History(""), "2026-06-21", asked),
    }
    out = {}
    for name, facts in made.items():
        path = folder / f"{name.replace(' ', '-')}.html"
        path.write_text(plan_page(facts), encoding="utf-8")
        out[name] = (path, facts)
    return out


@pytest.mark.parametrize("name", PLANS)
def test_it_prints_on_one_sheet_and_is_whole_on_a_phone_in_every_look(browser, pages, name):
    path, facts = pages[name]
    tab = open_tab(browser, path)
    for paper in ("A4", "Letter"):
        pdf = PdfReader(io.BytesIO(tab.page.pdf(format=paper)))
        assert len(pdf.pages) == 1, paper
        text = " ".join(pdf.pages[0].extract_text().split())
        for said in (facts["page_title"], *(row["title"] for row in facts["timetable"]), "Flash.", "Eyes.", "Law."):
            assert said in text, said
    tab.page.set_viewport_size({"width": 390, "height": 800})
    for look in ("day", "red", "paper"):
        tab.page.check(f"input[name=look][value={look}]")
        assert tab.page.evaluate("document.documentElement.dataset.look") == look
        assert tab.page.evaluate("document.documentElement.scrollWidth") <= 390
    assert tab.faults() == []
    tab.page.context.close()


def test_printed_letters_can_be_read(browser, pages):
    """Nothing on the sheet is smaller than 7 points; common practice for small print is 6 or more, no source."""
    tab = open_tab(browser, pages["four nights"][0])
    tab.page.emulate_media(media="print")
    points = tab.page.evaluate(
        """() => [...document.querySelectorAll("td, th, dd, dt, li, p, span, figcaption")]
        .filter(e => e.checkVisibility() && e.textContent.trim())
        .map(e => parseFloat(getComputedStyle(e).fontSize) * 0.75)"""
    )
    assert len(points) > 40 and min(points) >= 6.99
    tab.page.context.close()


@pytest.mark.parametrize("look", style.LOOKS)
def test_axe_finds_no_serious_fault(browser, pages, look):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    tab = open_tab(browser, pages["four nights"][0])
    found = look_over(axe.Axe(), tab.page, look)
    assert len(found["passes"]) >= (20 if look == "day" else 1), "the rules were really run"
    assert grave(found) == []
    tab.page.context.close()
