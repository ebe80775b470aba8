"""`duskgate plan`: a logbook, a site file or neither in; lines, JSON, page and exit codes out."""

import json
import os

import pytest
from click.testing import CliRunner
from duskgate.cli import main

from tests.cli.season_books import book, date_of, log_name
from tests.factories import flip

DATE = date_of(2)


def run(*words: object, code: int = 0):
    done = CliRunner().invoke(main, ["plan", *map(str, words)])
    assert done.exit_code == code, done.output
    return done


@pytest.fixture(scope="module")
def logbook(tmp_path_factory):
    return book(tmp_path_factory.mktemp("plan") / "logbook", (0, 1))


def test_lines_and_json_say_the_same_on_one_screen(logbook):
    lines = run(logbook, "--date", DATE).stdout.splitlines()
    facts = json.loads(run("--logbook", logbook, "--date", DATE, "--json").stdout)
    assert lines == facts["summary"] and facts["facts_version"] == 1 and facts["what"] == "plan"
    assert 10 <= len(lines) <= 24 and max(map(len, lines)) <= 100
    names = [line[:9].strip() for line in lines if not line.startswith(" ")]
    assert names[:3] == ["Plan", "Times", "Dark"] and {"Best", "Beam", "Cells", "Assumed"} <= set(names)


def test_the_page_is_written_once_and_only_with_force_again(logbook, tmp_path):
    page = tmp_path / "plan.html"
    done = run(logbook, "--date", DATE, "--page", page)
    text = page.read_text(encoding="utf-8")
    assert done.stdout.splitlines()[-1] == f"Page     {page}" and text.endswith("</html>")
    assert "exists already" in run(logbook, "--date", DATE, "--page", page, code=2).stderr
    assert page.read_text(encoding="utf-8") == text
    run(logbook, "--date", DATE, "--hours", 2, "--page", page, "--force")
    assert page.read_text(encoding="utf-8") != text and list(tmp_path.iterdir()) == [page]


def test_what_was_given_is_used_and_said(logbook):
    facts = json.loads(
        run(logbook, "--date", DATE, "--hours", 1.5, "--guests", 3, "--shutter-s", 1, "--iso", 800, "--aperture", 8,
            "--power", "1/32", "--json").stdout
    )  # fmt: skip
    said = {key: (n["value"], n["basis"]) for key, n in facts["settings"].items() if key != "fires_per_h"}
    assert said == {"shutter_s": (1, "given"), "iso": (800, "given"), "aperture_f": (8, "given"),
                    "power": (1 / 32, "given"), "hours": (1.5, "given"), "guests": (3, "given")}  # fmt: skip
    assert facts["session"]["hours"] == pytest.approx(1.5)


@pytest.mark.parametrize("words", [("--power", "0"), ("--power", "a/b"), ("--power", "1/0"), ("--power", "2"),
                                   ("--hours", "0"), ("--guests", "0"), ("--date", "tonight")])  # fmt: skip
def test_wrong_values_are_refused_in_one_place(words):
    done = run(*words, code=2)
    assert words[0] in done.stderr and "Traceback" not in done.output


def test_a_logbook_named_twice_or_not_there(logbook, tmp_path):
    assert "once" in run(logbook, "--logbook", logbook, code=2).stderr
    assert run(tmp_path / "nothing", "--date", DATE, code=2).stderr.count("\n") == 1


def test_without_a_logbook_the_site_file_and_the_sky_will_do(logbook, tmp_path):
    site = logbook / "site.toml"
    out = run("--site", site, "--date", DATE).stdout
    assert "no earlier night" in out and "set up" in out
    here = os.getcwd()
    os.chdir(tmp_path)
    try:
        empty = run("--date", DATE).stdout
        assert "latitude_deg" in empty and "not known" in empty
        (tmp_path / "site.toml").write_text(site.read_text(encoding="utf-8"), encoding="utf-8")
        assert run("--date", DATE).stdout == out
    finally:
        os.chdir(here)


def test_tonight_is_the_default(logbook):
    facts = json.loads(run("--site", logbook / "site.toml", "--json").stdout)
    assert facts["night"]["date"] >= "2025-01-01" and facts["night"]["start_utc_us"] < facts["night"]["end_utc_us"]


def test_a_damaged_log_is_used_and_told(logbook, tmp_path):
    (tmp_path / "site.toml").write_text((logbook / "site.toml").read_text(encoding="utf-8"), encoding="utf-8")
    content = (logbook / log_name(0)).read_bytes()
    (tmp_path / log_name(0)).write_bytes(flip(content, len(content) // 2))
    done = run(tmp_path, "--date", DATE, code=4)
    assert "1 earlier night" in done.stdout and "damaged" in done.stderr
    facts = json.loads(run(tmp_path, "--date", DATE, "--json", code=4).stdout)
    assert facts["partial"] and facts["history"]["damaged"] == [date_of(0)]
