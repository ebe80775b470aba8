"""The command line as a whole: help without loading anything, one line and one exit code for every error."""

import os
import subprocess
import sys

import click
import pytest
from click.testing import CliRunner
from duskgate import __version__, cli, errors

from tests.cli.night_logs import night_log


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


def modules_after(*words: str) -> set[str]:
    """What is loaded when a command has ended, in a process of its own."""
    code = (
        "import sys\nimport duskgate.cli as c\n"
        f"try:\n    c.main({list(words)!r})\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        "print('loaded', *sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.splitlines()[-1].split()[1:])


HEAVY = ("numpy", "pandas", "scipy", "plotly", "jinja2", "serial", "astronomy", "pyarrow")


@pytest.mark.parametrize("name", listed())
def test_help_of_a_command_loads_no_heavy_library(name):
    assert modules_after(name, "--help").isdisjoint(HEAVY)


def test_a_night_loads_only_what_it_draws_on(tmp_path):
    # validating figures, fits by general minimisers and the link's port would each cost a good part of the whole
    (tmp_path / "night.dgl").write_bytes(night_log())
    loaded = modules_after("night", str(tmp_path / "night.dgl"), "--page", str(tmp_path / "night.html"))
    unwanted = ("plotly.graph_objects", "plotly.io", "scipy.optimize", "scipy.stats", "serial", "mpremote", "kaleido")
    assert loaded.isdisjoint(unwanted) and "pandas" in loaded
    without = modules_after("night", str(tmp_path / "night.dgl"))
    assert without.isdisjoint((*unwanted, "jinja2", "plotly"))


def test_linear_algebra_has_one_thread_unless_someone_asked_for_more():
    code = "import os, sys\nimport duskgate.cli\nprint(os.environ['OPENBLAS_NUM_THREADS'], 'numpy' in sys.modules)"
    for asked, told in (({}, "1 False"), ({"OPENBLAS_NUM_THREADS": "2"}, "2 False")):
        env = {name: value for name, value in os.environ.items() if not name.endswith("_THREADS")} | asked
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=env)
        assert done.stdout.strip() == told
