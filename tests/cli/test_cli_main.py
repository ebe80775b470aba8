"""The command line as a whole: help without loading anything, one line and one exit code for every error."""

import subprocess
import sys

import click
import pytest
from click.testing import CliRunner
from duskgate import __version__, cli, errors


def run(*words: str):
    return CliRunner().invoke(cli.main, list(words))


def listed() -> list[str]:
    return cli.main.list_commands(click.Context(cli.main))


def test_help_names_every_command_that_is_there():
    done = run("--help")
    assert done.exit_code == 0
    assert all(name in done.output for name in listed())


def test_help_loads_click_alone_of_what_is_installed():
    code = (
        "import sys\nsys.argv = ['duskgate', '--help']\nbefore = set(sys.modules)\nimport duskgate.cli as c\n"
        "try:\n    c.main()\nexcept SystemExit:\n    pass\n"
        "new = {m.split('.')[0] for m in set(sys.modules) - before}\n"
        "print(sorted(new - set(sys.stdlib_module_names)))\n"
        "print([m for m in sys.modules if m.startswith('duskgate.')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    third, ours = done.stdout.splitlines()[-2:]
    assert third == "['click', 'duskgate']" and ours == "['duskgate.errors', 'duskgate.cli']"


@pytest.mark.parametrize("name", listed())
def test_every_command_helps_with_an_example_and_one_summary(name):
    done = run(name, "--help")
    assert done.exit_code == 0, done.output
    assert "Example" in done.output and f"duskgate {name}" in done.output
    assert cli.COMMANDS[name][1].endswith(".")


def test_a_command_whose_module_is_missing_breaks_nothing(monkeypatch):
    monkeypatch.setitem(cli.COMMANDS, "later", ("not_written_yet", "Comes later."))
    assert "later" not in run("--help").output
    done = run("later")
    assert done.exit_code == 2 and "No such command" in done.output


def test_version():
    assert run("--version").output == f"duskgate {__version__}\n"


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (errors.UsageError("name another file"), 2),
        (errors.SiteFileError("line 3"), 2),
        (errors.LinkError("no board\nfound"), 3),
        (errors.BoardRefused("busy", "later"), 3),
        (errors.DamagedLog("half a log"), 4),
        (errors.NothingToAnswer("no edges"), 5),
        (errors.NotReady("lamp"), 6),
        (ZeroDivisionError("oh"), 1),
        (KeyboardInterrupt(), 130),
    ],
)
def test_every_error_is_one_line_with_its_exit_code(monkeypatch, error, code):
    @click.command("pull")
    def failing():
        raise error

    monkeypatch.setattr(cli.LazyCommands, "get_command", lambda self, ctx, name: failing)
    done = run("pull")
    assert done.exit_code == code
    line = done.stderr.strip()  # click ends the line of a ^C first
    assert done.stdout == "" and "\n" not in line and line.startswith("duskgate: ")
    if code == 1:
        assert "a bug of ours (ZeroDivisionError: oh)" in done.stderr
    shown = run("--traceback", "pull")
    assert shown.exit_code == code and ("Traceback" in shown.stderr) == (code != 130)


def test_a_command_s_own_number_is_the_exit_code(monkeypatch):
    monkeypatch.setattr(cli.LazyCommands, "get_command", lambda *_: click.Command("pull", callback=lambda: 4))
    assert run("pull").exit_code == 4


def test_wrong_use_is_2_and_says_how():
    done = run("note", "eaten")
    assert done.exit_code == 2 and "refilled" in done.stderr and "Traceback" not in done.stderr


def test_running_as_a_module():
    done = subprocess.run([sys.executable, "-m", "duskgate", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout == f"duskgate {__version__}\n"
