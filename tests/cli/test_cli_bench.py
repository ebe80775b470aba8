"""`bench` on the real firmware with an invented rig, on a fake board, and its words."""

import json

import pytest
from click.testing import CliRunner
from duskgate import sitefile
from duskgate.cli import bench_words, main
from duskgate.logfile.archive import Logbook
from duskgate.virtual.board import VirtualBoard

from tests import fakes

RIG = {"latency_us": [2400, 2450, None], "jitter_us": 20, "light_us": 200}


@pytest.fixture(scope="module")
def rigged(tmp_path_factory):
    """URL of a virtual board whose SHOT fires two heads of three, and which knows no site."""
    folder = tmp_path_factory.mktemp("rigged")
    scene = fakes.scene_file(folder / "scene", 5.0)
    head, body = scene.read_bytes().split(b"\n", 1)
    scene.write_bytes(json.dumps(json.loads(head) | {"shot_rig": RIG}).encode() + b"\n" + body)
    with VirtualBoard(scene, folder / "flash") as board:
        board.wait_scene_end()
        yield board.url


@pytest.fixture(autouse=True)
def no_long_waits(monkeypatch):
    monkeypatch.setattr("duskgate.cli.bench_run.SETTLE_S", 0.1)


def run(*words: object, code: int = 0, typed: str = ""):
    done = CliRunner().invoke(main, ["bench", *map(str, words)], input=typed)
    assert done.exit_code == code, done.output
    return done


def test_delays_and_skew_of_a_series(rigged, tmp_path):
    book = tmp_path / "b"
    done = run("--shots", 12, "--gap", "0.1", "--yes", "--json", "--logbook", book, "--port", rigged)
    facts = json.loads(done.stdout)
    assert (facts["shots"], facts["started"], facts["answered"]) == (12, 12, 12)
    assert facts["sensors"] == ["FLASH1", "FLASH2"]
    median = facts["delay"]["heads"]["FLASH1"]["median"]
    assert median["n"] == 12 and abs(median["value"] - 2400) <= 20.1 and median["lo"] <= median["value"] <= median["hi"]
    assert abs(facts["skew_us"]["FLASH2-FLASH1"]["value"] - 50) <= 40
    assert len(Logbook(book).files()) == 1


def test_a_second_run_counts_only_its_own_shots(rigged, tmp_path):
    book = tmp_path / "b"
    for shots in (6, 8):
        done = run("--shots", shots, "--gap", "0.1", "--yes", "--json", "--logbook", book, "--port", rigged)
        assert json.loads(done.stdout)["shots"] == shots
    assert len(Logbook(book).files()) == 2


def test_a_bench_never_tells_the_board_that_a_night_is_safe(rigged, tmp_path):
    run("--shots", 2, "--gap", "0.1", "--yes", "--logbook", tmp_path / "b", "--port", rigged)
    pulled = CliRunner().invoke(main, ["pull", "--json", "--logbook", str(tmp_path / "nights"), "--port", rigged])
    assert json.loads(pulled.stdout)["new_bytes"] > 0


def test_heads_alone_are_learnt_and_saved_into_the_site_file(rigged, tmp_path, monkeypatch):
    """Here every head fires at every shot, as when nobody switched the others off: nothing may be claimed."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "site.toml").write_text(sitefile.template(), encoding="utf-8")
    before = (tmp_path / "site.toml").read_text()
    done = run("--shots", 5, "--gap", "0.1", "--heads-alone", "--save", "--port", rigged, typed="\n" * 4)
    assert "left: no sensor proved to see it alone (FLASH1 5 of 5, FLASH2 5 of 5, FLASH3 0 of 5" in done.stdout
    assert (tmp_path / "site.toml").read_text() == before and "nothing to write" in done.stdout


def test_what_was_proved_is_written_and_nothing_else_changes(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(sitefile.template(), encoding="utf-8")
    before = sitefile.load(path)
    said = bench_words.save_sensors(path, {"left": ["FLASH2"], "right": [], "back": ["FLASH1", "FLASH3"]})
    after = sitefile.load(path)
    assert [head.sensors for head in after.heads] == [("FLASH2",), (), ("FLASH1", "FLASH3")]
    assert "left, back" in said and after.thresholds == before.thresholds and after.camera == before.camera
    bench_words.save_sensors(path, {"left": ["FLASH4"]})
    assert [head.sensors for head in sitefile.load(path).heads] == [("FLASH4",), (), ("FLASH1", "FLASH3")]
    assert path.read_text().count("sensors = ") == before_count(path)


def before_count(path) -> int:
    """A line for each head, stated or as a remark."""
    return len(sitefile.load(path).heads)


def test_no_jumper_and_no_light_are_told_apart(tmp_path):
    scene = fakes.scene_file(tmp_path / "scene", 5.0)
    with VirtualBoard(scene, tmp_path / "flash") as board:
        board.wait_scene_end()
        done = run("--shots", 2, "--gap", "0.1", "--yes", "--logbook", tmp_path / "b", "--port", board.url, code=5)
    assert "no light sensor answered" in done.stderr
    assert "jumper" in bench_words.why_nothing({"started": 0}, False)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--gap", "0.05"], "from 0.1 to 600"),
        (["--gap", "fast"], "commas"),
        (["--shots", 0], "1<=x<=500"),
        (["--save"], "goes with --heads-alone"),
        (["--by-hand", "--heads-alone"], "choose one"),
        (["--logbook", "logbook"], "apart from the nights"),
    ],
)
def test_wrong_use_is_2(words, said):
    assert said in run(*words, code=2).stderr


def test_a_full_store_and_an_old_firmware_fire_nothing(tmp_path):
    with fakes.PtyBoard(fakes.FakeBoard({1: [b"", 2]})) as here:
        state = {"unpulled_bytes": 1, "free_bytes": 1, "nights_left": 0, "store": "full", "clock_state": 0}
        here.board.facts["state"] = state
        done = run("--yes", "--logbook", tmp_path / "b", "--port", here.url, code=2)
        assert "store is full: duskgate pull first" in done.stderr
        here.board.facts["state"] = state | {"store": "ok"}
        here.board.refuse["shot"] = ("verb", "no such request")
        done = run("--yes", "--logbook", tmp_path / "b", "--port", here.url, code=3)
        assert "duskgate load" in done.stderr and here.board.shots == []


def test_stopped_by_the_user_the_board_is_told_to_stop(tmp_path, monkeypatch):
    from duskgate.cli import bench_run

    def interrupt(self):
        raise KeyboardInterrupt

    monkeypatch.setattr(bench_run.Run, "_left", interrupt)
    with fakes.PtyBoard(fakes.FakeBoard({1: [fakes.night_blocks(1), 2]})) as here:
        done = run("--yes", "--shots", 3, "--logbook", tmp_path / "b", "--port", here.url, code=130)
        assert here.board.shots == [(3, 3000), (0, 0)] and "stopped" in done.stderr


def test_breaks_by_hand_are_guided_and_measured_like_a_night(tmp_path):
    """Breaks that come by themselves in real time stand in for the hand; every head answers after 200 us."""
    scene = fakes.scene_file(tmp_path / "scene", 30.0, [(2.0 + 0.6 * k, 0.2) for k in range(40)])
    with VirtualBoard(scene, tmp_path / "flash", speed=1) as board:
        words = ["--by-hand", "--shots", 3, "--gap", "0.3", "--yes", "--json", "--logbook", tmp_path / "b"]
        done = run(*words, "--port", board.url)
    facts = json.loads(done.stdout)
    assert "Break 3 of 3" in done.stderr and facts["path"] == "beam_flash"
    assert 3 <= facts["answered"] <= facts["shots"] < 20
