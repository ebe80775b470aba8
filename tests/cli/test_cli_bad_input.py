"""Every command that talks to a board, at a wrong board, a busy port, a port that goes away, an old firmware: one line
that says what and what to do, and exit code 3. The other room for mistakes has its tests beside each command."""

import socket
import sys
import threading
from contextlib import contextmanager

import pytest
from click.testing import CliRunner
from duskgate.cli import main
from duskgate.link.port import BoardLink

from tests import fakes

PROMPT = b"\r\nMicroPython v1.28.0; type help() for more information.\r\n>>> "
COMMANDS = {
    "boards": ["boards"],
    "check": ["check", "--no-hands"],
    "check --cover": ["check", "--cover", "--seconds", "1"],
    "watch": ["watch", "--once"],
    "clock": ["clock", "--check"],
    "note": ["note", "refilled"],
    "pull": ["pull"],
    "bench": ["bench", "--yes", "--shots", "1"],
}
ASK_WHO = [name for name in COMMANDS if name != "note"]


@pytest.fixture(autouse=True)
def soon(monkeypatch, tmp_path):
    """An empty folder, and a silence that is short: the bound itself has its test at the port."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(BoardLink.__init__, "__defaults__", (*BoardLink.__init__.__defaults__[:-1], 0.15))


@contextmanager
def served(answer):
    """URL of a socket; answer(bytes) gives what goes back, None closes the connection."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        ended = threading.Event()

        def serve() -> None:
            while not ended.is_set():
                try:
                    peer, _ = server.accept()
                except OSError:
                    return
                with peer:
                    while data := peer.recv(4096):
                        back = answer(data)
                        if back is None:
                            break
                        peer.sendall(back)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield f"socket://127.0.0.1:{server.getsockname()[1]}"
        finally:
            ended.set()


def said(name: str, url: str) -> str:
    """The one line that a command ends with at exit code 3."""
    done = CliRunner().invoke(main, [*COMMANDS[name], "--port", url])
    assert done.exit_code == 3, done.output
    assert "Traceback" not in done.output and "bug of ours" not in done.output
    if name == "boards":
        port, line = done.stdout.splitlines()
        assert port == url
        return line
    (line,) = [text for text in done.stderr.splitlines() if text.startswith("duskgate: ")]
    return line


@pytest.mark.parametrize("name", COMMANDS)
def test_another_program_s_board_is_told_from_ours(name):
    with served(lambda data: PROMPT) as url:
        line = said(name, url)
    assert "no right answer" in line and "check that the board logs (lamp)" in line


@pytest.mark.parametrize("name", COMMANDS)
def test_a_board_that_is_silent(name):
    with served(lambda data: b"") as url:
        assert "no right answer" in said(name, url)


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals on this system")
@pytest.mark.parametrize("name", COMMANDS)
def test_a_port_in_use(name):
    with fakes.PtyBoard(fakes.FakeBoard()) as pty, BoardLink(pty.url):
        line = said(name, pty.url)
    assert "is in use by another program: close that one first" in line


@pytest.mark.parametrize("name", COMMANDS)
def test_no_port_there(name):
    line = said(name, "/dev/no-such-port")
    assert "is the board plugged in? `duskgate boards` lists what is there" in line


@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "watch"])
@pytest.mark.parametrize("answers", [0, 1])
def test_a_port_that_goes_away_in_the_middle(name, answers):
    board, asked = fakes.FakeBoard({1: [fakes.night_blocks(3, seed=1), 2]}), []

    def answer(data: bytes) -> bytes | None:
        asked.append(data)
        return None if len(asked) > answers else b"".join(board.feed(data))

    if name == "note" and answers:
        return  # it asks once
    with served(answer) as url:
        line = said(name, url)
    assert "unplugged" in line and ("try again" in line or "plug it in again" in line)


def test_watch_goes_on_without_the_port():
    board, asked = fakes.FakeBoard(), []

    def answer(data: bytes) -> bytes | None:
        asked.append(data)
        return None if len(asked) > 2 else b"".join(board.feed(data))

    with served(answer) as url:
        done = CliRunner().invoke(main, ["watch", "--once", "--port", url])
    assert done.exit_code == 0 and "NO LINK" in done.stdout and "the board logs on" in done.stdout


@pytest.mark.parametrize("name", ASK_WHO)
def test_a_firmware_that_speaks_another_link(name):
    board = fakes.FakeBoard()
    board.facts["who"] = {
        "board": board.board, "firmware": "9.0.0", "log": 1, "link": 9, "boot_id": 7, "boot_no": 1,
    }  # fmt: skip
    with served(lambda data: b"".join(board.feed(data))) as url:
        assert "link version 9, this tool 1: update the older of the two" in said(name, url)
