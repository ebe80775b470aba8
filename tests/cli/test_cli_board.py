"""`boards`, `note` and `pull` over a pseudo-terminal with a fake board behind it."""

import json
import shlex
import sys

import pytest
from click.testing import CliRunner
from duskgate import sitefile
from duskgate.cli import main
from duskgate.cli.boards import clock_line
from duskgate.logfile.archive import Logbook
from duskgate.logfile.decode import read_dgl_files
from duskgate.virtual.board import VirtualBoard

from tests import fakes

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals on this system")
ONE = fakes.night_blocks(25, seed=1)


@pytest.fixture
def board():
    with fakes.PtyBoard(fakes.FakeBoard({1: [ONE, 0], 2: [fakes.night_blocks(2, seed=2), 2]})) as pty:
        yield pty


def run(*words: object, code: int = 0):
    done = CliRunner().invoke(main, [str(w) for w in words])
    assert done.exit_code == code, done.output
    return done


def test_boards_says_what_is_plugged_in(board):
    out = run("boards", "--port", board.url).stdout
    assert "board e66138528361ac2f, firmware 0.1.0" in out and "room for 6 more nights" in out
    assert "clock" in out and "supply  3.90 V" in out


def test_boards_as_json_and_port_from_the_environment(board, monkeypatch):
    monkeypatch.setenv("DUSKGATE_PORT", board.url)
    facts = json.loads(run("boards", "--json").stdout)
    assert facts["boards"][0]["who"]["board"] == "e66138528361ac2f"
    assert facts["boards"][0]["state"]["nights_left"] == 6


def test_boards_tells_faults_losses_and_a_clock_that_stopped(board):
    board.board.facts["state"] = {
        "unpulled_bytes": 1, "free_bytes": 1, "nights_left": 0.5, "store": "full", "clock_state": 1,
        "clock_second": None, "ring_lost": 7, "store_lost": 0, "faults": ["the store is full"],
        "inputs": [[18, 1], [20, 6], "odd", [1]],
    }  # fmt: skip
    out = run("boards", "--port", board.url).stdout
    assert "room for 0.5 more nights (store full)" in out and "oscillator had stopped" in out
    assert "7 records since start (ring)" in out and "fault   the store is full" in out
    assert "input   BEAM active since the start, nearly without a pause: likely aim" in out
    assert "input   BEAM2 and SYNC change at the same moments" in out


def test_a_board_that_cannot_be_reached_is_listed_with_exit_code_3():
    done = run("boards", "--port", "/dev/no-such-port", code=3)
    assert "there is no port" in done.stdout
    assert json.loads(run("boards", "--json", "--port", "/dev/no-such-port", code=3).stdout)["boards"][0]["error"]


def test_note_reaches_the_board(board):
    run("note", "refilled", "--port", board.url)
    run("note", "cells", "--head", 2, "--port", board.url)
    said = json.loads(run("note", "text", "brume à 3 h", "--json", "--port", board.url).stdout)
    assert board.board.asked == [
        ("note", "1", "0"),
        ("note", "2", "2"),
        ("note", "4", "0", "brume%20%C3%A0%203%20h"),
    ]
    assert said["tick"] == 12345 and said["text"] == "brume à 3 h"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["text"], "needs its text"),
        (["cells"], "which flash"),
        (["moved", "--head", 1], "cells only"),
        (["cells", "--head", 9], "1<=x<=4"),
    ],
)
def test_notes_that_say_too_little(words, said):
    assert said in run("note", *words, code=2).stderr


def test_pull_brings_the_log_once(board, tmp_path):
    book = tmp_path / "book"
    done = run("pull", "--logbook", book, "--port", board.url)
    assert "every block checked" in done.stdout and "1 segment is marked" in done.stdout
    assert done.stderr.count("\n") == 1 and "days behind this computer" in done.stderr  # its clock stands in 2025
    again = run("pull", "--logbook", book, "--port", board.url)
    assert again.stdout == "Board e66138528361ac2f: nothing new.\n"
    assert len(Logbook(book).files()) == 1 and bytes(Logbook(book).holding("e66138528361ac2f").segments[1]) == ONE


def test_pull_as_json_and_anew(board, tmp_path):
    run("pull", "--logbook", tmp_path, "--port", board.url)
    facts = json.loads(run("pull", "--whole", "--json", "--logbook", tmp_path, "--port", board.url).stdout)
    assert facts["new_bytes"] == len(ONE) + len(fakes.night_blocks(2, seed=2)) and facts["file"].endswith(".dgl")


def test_pull_names_the_file_by_the_clock_in_the_log(board, tmp_path):
    run("pull", "--logbook", tmp_path, "--port", board.url)
    # the fake board's clock begins at 2025-06-15T15:06:40Z: in the afternoon everywhere near this meridian
    assert Logbook(tmp_path).files()[0].name.startswith("2025-06-1")


def test_pull_without_a_board_is_3_and_leaves_nothing(tmp_path):
    done = run("pull", "--logbook", tmp_path / "book", "--port", "/dev/no-such-port", code=3)
    assert "there is no port" in done.stderr and not (tmp_path / "book").exists()


def test_pull_into_a_file_is_2(board, tmp_path):
    (tmp_path / "book").write_text("mine")
    assert "not a logbook folder" in run("pull", "--logbook", tmp_path / "book", "--port", board.url, code=2).stderr
    assert (tmp_path / "book").read_text() == "mine"


def test_warnings_go_to_the_error_stream(board, tmp_path):
    board.board.refuse["pulled"] = ("mismatch", "the check differs")
    done = run("pull", "--logbook", tmp_path, "--port", board.url)
    assert "stays on the board as not pulled" in done.stderr and "every block checked" in done.stdout


@pytest.mark.parametrize("name", ["boards", "note", "pull"])
def test_the_example_in_the_help_works_as_it_stands(board, tmp_path, monkeypatch, name):
    monkeypatch.setenv("DUSKGATE_PORT", board.url)
    monkeypatch.chdir(tmp_path)
    shown = run(name, "--help").stdout
    example = shown.split("Example:")[1].strip().splitlines()[0]
    program, *words = shlex.split(example)
    assert program == "duskgate" and words[0] == name
    assert run(*words).stdout


def test_a_night_a_power_cut_and_two_pulls_with_the_real_firmware(tmp_path):
    scene = fakes.scene_file(tmp_path / "scene", 600.0, [(10.0 + k, 0.05) for k in range(500)])
    book = tmp_path / "book"
    with VirtualBoard(scene, tmp_path / "flash") as here:
        here.wait_scene_end()
        assert "firmware 0.1.0" in run("boards", "--port", here.url).stdout
        run("note", "cells", "--head", 3, "--port", here.url)
        here.kill()
        here.restart()
        first = run("pull", "--logbook", book, "--port", here.url).stdout
        again = run("pull", "--logbook", book, "--port", here.url).stdout
    assert "every block checked" in first and "nothing new" in again
    found = read_dgl_files(Logbook(book).files())
    assert list(found.problems["what"]) == [] and list(found.notes["what"]) == ["cells"]
    assert len(found.edges) == 10 * 500 and len(found.boots) == 2


@pytest.mark.parametrize(
    ("second", "state", "said"),
    [
        (1_750_000_000, 0, "within 2 s of this computer"),
        (1_749_999_999, 0, "within 2 s of this computer"),
        (1_750_003_600, 0, "+3,600 s against this computer: set it"),
        (1_749_996_400, 4, "-3,600 s against this computer: set it; no 1 Hz wave from it"),
        (None, 0, "not known yet"),
        (None, 3, "its oscillator had stopped: set it; no clock chip answers"),
    ],
)
def test_the_clock_s_state_in_words(second, state, said):
    assert clock_line({"clock_second": second, "clock_state": state}, 1_750_000_000.4) == said


def test_pull_keeps_the_site_file_and_names_the_night_by_its_zone(board, tmp_path):
    # the fake board's clock says 2025-06-15 from 15:06:40 UTC on: in the Marquesas that is 05:36 of the same morning
    site = tmp_path / "site.toml"
    site.write_text(sitefile.template().replace("Europe/Paris", "Pacific/Marquesas"), encoding="utf-8")
    out = run("pull", "--logbook", tmp_path / "book", "--port", board.url).stdout
    names = sorted(p.name for p in (tmp_path / "book").iterdir() if not p.name.startswith("."))
    assert names[0].startswith("2025-06-14_e66138528361ac2f_") and names[1] == "2025-06-14_site.toml"
    assert (tmp_path / "book" / names[1]).read_bytes() == site.read_bytes() and names[1] in out


def test_a_faulty_site_file_does_not_keep_the_log_on_the_board(board, tmp_path):
    (tmp_path / "site.toml").write_text("latitude_deg = 'north'\n")
    done = run("pull", "--logbook", tmp_path / "book", "--port", board.url)
    assert "the log is pulled without it" in done.stderr and "site.toml" in done.stderr
    assert len(Logbook(tmp_path / "book").files()) == 1 and not list((tmp_path / "book").glob("*.toml"))


def test_a_faulty_site_file_named_by_the_user_stops_before_the_pull(board, tmp_path):
    (tmp_path / "mine.toml").write_text("latitude_deg = 'north'\n")
    done = run("pull", "--logbook", tmp_path / "b", "--site", tmp_path / "mine.toml", "--port", board.url, code=2)
    assert "mine.toml" in done.stderr and not (tmp_path / "b").exists()
