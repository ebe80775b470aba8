"""`duskgate export`: every form from a logbook, what is refused, what is said of damage, and pictures."""

import json
import shutil
import sys

import pandas as pd
import pytest
from click.testing import CliRunner
from duskgate import fields, sitefile
from duskgate.cli import main
from duskgate.cli.export import FIGURES
from duskgate.export import picture as pictures
from duskgate.logfile.captures import read_edges_csv
from duskgate.logfile.decode import read_dgl
from duskgate.logfile.vcd import read_vcd
from duskgate.report.figures import ORDER
from duskgate.tables import read_table

from tests.cli.night_logs import night_log
from tests.factories import flip

QUIET = night_log("quiet-night", seed=1)
EMPTY = night_log("empty-garden", seed=2, days=1, boot=2)
NAME, NEXT = "2026-07-18_e66138528350ab2c_20260719T060000Z.dgl", "2026-07-19_e66138528350ab2c_20260720T060000Z.dgl"
BROWSERS = ("chromium", "google-chrome", "chrome", "chromium-browser")


def run(*words: object, code: int = 0):
    done = CliRunner().invoke(main, ["export", *map(str, words)])
    assert done.exit_code == code, done.output
    return done


@pytest.fixture
def book(tmp_path):
    folder = tmp_path / "logbook"
    folder.mkdir()
    (folder / NAME).write_bytes(QUIET)
    (folder / NEXT).write_bytes(EMPTY)
    (folder / "site.toml").write_text(sitefile.template())
    return folder


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_tables_are_those_of_night(book, tmp_path, form):
    run(book, tmp_path / "here", "--date", "2026-07-18", "--format", form)
    done = CliRunner().invoke(
        main, ["night", str(book), "--date", "2026-07-18", "--tables", str(tmp_path / "there"), "--format", form]
    )
    assert done.exit_code == 0
    files = sorted(p.name for p in (tmp_path / "there").iterdir())
    assert files == sorted(f"{name}.{form}" for name in fields.TABLES)
    for name in files:
        assert (tmp_path / "here" / name).read_bytes() == (tmp_path / "there" / name).read_bytes()
    assert len(read_table(tmp_path / "here" / f"visits.{form}")) > 50


def test_a_capture_and_a_dump_of_one_night_hold_its_edges_alone(book, tmp_path):
    wanted = read_dgl(book / NAME).edges[["t_ns", "channel", "level"]]
    said = run(book, tmp_path / "capture", "--date", "2026-07-18", "--format", "capture").stdout
    assert "1 start of the board outside this night is left out" in said
    run(book, tmp_path / "night.vcd", "--date", "2026-07-18", "--format", "vcd")
    for rec in (read_edges_csv(tmp_path / "capture" / "edges.csv"), read_vcd(tmp_path / "night.vcd")):
        pd.testing.assert_frame_equal(rec.edges[["t_ns", "channel", "level"]], wanted)


def test_a_capture_that_was_exported_is_read_by_night_and_exported_the_same(book, tmp_path):
    run(book, tmp_path / "capture", "--date", "2026-07-18", "--format", "capture")
    first, second = (
        json.loads(CliRunner().invoke(main, ["night", str(path), "--json"]).stdout)["estimates"]["visits"]["n"]
        for path in (book / NAME, tmp_path / "capture" / "edges.csv")
    )
    assert first == second > 50
    run(tmp_path / "capture", tmp_path / "again", "--format", "capture")
    for name in ("edges.csv", "readings.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (tmp_path / "capture" / name).read_bytes()


def test_a_package_is_written_where_the_place_is_known(book, tmp_path):
    said = json.loads(
        run(book, tmp_path / "package", "--date", "2026-07-18", "--format", "camtrap-dp", "--json").stdout
    )
    assert sorted(p.name for p in (tmp_path / "package").iterdir()) == [
        "datapackage.json", "deployments.csv", "media.csv", "observations.csv",
    ]  # fmt: skip
    assert said["night"] == "2026-07-18" and len(said["files"]) == 4 and not said["damaged"]
    (book / "site.toml").unlink()
    done = run(book, tmp_path / "none", "--format", "camtrap-dp", code=2)
    assert "latitude_deg" in done.stderr and not (tmp_path / "none").exists()


def test_nothing_is_replaced_without_force(book, tmp_path):
    out = tmp_path / "night.vcd"
    out.write_text("mine")
    assert "--force" in run(book, out, "--format", "vcd", code=2).stderr and out.read_text() == "mine"
    run(book, out, "--format", "vcd", "--force")
    assert out.read_text().startswith("$date")
    folder = tmp_path / "tables"
    folder.mkdir()
    (folder / "rates.csv").write_text("mine")
    run(book, folder, code=2)
    assert [p.name for p in folder.iterdir()] == ["rates.csv"] and (folder / "rates.csv").read_text() == "mine"


@pytest.mark.parametrize("form, name", [("csv", "t"), ("capture", "c"), ("vcd", "n.vcd"), ("camtrap-dp", "p")])
def test_a_damaged_log_is_written_as_far_as_it_goes_and_told(book, tmp_path, form, name):
    (book / NAME).write_bytes(flip(QUIET, len(QUIET) // 2))
    done = run(book, tmp_path / name, "--date", "2026-07-18", "--format", form, code=4)
    assert (tmp_path / name).exists() and "partial" in done.stderr and "Partial  " in done.stdout
    assert "offset" in done.stdout  # where the damage is
    if form == "camtrap-dp":
        assert "damaged" in json.loads((tmp_path / name / "datapackage.json").read_text())["description"]


@pytest.mark.parametrize(
    "words, text",
    [
        (("out.txt", "--format", "vcd"), "ends in .vcd"),
        (("out.gif", "--figure", "rate"), "ends in .html or .png or .svg"),
        (("missing/out.vcd", "--format", "vcd"), "its folder does not exist"),
        (("a_file", "--format", "csv"), "a folder is needed"),
        (("out", "--format", "csv", "--figure", "rate"), "exclude each other"),
        (("out", "--date", "2026-7-18"), "YYYY-MM-DD"),
    ],
)
def test_wrong_wishes_are_told_before_any_work(book, tmp_path, words, text):
    (tmp_path / "a_file").write_text("x")
    done = run(book, tmp_path / words[0], *words[1:], code=2)
    assert text in done.stderr


def test_a_night_that_is_not_there_ends_with_its_own_code(book, tmp_path):
    run(book, tmp_path / "out.vcd", "--format", "vcd", "--date", "2026-07-01", code=5)
    done = run(book / NEXT, tmp_path / "out.html", "--figure", "misses", code=5)
    assert "figures there:" in done.stderr and not (tmp_path / "out.html").exists()


def test_a_log_without_any_time_of_sight_ends_with_that_code(tmp_path):
    (tmp_path / "edges.csv").write_text("boot,t_us,channel,level\n")
    assert "no time in which" in run(tmp_path / "edges.csv", tmp_path / "out", code=5).stderr
    assert "nothing to write" in run(tmp_path / "edges.csv", tmp_path / "o.vcd", "--format", "vcd", code=5).stderr


def test_every_figure_of_a_night_can_be_asked_for():
    assert FIGURES == ORDER


def test_a_figure_is_a_page_of_its_own_without_a_network(book, tmp_path):
    out = tmp_path / "rate.html"
    run(book, out, "--date", "2026-07-18", "--figure", "rate")
    text = out.read_text(encoding="utf-8")
    assert 'data-figure="rate"' in text and text.count("data-figure=") == text.count('data-figure="rate"')
    assert "default-src &#39;none&#39;" in text and "Night of 2026-07-18" in text and "The same as a table" in text


def test_a_picture_without_its_parts_is_told_in_one_line(book, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "kaleido", None)  # as where it is not installed
    done = run(book, tmp_path / "rate.png", "--date", "2026-07-18", "--figure", "rate", code=2)
    assert "duskgate[pictures]" in done.stderr and "browser" in done.stderr and len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "rate.png").exists()


def test_the_heading_of_a_picture_is_no_markup():
    made = pictures.headed({"data": [], "layout": {"title": {"text": "Most at 22:00"}}}, "<b>Night\u202e")
    assert made["layout"]["title"]["text"] == "&lt;b&gt;Night&lt;U+202E&gt;: Most at 22:00"


@pytest.mark.slow
@pytest.mark.parametrize("form, begin", [("png", b"\x89PNG"), ("svg", b"<svg")])
def test_a_figure_is_drawn_where_a_browser_is(book, tmp_path, form, begin):
    pytest.importorskip("kaleido", reason="the extra `pictures` is not installed")
    if not any(shutil.which(name) for name in BROWSERS):
        pytest.skip("no browser that draws pictures is installed")
    out = tmp_path / f"rate.{form}"
    run(book, out, "--date", "2026-07-18", "--figure", "rate")
    content = out.read_bytes()
    assert content.startswith(begin) and len(content) > 10_000
    if form == "svg":
        assert "Night of 2026-07-18" in content.decode("utf-8")
