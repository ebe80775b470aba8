"""One browser for this folder, and each page opened once; whatever a page does that it should not fails the test."""

from collections.abc import Iterator

import pytest

from tests.browser.chromium import CHROMIUM, Tab, launch, open_tab
from tests.browser.made import BENCH, NIGHTS, SEVERAL, Made, make


@pytest.fixture(scope="package")
def browser() -> Iterator:
    """The system's Chromium, started once for the folder and ended after it."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: no page was opened")
    if CHROMIUM is None:
        pytest.skip("no Chromium on this computer: no page was opened (Debian: apt-get install chromium)")
    with playwright.sync_playwright() as play:
        started = launch(play)
        yield started
        started.close()


@pytest.fixture(scope="package", params=[*NIGHTS, *SEVERAL, *BENCH])
def made(request, browser, tmp_path_factory) -> Made:
    """Each kind of page in turn, as a file."""
    return make(request.param, tmp_path_factory.mktemp("pages"))


@pytest.fixture(scope="package")
def opened(browser, made) -> Iterator[Tab]:
    """The page open on a laptop's screen."""
    tab = open_tab(browser, made.path)
    yield tab
    tab.page.context.close()


@pytest.fixture
def tab(opened) -> Iterator[Tab]:
    """The open page at its top; the test fails if the page said, fetched or tried anything meanwhile."""
    opened.page.evaluate("window.scrollTo(0, 0)")
    yield opened
    assert opened.faults() == []
