"""The table under a figure: it opens by keyboard, says what the facts say, and can be copied."""

import pytest

from tests.browser.chromium import open_tab
from tests.browser.made import NIGHTS, make

BROWSERS = {
    "clipboard": "",
    "none": "Object.defineProperty(navigator, 'clipboard', {value: undefined});",
    "refused": "Object.defineProperty(navigator, 'clipboard', {value: undefined}); document.execCommand = () => false;",
}
CELLS = "t => [...t.rows].map(row => [...row.cells].map(cell => cell.textContent))"


def test_every_figure_has_a_table_that_opens_and_closes_with_one_key(tab):
    figures = tab.page.locator("main figure").all()
    assert figures
    for figure in figures:
        table = figure.locator("table")
        assert not table.is_visible()
        figure.locator("summary").focus()
        tab.page.keyboard.press("Enter")
        assert table.is_visible() and len(table.evaluate(CELLS)) > 1
        tab.page.keyboard.press("Enter")
        assert not table.is_visible()


@pytest.mark.parametrize("made", NIGHTS, indirect=True, scope="package")
def test_tables_under_a_nights_figures_are_those_of_its_facts(tab, made):
    for name, figure in made.night.facts["figures"].items():
        shown = tab.page.locator(f"#table-{name}").evaluate(CELLS)
        assert shown == [figure["table"]["columns"], *(figure["table"]["rows"] or [["none"]])], name


@pytest.fixture(scope="module")
def quiet(tmp_path_factory):
    return make("quiet-night", tmp_path_factory.mktemp("quiet"))


@pytest.mark.parametrize("browser_has", BROWSERS)
def test_a_table_is_copied_by_keyboard_and_the_page_says_so(browser_has, browser, quiet):
    table = quiet.night.facts["figures"]["rate"]["table"]
    script = "window.own = navigator.clipboard;" + BROWSERS[browser_has]
    tab = open_tab(browser, quiet.path, script=script, permissions=["clipboard-read", "clipboard-write"])
    page = tab.page
    page.evaluate("own.writeText('before')")
    page.focus("#figure-rate summary")
    for key in ("Enter", "Tab", "Tab", "Enter"):  # open, past the table, which may scroll, to the button
        page.keyboard.press(key)
    page.wait_for_function("document.querySelector('#figure-rate [role=status]').textContent")
    said, held = page.inner_text("#figure-rate [role=status]"), page.evaluate("own.readText()")
    marked = page.evaluate("String(document.activeElement.value)")
    assert tab.faults() == []
    page.context.close()
    if browser_has == "refused":
        assert "does not let the page copy" in said and held == "before"
        held = marked
    else:
        assert said == f"Copied, {len(table['rows'])} rows under the heads, parted by tabs."
    rows = [line.split("\t") for line in held.splitlines()]
    assert rows == [table["columns"], *table["rows"]]
