"""A terminal of exact cells: pyte's emulator, and on top of it what watch relies on and pyte passes over."""

import pyte

PRIVATE = 5  # pyte keeps DEC private modes shifted by so many bits


class Terminal(pyte.Screen):
    """Counts every cell that is written; knows the other screen (1049) and synchronised output (2026).

    `seen`: the pictures that a person got to see, one each time that something was written outside of a held part, or
    that a held part ended. `faults`: what a terminal would not forgive.
    """

    def __init__(self, width: int = 80, height: int = 24, holds: bool = True):
        self.written: list[tuple[int, int]] = []
        self.seen: list[list[str]] = []
        self.modes: dict[int, bool] = {1049: False, 25: True, 7: True, 2026: False}
        self.faults: list[str] = []
        self.holds = holds
        super().__init__(width, height)
        self.stream = pyte.Stream(self)

    def draw(self, data: str) -> None:
        for sign in data:
            before = (self.cursor.y, self.cursor.x)
            if self.cursor.x >= self.columns:
                self.faults.append(f"written past the edge in row {self.cursor.y + 1}")
            super().draw(sign)
            if self.cursor.x != before[1]:
                self.written.append(before)
            self._show()

    def set_mode(self, *modes: int, **kwargs: bool) -> None:
        super().set_mode(*modes, **kwargs)
        self._modes(modes, kwargs.get("private", False), True)

    def reset_mode(self, *modes: int, **kwargs: bool) -> None:
        super().reset_mode(*modes, **kwargs)
        self._modes(modes, kwargs.get("private", False), False)
        if 2026 in modes:
            self._show()

    def _modes(self, modes: tuple[int, ...], private: bool, on: bool) -> None:
        for mode in modes:
            if not private or mode not in self.modes:
                self.faults.append(f"mode {mode} is none that watch should use")
            self.modes[mode] = on

    def linefeed(self) -> None:
        if self.modes[1049]:
            self.faults.append("a line end, which scrolls at the foot of the screen")
        super().linefeed()

    def _show(self) -> None:
        if not (self.holds and self.modes[2026]):
            picture = self.lines_shown()
            if not self.seen or self.seen[-1] != picture:
                self.seen.append(picture)

    def lines_shown(self) -> list[str]:
        """The rows as text, without blanks at their ends."""
        return [row.rstrip() for row in self.display]

    def colours(self) -> set[tuple[str, str, bool]]:
        """(foreground, background, bold) of every cell."""
        return {
            (cell.fg, cell.bg, cell.bold)
            for row in range(self.lines)
            for cell in (self.buffer[row][column] for column in range(self.columns))
        }


class Wire:
    """The stream that a program writes to: every write goes to the terminal at once."""

    def __init__(self, terminal: Terminal, encoding: str = "utf-8"):
        self.terminal, self.encoding = terminal, encoding
        self.text: list[str] = []
        self.writes = 0

    def write(self, text: str) -> None:
        text.encode(self.encoding)  # a real stream raises where it cannot
        self.text.append(text)
        self.writes += 1
        self.terminal.stream.feed(text)

    def flush(self) -> None:
        pass

    def isatty(self) -> bool:
        return True
