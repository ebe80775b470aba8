"""`duskgate season`: logbooks in; lines, JSON, tables and exit codes out."""

import json
import shlex

import pandas as pd
import pytest
from click.testing import CliRunner
from duskgate.cli import main

from tests.cli.season_books import book, date_of, log_name
from tests.factories import flip
from tests.readme_commands import commands


def run(*words: object, code: int = 0):
    done = CliRunner().invoke(main, ["season", *map(str, words)])
    assert done.exit_code == code, done.output
    return done


@pytest.fixture(scope="module")
def logbook(tmp_path_factory):
    return book(tmp_path_factory.mktemp("season") / "logbook", (0, 1, 2, 3))


def test_lines_and_json_say_the_same(logbook):
    lines = run(logbook, "--window", 1.5, "--by", "sunset").stdout.splitlines()
    facts = json.loads(run(logbook, "--window", 1.5, "--json").stdout)
    assert lines == facts["summary"] and facts["window_h"] == 1.5
    names = [line.split()[0] for line in lines if not line.startswith(" ")]
    assert names[:6] == ["Season", "Visits", "Hours", "Nights", "Centre", "Best"]


def test_the_readmes_lines_run_as_they_stand(logbook, monkeypatch):
    monkeypatch.chdir(logbook.parent)
    lines = commands()["season"].splitlines()
    assert len(lines) == 2
    for line in lines:
        done = CliRunner().invoke(main, shlex.split(line, comments=True)[1:])
        assert done.exit_code == 0 and done.stdout.count("\n") >= 9, line


def test_dates_choose_nights_and_are_named_when_none_is_there(logbook):
    facts = json.loads(run(logbook, "--from", date_of(1), "--to", date_of(2), "--json").stdout)
    assert [r["night"] for r in facts["nights"]] == [date_of(1), date_of(2)] and facts["status"] == "few"
    assert date_of(0) in run(logbook, "--from", "2027-01-01", code=5).stderr
    assert "lies after" in run(logbook, "--from", "2027-01-01", "--to", "2026-01-01", code=2).stderr


def test_each_night_is_analysed_with_its_own_site_file(logbook, tmp_path):
    folder = book(tmp_path / "b", (0, 1))
    text = (folder / "site.toml").read_text(encoding="utf-8")
    renamed = text.replace("Walled garden, tobacco border (invented)", "the other bed")
    (folder / f"{date_of(1)}_site.toml").write_text(renamed)
    (folder / f"{date_of(0)}_site.toml").write_text(text)
    facts = json.loads(run(folder, "--json").stdout)
    assert [r["site_file"] for r in facts["nights"]] == [f"{date_of(d)}_site.toml" for d in (0, 1)]
    assert facts["nights"][1]["site"] == "the other bed" and any("several sites" in r for r in facts["remarks"])


def test_tables_are_written_once(logbook, tmp_path):
    run(logbook, "--tables", tmp_path / "t")
    nights = pd.read_csv(tmp_path / "t" / "season_nights.csv")
    assert list(nights["night"]) == [date_of(d) for d in range(4)]
    assert all(nights["lo"].to_numpy() < nights["rate_per_h"].to_numpy())
    hours = pd.read_csv(tmp_path / "t" / "season_rate_by_sunset.csv")
    assert int(hours["n"].sum()) == int(nights["n"].sum())
    assert "exists already" in run(logbook, "--tables", tmp_path / "t", code=2).stderr
    run(logbook, "--tables", tmp_path / "t", "--force")


def test_the_page_is_written_once_and_whole(logbook, tmp_path):
    page = tmp_path / "season.html"
    done = run(logbook, "--page", page)
    text = page.read_text(encoding="utf-8")
    assert done.stdout.splitlines()[-1] == f"Page     {page}" and text.endswith("</html>")
    assert "exists already" in run(logbook, "--page", page, code=2).stderr and page.read_text(encoding="utf-8") == text
    run(logbook, "--page", page, "--by", "clock", "--force")
    assert page.read_text(encoding="utf-8") != text
    assert "folder does not exist" in run(logbook, "--page", tmp_path / "no" / "p.html", code=2).stderr
    assert not [p for p in tmp_path.iterdir() if p != page]


def test_a_damaged_night_is_named_and_the_others_stand(logbook, tmp_path):
    folder = book(tmp_path / "b", (0, 1, 2))
    path = folder / log_name(1)
    path.write_bytes(flip(path.read_bytes(), 40_000))
    done = run(folder, code=4)
    assert date_of(1) in done.stderr and done.stderr.count("\n") == 1
    assert f"Partial  {date_of(1)}" in done.stdout and done.stdout.startswith("Season")
    facts = json.loads(run(folder, "--json", code=4).stdout)
    assert facts["damaged"] == [date_of(1)] and facts["totals"]["n_nights"] == 3


def test_two_boards_need_a_word_which(tmp_path):
    folder = book(book(tmp_path / "b", (0, 1)), (1,), board="ffff38528350ab2c", seed=30)
    said = run(folder, code=2).stderr
    assert "--board" in said and "ffff38528350ab2c" in said
    facts = json.loads(run(folder, "--board", "ffff", "--json").stdout)
    assert [r["night"] for r in facts["nights"]] == [date_of(1)]
    assert "no log of board" in run(folder, "--board", "abcd", code=2).stderr


def test_two_logbooks_are_compared(logbook):
    out = run(logbook, "--compare", logbook).stdout
    assert "Compare  1.00 times as many visits per hour" in out and "no difference can be told" in out


def test_a_capture_without_any_time_of_day_fits_into_no_night(tmp_path):
    rows = ["boot,t_us,channel,level"]
    for k in range(40):
        rows += [f"0,{k * 5e6 + 1000:.3f},BEAM,1", f"0,{k * 5e6 + 90_000:.3f},BEAM,0"]
    (tmp_path / "edges.csv").write_text("\n".join(rows) + "\n")
    assert "no night with a time of day" in run(tmp_path, code=5).stderr


def test_several_nights_of_one_capture(tmp_path):
    """Three nights in one edges.csv: 30 visits each, from 21:00 UTC on."""
    rows, said = ["boot,t_us,channel,level"], ["boot,t_us,kind,value"]
    start_ms = 1_784_408_400_000  # 2026-07-18 21:00 UTC
    for night in range(3):
        for minute in range(0, 181):
            t = night * 86_400_000_000 + minute * 60_000_000
            said.append(f"{night},{minute * 60_000_000},rtc_unix_ms,{start_ms + t // 1000}")
            if minute % 6 == 1:
                at = minute * 60_000_000 + 5_000_000
                rows += [f"{night},{at},BEAM,1", f"{night},{at + 200_000},BEAM,0"]
    (tmp_path / "edges.csv").write_text("\n".join(rows) + "\n")
    (tmp_path / "readings.csv").write_text("\n".join(said) + "\n")
    facts = json.loads(run(tmp_path / "edges.csv", "--json").stdout)
    assert [(r["night"], r["n"]) for r in facts["nights"]] == [(date_of(d), 30) for d in range(3)]
    assert facts["by"] == "clock" and facts["totals"]["rate_per_h"]["value"] == pytest.approx(10, rel=0.01)


@pytest.mark.parametrize("words", [["nowhere"], ["."]])
def test_nothing_there_is_one_line(tmp_path, monkeypatch, words):
    monkeypatch.chdir(tmp_path)
    assert run(*words, code=2).stderr.count("\n") == 1
