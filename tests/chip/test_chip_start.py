"""Starts, good and bad: how soon it stamps, and the ways out of a program that does not run."""

import time

import pytest
from duskgate.errors import LinkError

from . import figures, scene
from .chipboard import HOLD_PIN, boot_rows, readings

BROKEN = b"raise ValueError('broken on purpose')\n"
HANG = """
import board, station
stamp = station.Station._stamp
def hang(self, now_ms):
    while now_ms > 20000:
        pass
    stamp(self, now_ms)
station.Station._stamp = hang
import main
main.main()
"""


def test_from_power_to_the_first_stamp(board):
    board.cut()
    who = board.await_logger()
    boot_us = board.control("status")["boot_us"]
    with board.link() as link:
        played = board.play(link, scene.spread(21, 100, 1000, 3000))
        state = link.state()
    recording = board.pull()
    found = board.compare(recording, played)
    assert (len(found.lost), found.false, found.given) == (0, 0, len(played.edges))
    boots = recording.boots.set_index("boot_id")
    assert boots.loc[who["boot_id"], "cause"] == "power-on"
    assert who["wiring_check"] == []
    least_heap = readings(recording, who["boot_id"], "heap_free")[1].min()
    figures.note("start", power_to_first_stamp_s=(found.zero_us - boot_us) / 1e6, heap_free=state["heap_free"])
    assert state["heap_free"] > 30_000
    assert least_heap > 30_000
    assert not state["faults"]


def test_hold_pin_leads_to_the_prompt(board):
    board.control("pin", pin=HOLD_PIN, level=0)
    board.cut()
    with board.prompt(hold=False) as transport:
        assert transport.eval("1 + 1") == 2
        board.control.wait(9)  # longer than the watchdog's time: it must not run
        assert transport.eval("2 + 2") == 4
        board.control("pin", pin=HOLD_PIN, level=1)
    board.await_logger()


def test_hold_over_the_link_has_no_watchdog(board):
    with board.prompt() as transport:
        board.control.wait(9)
        assert transport.eval("2 + 2") == 4
    board.await_logger()


def test_a_broken_program_ends_at_the_prompt_and_load_mends_it(board):
    with board.prompt() as transport:
        transport.fs_writefile("/station.py", BROKEN)
    board.control.wait(30)  # three starts with their grace
    with pytest.raises(LinkError):
        board.await_logger(within_s=3.0)
    boots = board.control("status")["boots"]
    board.control.wait(10)
    assert board.control("status")["boots"] == boots, "it goes on restarting"
    begin = time.monotonic()
    board.load()
    board.await_logger()
    figures.note("broken program", starts_tried=3, prompt="reached", mended_by_load_wall_s=time.monotonic() - begin)


def test_watchdog_ends_a_loop_that_hangs(board):
    board.hold()
    from duskgate.link import install

    transport = install.prompt_when_back(board.url, 60)
    transport.exec_raw_no_follow(HANG)
    time.sleep(2)
    install.close_prompt(transport)
    who = board.await_logger()  # the program that will hang 20 s after its start
    with board.link() as link:
        played = board.play(link, scene.spread(22, 50, 1000, 3000))
    board.control.forget_events()
    board.control.event("reset", within_s=240)
    after = board.await_logger()
    recording = board.pull()
    boots = recording.boots.set_index("boot_id")
    assert after["boot_id"] != who["boot_id"]
    assert boots.loc[after["boot_id"], "cause"] == "watchdog"
    found = board.compare(recording, played)
    assert (len(found.lost), found.false) == (0, 0)
    assert len(boot_rows(recording, "edges", who["boot_id"])) == len(played.edges)
    figures.note("hanging loop", reset_by="watchdog", cause_in_log="watchdog", edges_before_it_lost=0)
