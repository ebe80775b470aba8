"""A terminal that shows one picture without flicker: the other screen, and only lines that changed are drawn."""

import sys
from typing import Any

from ..plaintext import shown

ESC = "\x1b["
ENTER = f"{ESC}?1049h{ESC}?25l{ESC}2J"
LEAVE = f"{ESC}0m{ESC}?25h{ESC}?1049l"
DIM_RED = f"{ESC}2;31m"
PLAIN = f"{ESC}0m"


class Screen:
    """Context manager around a terminal stream; `draw(lines)` at any time."""

    def __init__(self, stream: Any = None, red: bool = False):
        self.stream = stream or sys.stdout
        self.colour = DIM_RED if red else ""
        self._shown: list[str] = []

    def __enter__(self) -> "Screen":
        _ansi_on_windows()
        self.stream.write(ENTER)
        self.stream.flush()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.stream.write(LEAVE)
        self.stream.flush()

    def draw(self, lines: list[str]) -> None:
        """Bring these lines onto the screen."""
        before = [*self._shown, *[""] * (len(lines) - len(self._shown))]
        out = [
            f"{ESC}{row};1H{self.colour}{shown(line)}{PLAIN}{ESC}K"
            for row, (line, old) in enumerate(zip(lines, before, strict=False), 1)
            if line != old
        ]
        self._shown = list(lines)
        if out:
            self.stream.write("".join(out))
            self.stream.flush()


def _ansi_on_windows() -> None:
    if sys.platform == "win32":
        import ctypes

        kernel = ctypes.windll.kernel32
        kernel.SetConsoleMode(kernel.GetStdHandle(-11), 7)
