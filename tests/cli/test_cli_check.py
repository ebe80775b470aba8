"""`check` over a fake board whose beam is broken while it is asked for, and over the real firmware."""

import json
import time

import pytest
from click.testing import CliRunner
from duskgate.cli import check as module
from duskgate.cli import cover, main
from duskgate.cli.hands import BeamHands
from duskgate.cli.history import History
from duskgate.virtual.board import VirtualBoard

from tests import fakes
from tests.host.test_ready import hands_rows


def run(*words: object, code: int = 0):
    done = CliRunner().invoke(main, ["check", *map(str, words)])
    assert done.exit_code == code, done.output
    return done


@pytest.fixture
def board(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    fake = fakes.FakeClockChip(time)
    with fakes.PtyBoard(fake) as pty:
        yield fake, pty.url


def test_a_board_that_is_fine_without_hands_is_ready(board):
    _, url = board
    done = run("--no-hands", "--port", url)
    assert done.stdout.rstrip().endswith("READY") and "reads whole" in done.stdout
    assert "Usual values are not known: there is no logbook logbook" in done.stdout


def test_a_hand_in_the_beam_is_seen_and_every_head_answers(board, monkeypatch):
    fake, url = board
    monkeypatch.setattr(module, "PAUSE_S", 0.3)
    monkeypatch.setattr(module, "SETTLE_S", 0.2)
    rows = hands_rows(3)
    waiting = [rows[k : k + len(rows) // 3] for k in range(0, len(rows), len(rows) // 3)]
    answer = fake.do_recent

    quiet = []

    def recent(ss: int, first: str):
        """A hand passes at every second question for which nothing new was there: the first ends the pause."""
        if int(first) > len(fake.records) and waiting:
            quiet.append(first)
            if len(quiet) % 2:
                return answer(ss, first)
            part = waiting.pop(0)
            fake.records += [part[j : j + 8] for j in range(0, len(part), 8)]
            return answer(ss, str(len(fake.records) + 1 - len(part) // 8))
        return answer(ss, first)

    fake.do_recent = recent
    done = run("--seconds", 5, "--port", url)
    assert "whole, and broken 3 times by hand" in done.stdout
    assert "light 3   answered 3 of 3 breaks" in done.stdout and "first light after 2.80 ms" in done.stdout


def test_no_hand_means_not_ready_and_exit_6(board):
    _, url = board
    done = run("--seconds", 1, "--port", url, code=6)
    assert "MEND   beam" in done.stdout and "not ready: mend beam first" in done.stderr


def test_json_says_the_same(board):
    fake, url = board
    fake.stopped = True
    done = run("--no-hands", "--json", "--port", url, code=6)
    facts = json.loads(done.stdout)
    assert facts["ready"] is False
    clock = next(item for item in facts["items"] if item["item"] == "clock")
    assert clock["word"] == "mend" and "oscillator" in clock["seen"] and "new cell" in clock["todo"]


def test_an_old_firmware_is_told_to_be_renewed(board):
    fake, url = board
    fake.refuse["recent"] = ("verb", "no such request: recent")
    fake.facts["state"] = {
        "unpulled_bytes": 1, "free_bytes": 1, "nights_left": 3, "store": "ok", "clock_state": 0, "clock_second": None,
        "levels": 127,
    }  # fmt: skip
    done = run("--no-hands", "--port", url, code=6)
    assert "older than this check" in done.stdout and "duskgate load" in done.stdout


def test_a_full_store_is_told_with_what_to_do(board):
    fake, url = board
    fake.facts["state"] = {
        "unpulled_bytes": 10**6, "free_bytes": 1, "nights_left": 0, "store": "full", "clock_state": 0,
        "clock_second": None, "levels": 127, "edges": [0] * 7, "still_s": [None] * 7,
    }  # fmt: skip
    done = run("--no-hands", "--port", url, code=6)
    assert "store full" in done.stdout and "duskgate pull" in done.stdout


def test_no_board_a_wrong_one_and_a_busy_port_are_3(board, tmp_path):
    fake, url = board
    assert "there is no port" in run("--port", "/dev/no-such-port", code=3).stderr
    fake.silent.add("who")
    done = CliRunner().invoke(main, ["check", "--no-hands", "--port", url])
    assert done.exit_code == 3 and "no right answer" in done.stderr


def test_a_broken_site_file_is_2(board, tmp_path):
    _, url = board
    (tmp_path / "site.toml").write_text("latitude_deg = 'north'\n")
    done = run("--no-hands", "--port", url, code=2)
    assert "site.toml, line 1" in done.stderr


def test_breaks_are_counted_over_a_gap_in_the_records():
    clock = fakes.FakeClock()
    fake = fakes.FakeBoard()
    from duskgate.link.port import BoardLink

    link = BoardLink("fake://", clock, fakes.FakePort(fake, clock))
    link.open()
    hands = BeamHands(link, link.who())
    hands.begin()
    rows = hands_rows(40)
    fake.records += [rows[j : j + 8] for j in range(0, len(rows), 8)]
    fake.kept = 16
    hands.follow()
    # of the last two breaks the first one's start tells only how the levels stand: nothing is invented
    assert len(hands.breaks()) == 1


def test_the_usual_delay_comes_from_the_latest_night():
    known = History(
        {"latency": {"beam_flash": {"first_us": {"median": {"value": 2780.0, "n": 90}, "p95": {"value": 2880.0}}}}},
        "2026-07-18",
    )
    low, high, text = known.first_delay() or (0, 0, "")
    assert (low, high) == (2380.0, 3180.0) and "n = 90, night of 2026-07-18" in text
    assert History().first_delay() is None and History().recycle_s() is None and History().hours_left() is None


def test_hours_at_the_least_are_told_in_their_own_words():
    def known(left: dict) -> History:
        return History({"supply": {"logger": {"hours_left": left}}}, "2026-07-18")

    least = known({"at_least_h": 7.26})
    assert least.hours_left() == (7.26, "at least 7.2 h left after the night of 2026-07-18")
    assert least.hours_are_least()
    told = known({"value": 20.2, "lo": 15.1, "hi": 26.0, "n": 600, "level": 0.95})
    assert told.hours_left() == (15.1, "20 h left after the night of 2026-07-18 (15 to 26)")
    assert not told.hours_are_least() and not History().hours_are_least()


def test_real_firmware_with_a_night_behind_it(short_board, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, ["check", "--no-hands", "--json", "--port", short_board])
    words = {item["item"]: item["word"] for item in json.loads(done.stdout)["items"]}
    assert words["beam"] == "ready" and words["light 1"] == "ready" and words["firmware"] == "ready"


TWO_BEAMS = "beam_spacing_mm = 30\n"


def test_two_beams_in_the_site_file_ask_for_the_walk(board, tmp_path):
    _, url = board
    (tmp_path / "site.toml").write_text(TWO_BEAMS)
    done = run("--no-hands", "--port", url)
    assert "look   two beams" in done.stdout and "-> check --cover" in done.stdout


def test_covering_needs_hands(board):
    assert "choose one" in run("--no-hands", "--cover", "--port", board[1], code=2).stderr


def test_nobody_covers_anything_and_the_walk_ends_with_exit_6(board, monkeypatch):
    _, url = board
    monkeypatch.setattr(cover, "POLL_S", 0.02)
    monkeypatch.setattr(cover, "STEADY_S", 0.05)
    done = run("--cover", "--seconds", 1, "--port", url, code=6)
    assert done.stdout.count("nothing changed") == 3  # one emitter, the other, both
    assert "MEND   beam cover did not answer" in done.stdout
    assert "not ready: mend beam cover, beam 2 cover" in done.stderr


def covered_scene(path, *spans: tuple[float, float, int]):
    """Invented hands: from s to s, these inputs read broken."""
    rows = [(t, 0, mask) for start, end, mask in spans for t, mask in ((start, mask), (end, 0))]
    return fakes.scene_file(path, 60.0, more=rows)


@pytest.mark.parametrize(
    ("second", "words"),
    [
        (2, ("ready", "answers its own emitter alone")),
        (3, ("mend", "broke for its own emitter and for that of beam 2")),
    ],
)
def test_the_real_firmware_is_walked_without_a_terminal(tmp_path, monkeypatch, second, words):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "site.toml").write_text(TWO_BEAMS)
    for name, value in (("POLL_S", 0.05), ("STEADY_S", 0.2), ("HOLD_S", 0.6)):
        monkeypatch.setattr(cover, name, value)
    hands: list[tuple[float, float, int]] = [(3.0, 5.0, 1), (6.5, 8.5, second)]
    with VirtualBoard(covered_scene(tmp_path / "scene", *hands), tmp_path / "flash", speed=1) as here:
        done = CliRunner().invoke(main, ["check", "--cover", "--seconds", "8", "--json", "--port", here.url])
    items = {item["item"]: item for item in json.loads(done.stdout)["items"]}
    assert (items["beam cover"]["word"], items["beam cover"]["seen"][: len(words[1])]) == words, done.output
    assert "Cover the emitter of beam and hold it" in done.stderr and "seen. Uncover." in done.stderr
    assert items["beam 2 cover"]["word"] == "ready"
    assert done.exit_code == (6 if any(item["word"] == "mend" for item in items.values()) else 0)
