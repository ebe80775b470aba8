"""`clock` over a fake board with a clock chip, in time that only the test moves, and over a pseudo-terminal."""

import json

import pytest
from click.testing import CliRunner
from duskgate.cli import clock as module
from duskgate.cli import main
from duskgate.cli.board_clock import read_clock
from duskgate.errors import LinkError, UsageError
from duskgate.link.port import BoardLink

from tests import fakes

NOW_S = 1_800_000_000.3


def linked(ahead_s: float = 0.0, now_s: float = NOW_S, **chip):
    clock = fakes.FakeClock(now_s)
    board = fakes.FakeClockChip(clock, ahead_s, **chip)
    link = BoardLink("fake://", clock, fakes.FakePort(board, clock))
    link.open()
    return board, link


@pytest.mark.parametrize("ahead_s", [0.0, 0.4, -0.7, -3600.25, 86_400.125])
def test_the_offset_is_known_by_the_second_s_edge(ahead_s):
    _, link = linked(ahead_s)
    found = read_clock(link)
    assert found is not None and abs(found.offset_s - ahead_s) <= found.unc_s < 0.05


def test_it_is_set_on_the_whole_second_verified_and_compared(tmp_path):
    board, link = linked(-37.4)
    facts = module.look(link, tmp_path)
    facts |= module.set_and_verify(link, facts)
    second, at_s = board.sets[0]
    assert abs(second - at_s) < 0.01
    assert abs(facts["after_s"]) <= facts["after_unc_s"] and facts["jump_ms"] == pytest.approx(37_400, abs=20)
    assert [words[0] for words in board.asked].index("host") > [words[0] for words in board.asked].index("clock")
    assert any("forward by 37.4" in line for line in module.lines(facts))


def test_a_clock_set_back_is_said(tmp_path):
    _, link = linked(12.0)
    facts = module.look(link, tmp_path)
    facts |= module.set_and_verify(link, facts)
    said = "\n".join(module.lines(facts))
    assert "BACK by 12.0" in said and "come twice" in said


def test_a_stopped_oscillator_is_told_and_no_drift_is_claimed(tmp_path):
    _, link = linked(-1000.0, stopped=True)
    facts = module.look(link, tmp_path)
    said = "\n".join(module.lines(facts))
    assert "oscillator had stopped" in said and "new cell" in said and "ppm" not in said
    facts |= module.set_and_verify(link, facts)
    assert not facts["still_stopped"]


def test_a_dead_cell_is_told_after_setting_too(tmp_path):
    _, link = linked(-1000.0, stopped=True, dead_cell=True)
    facts = module.look(link, tmp_path)
    facts |= module.set_and_verify(link, facts)
    assert "it still says that it had stopped" in "\n".join(module.lines(facts))


def test_a_computer_without_a_time_sets_nothing(tmp_path):
    board, link = linked(now_s=1_000_000.0)
    with pytest.raises(UsageError, match="years behind"):
        module.look(link, tmp_path)
    assert board.sets == []


def test_a_clock_that_does_not_take_it_is_an_error(tmp_path):
    board, link = linked(-500.0)
    board.facts["clock"] = {"jump_ms": 0}
    with pytest.raises(LinkError, match="500"):
        module.set_and_verify(link, module.look(link, tmp_path))


def test_without_a_clock_chip_nothing_is_set(tmp_path):
    board, link = linked()
    board.facts["state"] = {
        "unpulled_bytes": 1, "free_bytes": 1, "nights_left": 3, "store": "ok", "clock_state": 2, "clock_second": None,
    }  # fmt: skip
    facts = module.look(link, tmp_path)
    with pytest.raises(LinkError, match="four wires"):
        module.set_and_verify(link, facts)
    assert "no clock chip answers" in "\n".join(module.lines(facts)) and board.sets == []


def test_a_wave_that_is_missing_leaves_it_unverified(tmp_path):
    board, link = linked()
    board.facts["state"] = {
        "unpulled_bytes": 1, "free_bytes": 1, "nights_left": 3, "store": "ok", "clock_state": 4, "clock_second": None,
    }  # fmt: skip
    facts = module.look(link, tmp_path)
    facts |= module.set_and_verify(link, facts)
    assert len(board.sets) == 1 and "not verified" in "\n".join(module.lines(facts))


def test_the_drift_of_a_pulled_night(short_board, tmp_path):
    """The invented night's host comparison is of its own evening; the board's clock was never set since."""
    runner = CliRunner()
    done = runner.invoke(main, ["pull", "--logbook", str(tmp_path / "book"), "--port", short_board])
    assert done.exit_code == 0, done.output
    done = runner.invoke(
        main, ["clock", "--check", "--json", "--logbook", str(tmp_path / "book"), "--port", short_board]
    )
    facts = json.loads(done.stdout)
    # compared seconds ago by the pull itself: too early to tell
    assert facts["drift_ppm"] is None and "less than an hour" in facts["drift"]


def test_no_board_is_3():
    done = CliRunner().invoke(main, ["clock", "--port", "/dev/no-such-port"])
    assert done.exit_code == 3 and "there is no port" in done.stderr
