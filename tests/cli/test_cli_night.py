"""`duskgate night`: logs, logbooks and captures in; summary, page, tables, JSON and exit codes out."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from duskgate import fields, sitefile
from duskgate.cli import main
from duskgate.report import open_night as opening
from duskgate.tables import read_table

from tests.cli.night_logs import night_log
from tests.factories import flip

QUIET = night_log("quiet-night", seed=1)
EMPTY = night_log("empty-garden", seed=2, days=1, boot=2)
NAME, NEXT = "2026-07-18_e66138528350ab2c_20260719T060000Z.dgl", "2026-07-19_e66138528350ab2c_20260720T060000Z.dgl"


def run(*words: object, code: int = 0):
    done = CliRunner().invoke(main, ["night", *map(str, words)])
    assert done.exit_code == code, done.output
    return done


@pytest.fixture
def book(tmp_path):
    folder = tmp_path / "logbook"
    folder.mkdir()
    (folder / NAME).write_bytes(QUIET)
    (folder / NEXT).write_bytes(EMPTY)
    return folder


def test_a_log_is_summed_up_in_a_dozen_lines(book):
    lines = run(book / NAME).stdout.splitlines()
    names = [line.split()[0] for line in lines[:12]]
    assert names == [
        "Night",
        "Visits",
        "Sight",
        "Best",
        "Delay",
        "Missed",
        "Recycle",
        "False",
        "Supply",
        "Clock",
        "Log",
        "Tonight",
    ]
    assert lines[0].startswith("Night    2026-07-18")


def test_the_latest_night_of_a_logbook_is_shown_and_the_others_are_named(book):
    out = run(book).stdout
    assert out.startswith("Night    2026-07-19") and "Others   2026-07-18" in out
    assert run(book, "--date", "2026-07-18").stdout.startswith("Night    2026-07-18")


def site_text(name: str, zone: str = "Europe/Paris") -> str:
    return sitefile.template({**sitefile.EXAMPLE, "name": name, "zone": zone})


def test_the_dated_site_file_beside_the_log_is_used_and_names_the_place(book):
    (book / "site.toml").write_text(site_text("the newest rig"))
    (book / "2026-07-18_site.toml").write_text(site_text("the rig of that night"))
    facts = json.loads(run(book, "--date", "2026-07-18", "--json").stdout)
    assert facts["site"]["name"] == "the rig of that night" and facts["log"]["site_file"] == "2026-07-18_site.toml"
    assert facts["local"]["label"] == "Europe/Paris, UTC+2" and facts["remarks"] == []
    # the sun sets near 19:40 UTC there in mid-July (computed; test_sky.py holds the almanac's own figures)
    assert facts["sky"]["text"].startswith("Sunset 21:") and "Moon" in facts["sky"]["text"]
    other = json.loads(run(book, "--json").stdout)
    assert other["site"]["name"] == "the newest rig"


def test_a_site_file_given_by_name_wins_and_its_heads_name_the_lanes(book, tmp_path):
    text = site_text("given").replace('name = "left"', 'name = "left %{x} <b>"\nsensors = ["FLASH1"]', 1)
    (tmp_path / "other.toml").write_text(text)
    facts = json.loads(run(book / NAME, "--site", tmp_path / "other.toml", "--json").stdout)
    lanes = facts["figures"]["delay"]["lanes"]
    # sensors that the site file gives to no head still saw light: they speak for the rest of the heads together
    found = [(lane["head"], lane["column"]) for lane in lanes]
    assert found == [("left %{x} <b>", "latency1_us"), ("FLASH2+FLASH3", None)]
    run(book / NAME, "--site", tmp_path / "other.toml", "--page", tmp_path / "p.html")
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert "left %{x} <b>" not in page and "left %{x} &lt;b&gt;" in page


def test_a_faulty_site_file_is_one_line_with_its_place(book, tmp_path):
    (tmp_path / "bad.toml").write_text('name = "x"\nlatitude = 44\n')
    done = run(book, "--site", tmp_path / "bad.toml", code=2)
    assert "bad.toml, line 2" in done.stderr and done.stderr.count("\n") == 1


def test_a_sound_night_without_visits_is_an_answer(book):
    facts = json.loads(run(book, "--json").stdout)
    assert facts["status"] == "empty" and facts["answer"][0].startswith("Nobody came in")


def test_page_and_tables_are_written_and_named(book, tmp_path):
    page, folder = tmp_path / "night.html", tmp_path / "tables"
    out = run(book, "--page", page, "--tables", folder).stdout
    assert f"Page     {page}" in out and f"in {folder}" in out
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert {p.stem for p in folder.iterdir()} == set(fields.TABLES)
    assert list(read_table(folder / "visits.csv").columns) == list(fields.TABLES["visits"])


def test_parquet_tables_hold_the_same_as_csv_tables(book, tmp_path):
    run(book / NAME, "--tables", tmp_path / "a")
    run(book / NAME, "--tables", tmp_path / "b", "--format", "parquet")
    for name in ("breaks", "visits", "rates"):
        one, two = read_table(tmp_path / "a" / f"{name}.csv"), read_table(tmp_path / "b" / f"{name}.parquet")
        assert len(one) == len(two) and list(one.columns) == list(two.columns)


def test_nothing_is_overwritten_without_force(book, tmp_path):
    page = tmp_path / "night.html"
    page.write_text("mine")
    done = run(book, "--page", page, "--tables", tmp_path / "t", code=2)
    assert "exists already" in done.stderr and page.read_text() == "mine" and not (tmp_path / "t").exists()
    run(book, "--page", page, "--force")
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_a_damaged_log_is_reported_with_offsets_and_exit_code_4(tmp_path):
    log = tmp_path / NAME
    log.write_bytes(flip(QUIET, len(QUIET) // 2))
    done = run(log, "--page", tmp_path / "p.html", code=4)
    assert "offset" in done.stdout and "Partial" in done.stdout and done.stdout.startswith("Night    2026-07-18")
    assert done.stderr.count("\n") == 1 and "damaged" in done.stderr
    facts = json.loads(run(log, "--json", code=4).stdout)
    assert facts["partial"] and facts["log"]["problems"]["rows"][0]["offset"] > 0
    assert (tmp_path / "p.html").exists()


@pytest.mark.parametrize("content", [b"", b"not a log at all"])
def test_a_file_without_a_log_in_it_does_not_count_as_a_night(tmp_path, content):
    log = tmp_path / "x.dgl"
    log.write_bytes(content)
    done = CliRunner().invoke(main, ["night", str(log)])
    assert done.exit_code in (4, 5) and done.stderr.startswith("duskgate: ") and "bug" not in done.stderr


def test_a_night_that_is_not_there_is_exit_code_5_and_names_those_that_are(book):
    done = run(book, "--date", "2026-01-01", code=5)
    assert "2026-07-18" in done.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere"], "not found"),
        (["."], "no .dgl log in this folder"),
        (["readme.txt"], "not a log"),
        (["logbook", "--date", "yesterday"], "YYYY-MM-DD"),
        (["logbook", "--page", "no/such/folder/p.html"], "its folder does not exist"),
        (["logbook", "--site", "missing.toml"], "missing.toml"),
    ],
)
def test_wrong_use_is_one_line_and_exit_code_2(book, tmp_path, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    Path("readme.txt").write_text("")
    assert said in run(*words, code=2).stderr


def test_logs_of_two_boards_are_not_mixed(book):
    (book / "2026-07-19_ffff38528350ab2c_20260720T060000Z.dgl").write_bytes(EMPTY)
    assert "several boards" in run(book, code=2).stderr


def test_an_edges_csv_is_read_as_well(tmp_path):
    rows = ["boot,t_us,channel,level"]
    for k in range(40):
        rows += [f"0,{k * 5e6 + 1000:.3f},BEAM,1", f"0,{k * 5e6 + 90_000:.3f},BEAM,0"]
    (tmp_path / "edges.csv").write_text("\n".join(rows) + "\n")
    facts = json.loads(run(tmp_path / "edges.csv", "--json").stdout)
    assert facts["numbers"]["visits"]["value"] == 40 and "time of day unknown" in facts["log"]["clock_text"]


def test_without_a_time_of_day_rates_stand_at_hours_since_the_start(tmp_path):
    rows = ["boot,t_us,channel,level"]
    for k in range(240):  # a visit a minute for two hours, then one every two minutes
        at = (k * 60 if k < 120 else 7200 + (k - 120) * 120) * 1_000_000 + 1000
        rows += [f"0,{at},BEAM,1", f"0,{at + 90_000},BEAM,0"]
    (tmp_path / "edges.csv").write_text("\n".join(rows) + "\n")
    facts = json.loads(run(tmp_path / "edges.csv", "--json", "--page", tmp_path / "p.html").stdout)
    rates = facts["estimates"]["rates"]
    assert rates["time_of_day"] == "unknown" and rates["session_per_h"]["n"] == 240
    assert rates["session_per_h"]["value"] == pytest.approx(40, rel=0.01)  # 240 visits in six hours
    assert rates["session_per_h"]["lo"] < 40 < rates["session_per_h"]["hi"]
    assert facts["numbers"]["rate"]["label"].endswith("(time of day unknown)")
    assert facts["best_window"]["span"] == "0:00 to 2:00 h after the start"
    assert facts["local"]["since_start"] and "count from the board's first start" in facts["local"]["note"]
    table = facts["figures"]["rate"]["table"]
    assert table["columns"][0] == "time since the start" and table["rows"][1][0] == "0:30 to 1:00 h after the start"
    assert "40 per h" in facts["summary"][1] and "time of day unknown" in facts["summary"][1]
    assert "hours since the board" in (tmp_path / "p.html").read_text()


def test_files_that_may_hold_parts_of_a_night():
    named = {f"2026-07-{d:02d}": [Path(f"2026-07-{d:02d}_b_x.dgl")] for d in (10, 12, 15, 16)}
    around = {
        n: [p.name[8:10] for p in opening.files_around(named, n)] for n in ("2026-07-12", "2026-07-14", "2026-07-30")
    }
    assert around == {"2026-07-12": ["10", "12", "15"], "2026-07-14": ["12", "15", "16"], "2026-07-30": ["15", "16"]}


def test_a_night_that_has_not_begun_is_not_the_latest():
    noon = 1_784_368_800_000_000  # 2026-07-18T10:00:00Z, noon in France then
    hour = 3_600_000_000
    spans = [(noon - 13 * hour, noon + hour)]  # on from 23:00 until an hour after the next noon
    found = opening.nights_in(spans, "Europe/Paris")
    begun = opening.nights_in(spans, "Europe/Paris", opening.EVENING_US)
    assert found == ["2026-07-17", "2026-07-18"] and begun == ["2026-07-17"]
    assert opening.choose(None, found, begun, asked=False) == "2026-07-17"
    assert opening.choose("2026-07-18", found, begun, asked=True) == "2026-07-18"
    assert opening.choose(None, [], [], asked=False) is None


def test_a_capture_of_a_day_stays_one_session_whatever_noon_it_holds(tmp_path):
    """Nobody said in which zone it was taken, so noon in UTC may be the middle of the night there."""
    rows, said = ["boot,t_us,channel,level"], ["boot,t_us,kind,value"]
    start_ms = 1_784_361_600_000  # 2026-07-18 08:00 UTC
    for minute in range(480):
        t_us = minute * 60_000_000
        said.append(f"0,{t_us},rtc_unix_ms,{start_ms + minute * 60_000}")
        rows += [f"0,{t_us + 1_000_000},BEAM,1", f"0,{t_us + 1_200_000},BEAM,0"]
    (tmp_path / "edges.csv").write_text("\n".join(rows) + "\n")
    (tmp_path / "readings.csv").write_text("\n".join(said) + "\n")
    facts = json.loads(run(tmp_path / "edges.csv", "--json").stdout)
    assert facts["estimates"]["kinds"]["visit"] == 480 and facts["night"]["other_nights"] == []
    asked = json.loads(run(tmp_path / "edges.csv", "--date", "2026-07-18", "--json").stdout)
    assert asked["estimates"]["kinds"]["visit"] == 240  # asked for by date: from noon on
