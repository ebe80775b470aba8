"""`watch` over a fake board that restarts, vanishes, slows down; and on a terminal."""

import io
import os
import pty
import re
import subprocess
import sys

import pytest
from click.testing import CliRunner
from duskgate.cli import main, watch
from duskgate.cli.history import History
from duskgate.cli.terminal import DIM_RED, ENTER, LEAVE, Screen
from duskgate.errors import BoardRefused, LinkError
from duskgate.link.port import BoardLink

from tests import fakes
from tests.host.test_ready import hands_rows, ticks

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals on this system")


def pieces(data: bytes) -> list[bytes]:
    return [data[k : k + 8] for k in range(0, len(data), 8)]


class Rig:
    """A watcher, its board, its port and its clock."""

    def __init__(self, trip_s: float = 0.001):
        self.clock = fakes.FakeClock()
        self.board = fakes.FakeBoard()
        self.board.tick = ticks(100.0)
        self.gone = False
        self.wire = fakes.FakePort(self.board, self.clock, trip_s=trip_s)
        self.watcher = watch.Watcher(None, History(), self.clock, self.link)

    def link(self, port):
        if self.gone:
            raise LinkError("there is no port")
        return BoardLink("fake://", self.clock, self.wire)

    def unplug(self):
        self.gone = True
        self.wire.cut_after = 0

    def plug(self):
        self.gone = False
        self.wire = fakes.FakePort(self.board, self.clock)


@pytest.fixture
def rig():
    made = Rig()
    made.watcher.first()
    return made


def test_counts_grow_as_records_come(rig):
    rig.board.records += pieces(hands_rows(2))
    rig.watcher.poll()
    rig.board.records += pieces(hands_rows(1, at=30.0))
    rig.watcher.poll()
    live = rig.watcher.live
    assert (live.visits, live.fires, live.misses, live.unseen) == (3, 3, 0, 0)


def test_traffic_is_bounded(rig):
    rig.board.records += pieces(hands_rows(50))
    rig.watcher.poll()
    rig.board.asked.clear()
    given = rig.wire.given
    for _ in range(8):
        rig.watcher.poll()
    assert rig.wire.given - given < 8 * 400 and len(rig.board.asked) <= 8 * 2 + 1
    rig.board.records += pieces(hands_rows(500))
    given = rig.wire.given
    rig.watcher.poll()
    assert rig.wire.given - given < 512 * 8 + 1500


def test_unplugged_it_says_so_waits_longer_and_goes_on_by_running_number(rig):
    rig.board.records += pieces(hands_rows(2))
    rig.watcher.poll()
    before = len(rig.board.records) + 1
    rig.unplug()
    pauses = [rig.watcher.poll() for _ in range(7)]
    assert pauses == [0.5, 1.0, 2.0, 4.0, 8.0, 10.0, 10.0]
    assert "NO LINK" in rig.watcher.status.link and any("NO LINK" in line for line in rig.watcher.lines())
    rig.board.records += pieces(hands_rows(3, at=30.0))
    rig.plug()
    rig.watcher.poll()
    live = rig.watcher.live
    assert (live.visits, live.fires, live.unseen) == (5, 5, 0)
    assert rig.watcher.status.link == "link good" and ("recent", str(before)) in rig.board.asked


def test_records_that_went_by_are_told_and_not_guessed(rig):
    rig.watcher.poll()
    rig.board.records += pieces(hands_rows(1))
    rig.watcher.poll()
    rig.board.records += pieces(hands_rows(100, at=30.0))
    rig.watcher.poll()
    live = rig.watcher.live
    assert live.unseen == len(hands_rows(100)) // 8 - 512
    assert any("unseen" in line for line in rig.watcher.lines()) and live.visits < 101


def test_a_restart_of_the_board_is_noticed_and_counts_are_kept(rig):
    rig.board.records += pieces(hands_rows(2))
    rig.watcher.poll()
    rig.board.boot_id, rig.board.tick = 78, ticks(20.0)
    rig.board.records = [fakes.record(0, 0x02, 0x7F), *pieces(hands_rows(1, at=5.0))]
    rig.watcher.poll()
    assert (rig.watcher.live.visits, rig.watcher.status.restarts) == (3, 1)
    assert any("restarted 1 times" in line for line in rig.watcher.lines())


def test_a_slow_link_is_asked_less_often():
    slow = Rig(trip_s=0.4)
    slow.watcher.first()
    slow.watcher.poll()
    pause = slow.watcher.poll()
    assert 2.0 < pause <= 5.0 and "link slow" in slow.watcher.status.link


def test_an_old_firmware_is_named_not_retried(rig):
    rig.board.refuse["recent"] = ("verb", "no such request")
    with pytest.raises(BoardRefused, match="duskgate load"):
        rig.watcher.poll()


def test_faults_and_a_full_store_are_shown(rig):
    rig.watcher.poll()
    rig.watcher.status.state = rig.watcher.status.state | {"store": "full", "faults": ["the store is full"]}
    text = "\n".join(rig.watcher.lines())
    assert "NOT STORING (full)" in text and "! the store is full" in text


def test_only_changed_lines_are_drawn():
    stream = io.StringIO()
    with Screen(stream, red=True) as screen:
        screen.draw(["one", "two", "three"])
        before = stream.tell()
        screen.draw(["one", "2", "three"])
        drawn = stream.getvalue()[before:]
        assert "2;1H" in drawn and "1;1H" not in drawn and "3;1H" not in drawn and DIM_RED in drawn
        before = stream.tell()
        screen.draw(["one", "2", "three"])
        assert stream.tell() == before
    assert stream.getvalue().startswith(ENTER) and stream.getvalue().endswith(LEAVE)


@pytest.fixture
def served():
    with fakes.PtyBoard(fakes.FakeBoard()) as here:
        here.board.records += pieces(hands_rows(2))
        yield here


def test_once_prints_one_picture(served):
    done = CliRunner().invoke(main, ["watch", "--once", "--port", served.url])
    assert done.exit_code == 0, done.output
    assert "VISITS" in done.stdout and "recycle time not known" in done.stdout


def test_into_a_pipe_it_writes_plain_lines(served):
    done = CliRunner().invoke(main, ["watch", "--seconds", "1", "--port", served.url])
    assert done.exit_code == 0 and "\x1b" not in done.stdout
    assert "visits 2; fires 2; misses 0" in done.stdout and "The board logs on" in done.stdout


def test_on_a_terminal_it_takes_the_other_screen_and_ctrl_c_gives_it_back(served):
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "duskgate.cli", "watch", "--red", "--port", served.url],
        stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    text = b""
    while b"VISITS" not in text:
        text += os.read(master, 4096)
    process.send_signal(2)
    while process.poll() is None or b"logs on" not in text:
        try:
            text += os.read(master, 4096)
        except OSError:
            break
    os.close(master)
    assert process.wait(10) == 0
    shown = text.decode()
    assert ENTER in shown and LEAVE in shown and DIM_RED in shown and "logs on" in shown
    assert "\x1b[0m" in shown and not re.search(r"Traceback", shown)


def test_no_board_at_the_start_is_3():
    assert CliRunner().invoke(main, ["watch", "--once", "--port", "/dev/no-such-port"]).exit_code == 3


def test_the_real_firmware_is_followed(short_board):
    done = CliRunner().invoke(main, ["watch", "--once", "--port", short_board])
    assert done.exit_code == 0 and "whole" in done.stdout and "link good" in done.stdout, done.output
    assert "FIRES" in done.stdout
