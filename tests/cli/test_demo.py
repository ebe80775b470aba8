"""`duskgate demo`: one command leaves a logbook, a site file, one page and tables, and never harms what is there."""

import json
import shutil
import tomllib

import pytest
from click.testing import CliRunner
from duskgate import fields
from duskgate.cli import main
from duskgate.cli.demo import INVENTED, LOG_NOTE, demo
from duskgate.errors import UsageError
from duskgate.tables import read_table
from duskgate.virtual import scenes


def run(*words):
    return CliRunner().invoke(main, ["demo", *map(str, words)])


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "out"
    result = run("--dir", folder, "--preset", "quiet-night", "--seed", 5, "--truth")
    assert result.exit_code == 0, result.output
    return folder, result.stdout


def test_it_leaves_one_log_one_page_a_site_file_and_every_table(made):
    folder, _ = made
    assert len(list((folder / "logbook").glob("*.dgl"))) == 1
    assert [p.name for p in folder.glob("*.html")] == ["night-2026-07-18.html"]
    assert (folder / "logbook" / "2026-07-18_site.toml").read_bytes() == (folder / "site.toml").read_bytes()
    assert {p.stem for p in (folder / "tables").iterdir()} == set(fields.TABLES)
    assert not list(folder.rglob("*.part")) and not list(folder.rglob("*.scene"))


def test_terminal_page_and_site_file_say_that_the_night_is_invented(made):
    folder, said = made
    assert INVENTED in said
    page = (folder / "night-2026-07-18.html").read_text(encoding="utf-8")
    assert "(invented)" in page
    assert "invented" in (folder / "site.toml").read_text(encoding="utf-8")
    notes = read_table(folder / "tables" / "notes.csv")
    assert notes["text"].tolist()[-1] == LOG_NOTE and LOG_NOTE in page


def test_terminal_says_who_ran_the_firmware_and_names_the_page_last(made):
    folder, said = made
    lines = said.rstrip().splitlines()
    assert any(line.startswith("Board") and "Python" in line for line in lines)
    assert lines[-1].endswith(str(folder / "night-2026-07-18.html"))
    assert len(lines) <= 40


def test_numbers_on_the_terminal_are_the_nights(made):
    folder, said = made
    visits = read_table(folder / "tables" / "visits.csv")
    assert str(len(visits)) in said
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    true = sum(n > 0 for n in truth["visits"]["n_breaks"])
    assert abs(len(visits) - true) <= max(3, 0.05 * true)


def test_tables_hold_every_edge_of_the_scene(made):
    folder, _ = made
    t, channel, _ = scenes.make("quiet-night", seed=5).edges()
    edges = read_table(folder / "tables" / "edges.csv")
    assert len(edges) == len(t)
    assert (edges["channel"] == "BEAM").sum() == (channel == fields.BEAM).sum()


def test_site_file_is_the_invented_gardens_and_loads(made):
    folder, _ = made
    site = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8"))
    text = json.dumps(site)
    assert "44.2" in text and "Europe/Paris" in text


def test_a_folder_with_anything_in_it_is_refused_and_left_alone(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    result = run("--dir", tmp_path)
    assert result.exit_code == 2 and "not empty" in result.stderr and "--force" in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]


def test_force_replaces_a_demo_and_nothing_else(made, tmp_path):
    folder = tmp_path / "again"
    shutil.copytree(made[0], folder)
    (folder / "notes.txt").write_text("mine")
    before = (folder / "tables" / "edges.csv").read_bytes()
    result = run("--dir", folder, "--preset", "empty-garden", "--force")
    assert result.exit_code == 0, result.output
    assert (folder / "notes.txt").read_text() == "mine"
    assert len(list((folder / "logbook").glob("*.dgl"))) == 1 and not (folder / "truth.json").exists()
    assert (folder / "tables" / "edges.csv").read_bytes() != before
    assert len(read_table(folder / "tables" / "visits.csv")) == 0


def test_force_never_touches_a_logbook_of_somebodys_own_board(tmp_path):
    book = tmp_path / "logbook"
    book.mkdir()
    (book / "2026-06-01_aabb_20260602T060000Z.dgl").write_bytes(b"somebody's night")
    (tmp_path / "site.toml").write_text("mine")
    result = run("--dir", tmp_path, "--force")
    assert result.exit_code == 2 and "not from a demo" in result.stderr
    assert (tmp_path / "site.toml").read_text() == "mine" and len(list(book.iterdir())) == 1


def test_micropython_that_is_not_there_is_a_clear_refusal(tmp_path, monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name, *rest: None)
    with pytest.raises(UsageError, match="cpython"):
        demo.callback(
            folder=tmp_path / "x", preset="quiet-night", seed=1, interpreter="micropython", truth=False, force=False
        )
    assert not (tmp_path / "x").exists()


def test_help_lists_every_night():
    said = CliRunner().invoke(main, ["demo", "--help"]).output
    assert all(name in said for name in scenes.PRESETS)


@pytest.mark.parametrize("preset", ["two-resets", "guided-evening", "two-beams"])
def test_other_rigs_and_nights_run_through(tmp_path, preset):
    result = run("--dir", tmp_path / "d", "--preset", preset, "--interpreter", "cpython")
    assert result.exit_code == 0, result.output
    assert "CPython" in result.stdout and (tmp_path / "d" / "night-2026-07-18.html").stat().st_size > 1_000_000
