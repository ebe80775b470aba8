"""`watch` as a process on a pseudo-terminal: sizes, signals, a crash, and plain lines elsewhere."""

import fcntl
import os
import pty
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable

import pytest
from duskgate.cli import watch
from duskgate.cli.watch_events import Events
from duskgate.ready.large import large

from tests import fakes
from tests.cli.test_cli_watch import Rig, pieces
from tests.cli.test_watch_screen import Sized
from tests.fake_terminal import Terminal, Wire
from tests.host.test_ready import hands_rows

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals on this system")
LONGEST_S = 20.0


class Session:
    """`watch` and the person's terminal."""

    def __init__(
        self, url: str, *words: str, code: str = "", env: dict | None = None, size: tuple = (80, 24), command="watch"
    ):
        self.terminal = Terminal(*size)
        self.master, slave = pty.openpty()
        self.resize(*size)
        run = ["-c", code] if code else ["-m", "duskgate.cli"]
        self.process = subprocess.Popen(
            [sys.executable, *run, command, "--port", url, *words], stdin=slave, stdout=slave, stderr=slave,
            process_group=0, env={**os.environ, "TERM": "xterm", "PYTHONIOENCODING": "utf-8", **(env or {})},
        )  # fmt: skip
        os.close(slave)
        self.text = ""

    def resize(self, width: int, height: int) -> None:
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))
        self.terminal.resize(height, width)

    def until(self, reached: Callable[[], bool]) -> "Session":
        end = time.monotonic() + LONGEST_S
        while not reached():
            assert time.monotonic() < end, self.terminal.lines_shown()
            self._take()
        return self

    def picture(self) -> "Session":
        return self.until(lambda: any("VISITS 2" in line for line in self.terminal.lines_shown()))

    def end(self) -> int:
        while self._take():
            pass
        os.close(self.master)
        return self.process.wait(LONGEST_S)

    def _take(self) -> bool:
        try:
            data = os.read(self.master, 65536)
        except OSError:  # the other side has closed
            return False
        self.text += data.decode()
        self.terminal.stream.feed(data.decode())
        return bool(data)


@pytest.fixture
def served():
    with fakes.PtyBoard(fakes.FakeBoard()) as here:
        here.board.records += pieces(hands_rows(2))
        yield here


def given_back(terminal: Terminal) -> bool:
    return terminal.modes == {1049: False, 25: True, 7: True, 2026: False} and terminal.cursor.attrs.fg == "default"


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 0), (signal.SIGTERM, 143), (signal.SIGHUP, 129)])
def test_a_signal_gives_the_terminal_back_and_says_what_was_seen(served, number, code):
    here = Session(served.url, "--red").picture()
    assert here.terminal.modes[1049] and here.terminal.colours() == {("red", "black", False)}
    here.process.send_signal(number)
    assert here.end() == code
    assert given_back(here.terminal) and "Traceback" not in here.text
    assert here.text.rstrip().endswith("Seen: 2 visits, 2 fires, 0 misses. The board logs on.")


def test_a_crash_gives_the_terminal_back_and_is_told_in_a_line(served):
    code = (
        "from duskgate.cli import main, watch\n"
        "def soon(self, *size):\n"
        "    soon.n += 1\n"
        "    if soon.n > 3: raise ValueError('a fault of ours')\n"
        "    return drawn(self, *size)\n"
        "soon.n, drawn, watch.Watcher.lines = 0, watch.Watcher.lines, soon\n"
        "main()\n"
    )
    here = Session(served.url, code=code)
    assert here.end() == 1
    assert given_back(here.terminal) and "Traceback" not in here.text
    after = here.text.split("\x1b[?1049l")[1]
    assert "this is a bug of ours (ValueError: a fault of ours)" in after and "Seen: 2 visits" in after


def test_ctrl_z_gives_the_terminal_back_until_it_goes_on(served):
    here = Session(served.url).picture()
    here.process.send_signal(signal.SIGTSTP)
    here.until(lambda: given_back(here.terminal))
    _, status = os.waitpid(here.process.pid, os.WUNTRACED)
    assert os.WIFSTOPPED(status)
    here.terminal.reset()
    here.process.send_signal(signal.SIGCONT)
    here.picture()
    assert here.terminal.modes[1049] and not here.terminal.modes[25]
    here.process.send_signal(signal.SIGINT)
    assert here.end() == 0 and given_back(here.terminal)


def test_a_new_size_of_the_window_is_followed(served):
    here = Session(served.url).picture()
    here.resize(40, 12)
    here.until(lambda: any("o=========o whole" in line for line in here.terminal.lines_shown()))
    here.resize(80, 24)
    here.until(lambda: any("o=====================o  whole" in line for line in here.terminal.lines_shown()))
    here.process.send_signal(signal.SIGINT)
    assert here.end() == 0 and given_back(here.terminal)


def test_times_go_on_between_two_questions(monkeypatch):
    rig = Rig()
    rig.watcher.first()
    rig.board.records += pieces(hands_rows(2, at=99.0, gap=0.1))
    terminal = Terminal()
    monkeypatch.setattr(watch, "Screen", lambda red: Sized(Wire(terminal), red))
    rig.board.asked.clear()
    watch.on_screen(rig.watcher, rig.clock.monotonic() + 2.0, False)
    looks = sum(verb == "tick" for verb, *_ in rig.board.asked)
    shown = [picture for picture in terminal.seen if any("VISITS" in line for line in picture)]
    assert 3 <= looks <= 6 and len(shown) >= 2 * looks


def test_lines_come_at_events_and_one_a_minute(monkeypatch, capsys):
    rig = Rig()
    rig.watcher.first()
    later = {4: pieces(hands_rows(1, at=97.0)), 8: pieces(hands_rows(1, at=99.0))}
    polls, poll = [], rig.watcher.poll

    def polled():
        polls.append(1)
        rig.board.records += later.get(len(polls), [])
        return poll()

    monkeypatch.setattr(rig.watcher, "poll", polled)
    watch.as_lines(rig.watcher, rig.clock.monotonic() + 130.0, False)
    lines = capsys.readouterr().out.splitlines()
    events = [line.split("; ")[1] for line in lines]
    assert len(polls) > 200 and events[1:3] == ["visit, fire", "visit, fire"], lines
    # the first line, two events, two full minutes after the second of them, the last line
    assert len(lines) == 6 and all(event.startswith("beam ") for event in (events[0], *events[3:])), lines
    assert all(line[:4].isdigit() and "; visits " in line for line in lines)


def test_events_name_what_changed_and_nothing_twice():
    rig = Rig()
    rig.watcher.first()
    rig.watcher.poll()
    events = Events()

    def new() -> str:
        return events.of(rig.watcher.live, rig.watcher.status)

    assert new() == ""
    rig.watcher.status.state = {**rig.watcher.status.state, "store": "full"}
    assert [new(), new()] == ["store full", ""]
    rig.watcher.status.state = {**rig.watcher.status.state, "store": "ok", "faults": ["the clock chip did not answer"]}
    assert [new(), new()] == ["no longer store full, new warning", ""]
    rig.unplug()
    rig.watcher.poll()
    assert [new(), new()] == ["no link", ""]
    rig.plug()
    rig.watcher.poll()
    assert [new(), new()] == ["link back", ""]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_dumb_terminal_gets_lines_and_a_last_one(served, number):
    here = Session(served.url, "--red", env={"TERM": "dumb"})
    here.until(lambda: "visits 2" in here.text)
    here.process.send_signal(number)
    assert here.end() == (0 if number == signal.SIGINT else 143)
    assert "\x1b" not in here.text and "Seen: 2 visits" in here.text


def test_once_on_a_terminal_is_as_wide_as_it_and_takes_no_other_screen(served):
    here = Session(served.url, "--once", size=(40, 30))
    assert here.end() == 0
    assert "1049" not in here.text and max(map(len, here.text.split("\r\n"))) <= 40
    assert "recycle time not known" in here.text


@pytest.mark.parametrize("stopped", [False, True])
@pytest.mark.parametrize("size", [(80, 60), (40, 90)])
def test_check_ends_with_its_word_in_large_letters_and_breaks_no_word(size, stopped, tmp_path):
    fake = fakes.FakeClockChip(time)
    fake.stopped = stopped
    with fakes.PtyBoard(fake) as served:
        logbook = str(tmp_path / "none")
        here = Session(served.url, "--no-hands", "--logbook", logbook, command="check", size=size)
        assert here.end() == (6 if stopped else 0)
    lines = here.terminal.lines_shown()
    rows = [row.rstrip() for row in large("MEND" if stopped else "READY", size[0] - 1, "█")]
    at = lines.index(rows[0])
    assert len(rows) == 5 and lines[at - 1 : at + 6] == ["", *rows, ""]
    assert not any("█" in line for line in lines[:at])
    whole = " ".join(" ".join(lines[:at]).split())
    assert "reads whole, unchanged for 5 s" in whole and "Usual values are not known" in whole
    assert ("its oscillator had stopped: its time is not to be trusted" in whole) is stopped
    assert lines[0].startswith("ready  firmware")
    assert (" " * 17 + "0 kB not pulled yet" in lines) is (size[0] == 40)
