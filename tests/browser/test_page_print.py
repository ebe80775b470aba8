"""The page on paper: how many sheets, and every figure whole on one of them, on A4 and on Letter."""

import io
import re
import unicodedata

import pytest
from pypdf import PdfReader

BESIDE_MM, ABOVE_MM = 12, 13  # as the page's own style asks for
SHEETS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1 size A
PX_PER_MM = 96 / 25.4  # CSS px, CSS Values and Units level 3
MOST_SHEETS = 12
ENDS = """() => [...document.querySelectorAll("main figure")].map(figure => [
  figure.querySelector("h3").textContent, figure.querySelector("figcaption").textContent])"""


def squeezed(text: str) -> str:
    """Text as it can be compared after it went through a PDF, in which lines and ligatures are broken anywhere."""
    return re.sub(r"[^0-9a-z]", "", unicodedata.normalize("NFKC", text).lower())


@pytest.mark.parametrize("sheet", SHEETS)
def test_every_figure_stands_whole_on_one_sheet(tab, sheet):
    ends = tab.page.evaluate(ENDS)
    pdf = PdfReader(io.BytesIO(tab.page.pdf(format=sheet)))
    width, height = (float(pdf.pages[0].mediabox[k]) / 72 * 25.4 for k in (2, 3))
    assert (width, height) == pytest.approx(SHEETS[sheet], abs=0.5)
    sheets = [squeezed(page.extract_text()) for page in pdf.pages]
    assert 1 <= len(sheets) <= MOST_SHEETS and all(sheets), "no sheet is empty"
    for title, note in ends:
        begins = [k for k, text in enumerate(sheets) if squeezed(title) in text]
        closes = [k for k, text in enumerate(sheets) if squeezed(note)[-40:] in text]
        assert set(begins) & set(closes), (title, begins, closes)


LAYOUT = """() => ({
  widths: [...document.querySelectorAll(".plot")].map(p => p._fullLayout.width),
  heights: [...document.querySelectorAll("main figure")].map(f => f.getBoundingClientRect().height),
  controls: [...document.querySelectorAll(".looks, nav, button")].filter(e => e.checkVisibility()).length,
  grounds: [...new Set([...document.querySelectorAll(".plot")].map(p => p._fullLayout.paper_bgcolor))],
})"""


@pytest.mark.parametrize("sheet", SHEETS)
def test_figures_fit_the_sheet_and_wear_paper_and_the_screen_comes_back(tab, sheet):
    page = tab.page
    across, down = SHEETS[sheet]
    before = page.evaluate(LAYOUT)
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    laid = page.evaluate(LAYOUT)
    page.emulate_media(media="null")
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert laid["widths"] and max(laid["widths"]) <= (across - 2 * BESIDE_MM) * PX_PER_MM
    assert max(laid["heights"]) <= (down - 2 * ABOVE_MM) * PX_PER_MM
    assert laid["controls"] == 0 and laid["grounds"] == ["#ffffff"]
    assert page.evaluate(LAYOUT) == before
