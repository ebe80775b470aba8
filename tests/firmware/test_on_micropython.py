"""The shared test files once more, under the interpreter that the board has."""

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
START = "import sys; from micropython_unix import main; sys.exit(main())"
MICROPYTHON = [sys.executable, "-c", START, "-X", "heapsize=64m"]
# test_shared_* run under both interpreters, board_* need what only MicroPython has
SHARED = sorted(path.stem for pattern in ("test_shared_*.py", "board_*.py") for path in HERE.glob(pattern))


@pytest.mark.skipif(importlib.util.find_spec("micropython_unix") is None, reason="no MicroPython wheel on this system")
@pytest.mark.parametrize("name", SHARED)
def test_shared_file(name):
    run = subprocess.run(
        [*MICROPYTHON, str(HERE / "on_micropython.py"), str(ROOT), name], capture_output=True, text=True, timeout=120
    )
    failed = [line.split()[1] for line in run.stdout.splitlines() if line.startswith("FAILED")]
    assert not failed, run.stdout
    assert "\ndone " in run.stdout, run.stdout + run.stderr


def test_there_are_shared_files():
    assert len(SHARED) >= 10
