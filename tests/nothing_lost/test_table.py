"""The table of what was tried: rows replace their own script's, others stay."""

import json

import pytest

from tests.marked import lines_between, write_between
from tests.nothing_lost import table

ROW = {
    "what": "cut before | after", "tried": 20_000, "unit": "cuts", "lost": 0, "note": "none invented",
    "command": "python tests/powercut/run.py --cuts 20000",
}  # fmt: skip


def test_new_rows_replace_those_of_their_script_and_others_stay():
    cut = "| x | 1 | 0 | | `python tests/powercut/run.py` | d |"
    soak = "| y | 2 | 0 | | `python tests/nothing_lost/soak.py` | d |"
    line = table.line_of(ROW, "2026-01-02")
    assert line.startswith("| cut before / after | 20,000 cuts | 0 |") and line.count("|") == 7
    assert table.merged([cut, soak], {"powercut": [line]}) == [*table.HEAD, line, soak]


def test_one_reader_fuzzed_alone_leaves_the_lines_of_the_others():
    def line(what, tried):
        return f"| {what} | {tried} | 0 | | `python tests/nothing_lost/fuzz.py` | d |"

    old, new = [line("a", 1), line("b", 1)], [line("a", 2), line("c", 2)]
    assert table.merged(old, {"fuzz": new}, whole=False) == [*table.HEAD, line("a", 2), line("b", 1), line("c", 2)]
    assert table.merged(old, {"fuzz": new}) == [*table.HEAD, *new]


def test_marks_keep_the_rest_of_the_page(tmp_path):
    page = tmp_path / "page.md"
    page.write_text("above\n<!-- t -->\nold\n<!-- end of t -->\nbelow\n", encoding="utf-8")
    write_between(page, "t", ["new", "lines"])
    assert page.read_text(encoding="utf-8") == "above\n<!-- t -->\nnew\nlines\n<!-- end of t -->\nbelow\n"
    assert lines_between(page, "t") == ["new", "lines"]
    with pytest.raises(ValueError, match="once each"):
        write_between(page, "other", [])


def test_rows_of_earlier_runs_are_taken_by_script_and_the_last_one_counts(tmp_path):
    rows = tmp_path / "rows.jsonl"
    rows.write_text("".join(json.dumps({**ROW, "tried": n}) + "\n" for n in (1, 2)), encoding="utf-8")
    assert table.rows_in([rows]) == {"powercut": [{**ROW, "tried": 2}]}


def test_every_script_is_there():
    assert [script for script, *_ in table.SCRIPTS.values() if not (table.TOP / script).is_file()] == []
