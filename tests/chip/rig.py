"""An invented rig on the pins: hands or animals in the beam, heads that answer. And a command of the tool beside it."""

import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable

from .scene import FIRST_INPUT

BEAM, BEAM2, SYNC = 0, 1, 2
FLASHES = (3, 4, 5, 6)
LIGHT_US = 2_800.0  # invented delay of the first head; each further head 40 us later
PULSE_US = 300.0
OUT_S = 240.0  # wall time for a command on a board that is emulated


def breaks(times_s: Iterable[float], length_s: float = 0.4, heads: Iterable[int] = FLASHES) -> list[dict]:
    """Edges of breaks that these heads answer."""
    out = []
    for t_s in times_s:
        t = 1e6 * t_s
        out += pulse(BEAM, t, 1e6 * length_s)
        for number, channel in enumerate(heads):
            out += pulse(channel, t + LIGHT_US + 40.0 * number, PULSE_US + 10.0 * number)
    return sorted(out, key=lambda edge: edge["t_us"])


def pulse(channel: int, t_us: float, length_us: float, active: int = 0) -> list[dict]:
    """The wire at `active` (0: low) for so long."""
    return [
        {"pin": FIRST_INPUT + channel, "level": active, "t_us": t_us},
        {"pin": FIRST_INPUT + channel, "level": 1 - active, "t_us": t_us + length_us},
    ]


class Tool:
    """`duskgate` with these words, running beside the test; `on_line(line)` is called for each line as it comes."""

    def __init__(self, *words: object, cwd: object = None, on_line: Callable[[str], None] | None = None):
        command = [sys.executable, "-m", "duskgate", *map(str, words)]
        self.lines: list[str] = []
        self._on_line = on_line
        self._process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, encoding="utf-8", cwd=cwd,
            env=os.environ | {"PYTHONUNBUFFERED": "1", "PYTHONIOENCODING": "utf-8"},
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        for line in self._process.stdout or ():
            self.lines.append(line.rstrip("\n"))
            if self._on_line:
                self._on_line(self.lines[-1])

    def end(self) -> tuple[int, list[str]]:
        """(exit code, lines) once it has ended."""
        try:
            code = self._process.wait(OUT_S)
        finally:
            self._process.kill()
        self._reader.join(10)
        return code, self.lines
