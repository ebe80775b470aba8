"""The table of speed figures (tests/benchmarks/run.py): how lines are written and joined. Nothing is measured here."""

import pytest

from tests.benchmarks import run
from tests.benchmarks.rows import PARTS, Row, at_least, at_most, in_turns, paired, used_by


def line(part: str, what: str) -> str:
    return run.line_of(part, Row(what, "2 s", "1 s", 2.0), "2026-07-18")


def test_parts_that_did_not_run_keep_their_lines_in_the_order_of_the_parts():
    old = [*run.HEAD, line("start", "old start"), line("night", "old night"), line("night", "more"), line("pull", "p")]
    new = {"decode": [line("decode", "new")], "night": [line("night", "new night")]}
    table = run.merged(old, new)
    assert table[:2] == run.HEAD
    assert [cells.split(" | ")[1] for cells in table[2:]] == ["old start", "new night", "new", "p"]


def test_a_line_of_a_part_that_is_no_more_is_left_out():
    assert run.merged([*run.HEAD, line("gone", "x"), "words around it", ""], {}) == run.HEAD


def test_a_line_says_figure_ratio_turns_budget_and_verdict():
    row = Row("a | b", "3 s", "2 s", **at_most(1.6, 1.5), spread=(1.4, 123.4))
    assert run.line_of("night", row, "2026-07-18") == (
        "| night | a / b | 3 s | 2 s | 1.5 | 1.4 to 123 | at most 1.6 | yes | 2026-07-18 |"
    )
    assert "| 0.5 |  | at least 1 | no |" in run.line_of("pull", Row("a", "1", "2", **at_least(1, 0.5)), "")


def test_every_part_is_a_module_with_rows():
    for part, module in PARTS.items():
        source = (run.ROOT / "tests" / "benchmarks" / f"{module}.py").read_text(encoding="utf-8")
        assert "\ndef rows() -> list[Row]:" in source, part


def test_things_are_timed_in_turns_after_one_to_warm_up():
    called = []
    runs = {"a": lambda: called.append("a") or 1.5, "b": lambda: called.append("b")}
    took = in_turns(runs, 2)
    assert called == ["a", "b"] * 3 and took["a"] == [1.5, 1.5] and len(took["b"]) == 2
    assert paired([2.0, 9.0, 4.0], [1.0, 3.0, 1.0]) == (3.0, (2.0, 4.0))


def test_a_process_that_fails_is_no_figure():
    seconds, megabytes = used_by(["-c", "pass"])
    assert seconds > 0 and megabytes > 1
    with pytest.raises(RuntimeError, match="code 3"):
        used_by(["-c", "raise SystemExit(3)"])
