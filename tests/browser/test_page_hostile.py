"""Names, notes and files that hold code, quotes and signs of direction are read as text, and nothing of them runs."""

import json

import pytest
from duskgate import sitefile
from duskgate.virtual.scene_site import site_text
from duskgate.virtual.scenes import PRESETS

from tests.browser.chromium import open_tab
from tests.browser.made import SEVERAL, night_folder, written_by
from tests.cli.season_books import book
from tests.host.sample_night import problems, sample_night
from tests.host.test_page import HOSTILE, page_of

# a site file with hidden signs is refused before any page; letters that run from right to left are names like others
NAME = "<script>alert(1)</script>\"'&<img src=x onerror=alert(2)>{{ 7*7 }} \u05d2\u05df \u05e1\u05d2\u05d5\u05e8"
HEAD = "<b>left</b>%{x}\u0634\u0645\u0627\u0644"
ADDED = "document.querySelectorAll('.plot a, img, iframe, object, embed, main b, h1 b, script').length"
SCRIPTS = 4  # two of data, the library, our own


def hostile_site(folder) -> None:
    """Give a logbook's site file names that no page may run."""
    text = site_text(PRESETS["quiet-night"])
    site = sitefile.load(folder / "site.toml")
    for name, worse in ((site.name, NAME), (site.heads[0].name, HEAD)):
        assert f'"{name}"' in text
        text = text.replace(f'"{name}"', json.dumps(worse))
    (folder / "site.toml").write_text(text, encoding="utf-8")
    assert sitefile.load(folder / "site.toml").name != site.name


@pytest.mark.parametrize("command", ["night", *SEVERAL])
def test_names_of_the_site_file_are_text_on_every_page(command, browser, tmp_path):
    folder = tmp_path / "logbook"
    if command == "night":
        night_folder(folder, "quiet-night")
    else:
        book(folder, range(3))
    hostile_site(folder)
    tab = open_tab(browser, written_by(command, folder, tmp_path / "page.html"))
    said, added = tab.page.inner_text("body"), tab.page.evaluate(ADDED)
    assert tab.faults() == []
    tab.page.context.close()
    assert NAME in said
    assert HEAD in said or command == "season"  # which speaks of no heads
    assert added == SCRIPTS


def test_notes_files_boards_and_reasons_are_text(browser, tmp_path):
    night = sample_night(40)
    for table, column in (("notes", "text"), ("gaps", "detail"), ("boots", "firmware"), ("breaks", "reason")):
        night.tables[table][column] = HOSTILE + "\u202e\x1b"
    bad = problems(1)
    bad["file"], bad["what"] = HOSTILE, HOSTILE
    path = tmp_path / "night.html"
    path.write_text(page_of(night, problems=bad, files=[f"2026-07-18_{HOSTILE}_.dgl"])[1], encoding="utf-8")
    for width in (1100, 360):
        tab = open_tab(browser, path, width)
        page = tab.page
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
        page.check("input[value=red]")  # draws every figure anew
        said = page.inner_text("body")
        assert said.count("<script>alert(1)</script>") >= 4 and not set("\u202e\x1b") & set(said)
        assert page.evaluate(ADDED) == SCRIPTS and page.evaluate("document.documentElement.scrollWidth") <= width
        assert tab.faults() == []
        page.context.close()


def test_the_policy_is_there_and_stops_a_script_that_came_in_anyhow(browser, tmp_path):
    text = page_of(sample_night(30))[1]
    assert text.count("</main>") == 1
    foreign = "<script>window.ran = 1</script><img src='https://example.org/x.png' onerror='window.ran = 2'></main>"
    path = tmp_path / "night.html"
    path.write_text(text.replace("</main>", foreign), encoding="utf-8")
    tab = open_tab(browser, path)
    refused, ran = tab.refused(), tab.page.evaluate("window.ran")
    tab.page.context.close()
    assert ran is None and tab.fetched == []
    assert {line.split()[0] for line in refused} >= {"script-src-elem", "img-src", "script-src-attr"}
