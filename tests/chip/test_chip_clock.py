"""The clock chip: a lost time is seen, setting it is verified, and its seconds in the log are the chip's own."""

import json
from functools import partial

import numpy as np
import pytest
from click.testing import CliRunner
from duskgate.cli import main
from duskgate.link import port

from . import figures, scene
from .chipboard import readings
from .clocks import BoardClock
from .control import ControlError

STOPPED, NOT_CONFIRMED = 1, 8


def await_second(board, link, within_s: float = 12.0) -> dict:
    """State once the chip's second is confirmed."""
    end = board.control.now_us() + 1e6 * within_s
    while (state := link.state())["clock_second"] is None and board.control.now_us() < end:
        board.control.wait(0.2)
    return state


def chip_clock(board) -> dict:
    """`utc_ms` of the chip and board time `now_us` of that moment, by the control port; skips where it has none."""
    try:
        return board.control("rtc")
    except ControlError as error:
        pytest.skip(f"the control port does not know the clock chip: {error}")


def test_seconds_in_the_log_are_those_of_the_chip(board):
    truth = chip_clock(board)
    board.cut()
    who = board.await_logger()
    with board.link() as link:
        state = await_second(board, link)
        assert not state["clock_state"] & NOT_CONFIRMED
        played = board.play(link, scene.spread(31, 200, 1000, 3000))
        board.control.wait(3)
    recording = board.pull()
    zero_us = board.compare(recording, played).zero_us
    t_ns, value = readings(recording, who["boot_id"], "rtc_unix_ms")
    assert len(value) >= 1
    by_chip_ms = truth["utc_ms"] + (zero_us + t_ns / 1000 - truth["now_us"]) / 1000
    error_us = 1000 * np.abs(value - by_chip_ms)
    figures.note("seconds of the clock chip in the log", n=len(value), largest_error_us=float(error_us.max()))
    assert error_us.max() < 2  # a tick, and the chip model's own rounding


def set_clock(board, monkeypatch) -> tuple[dict, BoardClock]:
    """What `duskgate clock` told, and the clock of the computer that it ran on: its 8 s are the board's."""
    clock = BoardClock(board.control)
    monkeypatch.setattr(port, "BoardLink", partial(port.BoardLink, clock=clock))
    done = CliRunner().invoke(main, ["clock", "--json", "--port", board.url])
    monkeypatch.undo()
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout), clock


def test_lost_power_of_the_clock_is_seen_and_setting_it_mends_it(board, monkeypatch):
    chip_clock(board)
    board.control("rtc", lost_power=True)
    board.cut()
    who = board.await_logger()
    with board.link() as link:
        await_second(board, link)
        board.control.wait(2)
        assert link.state()["clock_state"] & STOPPED
    board.control.wait(6)  # until the first minute record is written
    told, clock = set_clock(board, monkeypatch)
    assert told["cell"] == "stopped"
    assert told["verified"] == "by its 1 Hz edge"
    truth = board.control("rtc")
    off_ms = abs(truth["utc_ms"] - clock.at_ns(truth["now_us"]) / 1e6)
    with board.link() as link:
        await_second(board, link)
        assert not link.state()["clock_state"] & STOPPED
    recording = board.pull()
    _, states = readings(recording, who["boot_id"], "clock_state")
    assert any(value & STOPPED for value in states)
    assert len(readings(recording, who["boot_id"], "clock_set_ms")[1]) == 1
    figures.note(
        "clock set", oscillator_stop="seen in state and log", chip_less_host_ms=off_ms, told_after_s=told["after_s"],
        told_unc_s=told["after_unc_s"],
    )  # fmt: skip
    assert off_ms < 50  # set on the whole second: some round trips of the link
