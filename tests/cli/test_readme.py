"""What the README and the help texts promise is run as it stands there."""

import os
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from duskgate.cli import COMMANDS

from tests.readme_commands import README, commands

ROOT = Path(__file__).resolve().parents[2]
BIN = Path(sys.executable).parent
ENTER = "\n" * 60  # the answer to every question of `site`: the value it offers


def run(line: str, folder: Path, port: str = "", typed: str = "") -> subprocess.CompletedProcess[str]:
    words = shlex.split(line, comments=True)
    assert words[0] == "duskgate", line
    env = {**os.environ, "DUSKGATE_PORT": port, "COLUMNS": "100"}
    return subprocess.run(
        [sys.executable, "-m", "duskgate.cli", *words[1:]],
        cwd=folder, env=env, input=typed, capture_output=True, text=True, timeout=240, check=False,
    )


def examples(command: str, folder: Path) -> list[str]:
    """Lines that a command's help gives as examples."""
    text = run(f"duskgate {command} --help", folder).stdout
    assert "Example" in text, f"`duskgate {command} --help` has no example"
    after = text[text.index("Example") :]
    return [line.strip() for line in after.splitlines() if line.strip().startswith("duskgate ")]


@pytest.fixture(scope="module")
def sandbox(tmp_path_factory, short_board):
    """A folder in which the README's own demo was run, and a board that is plugged in."""
    folder = tmp_path_factory.mktemp("readme")
    line = commands()["demo"].split("&&")[-1].strip().replace(".venv/bin/", "")
    done = run(line, folder)
    assert done.returncode == 0, done.stderr[-2000:]
    return folder, short_board, done


def test_readme_opens_with_the_job_in_one_paragraph():
    first = README.read_text(encoding="utf-8").split("\n\n")[1]
    for word in ("feeder", "beam", "flashes", "shutters open", "delay", "recycling", "plan tonight"):
        assert word in " ".join(first.split()), word


def test_the_two_commands_install_what_they_need():
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    assert set(extras) == {"demo", "pictures", "test", "fuzz", "dev"}
    assert "duskgate[demo]" in extras["test"]
    assert '".[demo]"' in commands()["demo"] and '".[test]"' in commands()["test"]
    assert commands()["test"].endswith("-m pytest -n auto --dist worksteal")
    for text in (commands()["demo"], commands()["test"]):
        assert text.startswith("python3 -m venv .venv && "), text


def test_readme_demo_leaves_one_log_one_page_a_site_file_and_tables(sandbox):
    folder, _, done = sandbox
    night = folder / "duskgate-demo"
    assert len(list(night.rglob("*.dgl"))) == 1
    assert len(list(night.rglob("*.html"))) == 1
    assert (night / "site.toml").exists()
    assert len(list((night / "tables").glob("*.csv"))) >= 8
    lines = [line for line in done.stdout.splitlines() if line.strip()]
    assert 8 <= len(lines) <= 20, done.stdout


def test_readme_first_night_runs_as_written(sandbox, tmp_path):
    _, board, _ = sandbox
    lines = [line for line in commands()["night"].splitlines() if line.startswith("duskgate")]
    assert len(lines) >= 5
    for line in lines:
        done = run(line, tmp_path, board, ENTER)
        assert done.returncode == 0, f"{line}\n{done.stdout[-500:]}\n{done.stderr[-1500:]}"


def stand_beside_demo(sandbox, tmp_path):
    """A folder with the demo's logbook and site file, as the README's lines expect it."""
    folder, _, _ = sandbox
    for name in ("logbook", "site.toml"):
        os.symlink(folder / "duskgate-demo" / name, tmp_path / name)


def test_readme_exports_run_as_written(sandbox, tmp_path):
    stand_beside_demo(sandbox, tmp_path)
    lines = commands()["export"].splitlines()
    assert len(lines) == 5
    for line in lines:
        done = run(line, tmp_path)
        assert done.returncode == 0, f"{line}\n{done.stderr[-1500:]}"
        assert (tmp_path / shlex.split(line, comments=True)[-1]).exists(), line


def test_readme_plans_run_as_written(sandbox, tmp_path):
    stand_beside_demo(sandbox, tmp_path)
    lines = commands()["plan"].splitlines()
    assert len(lines) == 2
    for line in lines:
        done = run(line, tmp_path)
        assert done.returncode == 0, f"{line}\n{done.stderr[-1500:]}"
        assert "set up" in done.stdout and "power_steps" in done.stdout
    assert (tmp_path / "plan.html").exists()


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_help_examples_run(command, sandbox, tmp_path):
    """Each in a folder of its own that has the demo's logbook and site file, as a user's folder would."""
    folder, board, _ = sandbox
    lines = examples(command, folder)
    assert lines
    for number, line in enumerate(lines):
        here = tmp_path / str(number)
        here.mkdir()
        if command not in ("demo", "site"):
            for name in ("logbook", "site.toml"):
                os.symlink(folder / "duskgate-demo" / name, here / name)
        done = run(line, here, board, ENTER)
        # the invented board's clock stands in its own night: `check` says so, with the exit code that its help names
        fine = (0, 6) if command == "check" else (0,)
        assert done.returncode in fine, f"{line}\n{done.stdout[-500:]}\n{done.stderr[-1500:]}"
