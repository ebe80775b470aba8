"""The page on a phone: nothing to be pushed sideways, and every control large enough for a finger."""

import pytest

from tests.browser.chromium import open_tab

WIDE_PX, HIGH_PX = 360, 740
FINGER_PX = 24  # WCAG 2.2, success criterion 2.5.8 (target size, minimum)
REACH = """() => [...document.querySelectorAll("body *")].filter(e => e.checkVisibility() && !e.closest(".scroll, svg"))
  .map(e => [e.tagName + "." + e.className, e.getBoundingClientRect().right])
  .filter(([, right]) => right > screen.width + 0.5)"""
SIZES = """() => [...document.querySelectorAll("label, summary, button")].filter(e => e.checkVisibility())
  .map(e => [e.textContent.trim(), e.getBoundingClientRect().height])"""


@pytest.fixture
def phone(browser, made):
    tab = open_tab(browser, made.path, WIDE_PX, HIGH_PX, is_mobile=True, has_touch=True, device_scale_factor=2)
    yield tab
    assert tab.faults() == []
    tab.page.context.close()


def test_a_phone_shows_the_page_without_scrolling_sideways(phone):
    page = phone.page
    assert page.evaluate(REACH) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= WIDE_PX
    assert page.evaluate("innerWidth") == WIDE_PX, "nothing made the window wider"
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= WIDE_PX and page.evaluate(REACH) == []
    assert [said for said, high in page.evaluate(SIZES) if high < FINGER_PX] == []
    widths = page.evaluate("[...document.querySelectorAll('.plot')].map(p => p._fullLayout.width)")
    assert widths and max(widths) <= WIDE_PX
