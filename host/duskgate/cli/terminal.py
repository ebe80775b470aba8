"""A terminal that shows one picture without flicker: the other screen, and only cells that changed are written.

Sequences are those of ECMA-48 (CUP, ED, SGR) and DEC private modes that terminals without them pass over: 1049 the
other screen, 25 the cursor, 7 wrapping at the edge, 2026 synchronised output (what stands between its set and its
reset is shown at once). Nothing is asked of the terminal, so it never answers into what is typed.
"""

import contextlib
import os
import signal
import sys
import threading
from collections.abc import Iterator
from typing import Any

from .cells import cells, changes
from .console import WindowsConsole

ESC = "\x1b["
ENTER = f"{ESC}?1049h{ESC}?25l{ESC}?7l{ESC}2J"
LEAVE = f"{ESC}?2026l{ESC}0m{ESC}?7h{ESC}?25h{ESC}?1049l"
HOLD, SHOW = f"{ESC}?2026h", f"{ESC}?2026l"
# faint red on black; a terminal of 16 colours without faint shows its dark red. Nothing bold, nothing of 90 to 97
DIM_RED = f"{ESC}0;2;31;40m"
PLAIN = f"{ESC}0m"
SIZE = (80, 24)  # where the terminal does not tell
SOLID, HASH = "█", "#"


class Stopped(SystemExit):
    """A signal asked the program to end; the exit code is the shells' 128 + its number."""


class Screen:
    """Context manager around a terminal stream; `draw(lines)` at any time. It is left on every way out."""

    def __init__(self, stream: Any = None, red: bool = False):
        self.stream = stream or sys.stdout
        self.colour = DIM_RED if red else PLAIN
        self.encoding = getattr(self.stream, "encoding", None) or "utf-8"
        self._shown: list[list[str] | None] = []
        self._size = (0, 0)
        self._pause_asked = False
        self._before: Any = None  # what Ctrl-Z did

    def __enter__(self) -> "Screen":
        try:
            self._on_pause()
            self._write(ENTER)
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(self, *_exc: object) -> None:
        self._leave()

    def _on_pause(self) -> None:
        if hasattr(signal, "SIGTSTP") and threading.current_thread() is threading.main_thread():
            self._before = signal.signal(signal.SIGTSTP, self._ask_pause)

    def _ask_pause(self, _number: int, _frame: object) -> None:
        # not here: the picture may just be on its way out
        self._pause_asked = True

    def _pause(self) -> None:
        """Ctrl-Z: give the terminal back, stop, and take it again when told to go on."""
        self._pause_asked = False
        self._leave()
        signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGTSTP)
        self._on_pause()
        self._write(ENTER)
        self._size = (0, 0)

    def _leave(self) -> None:
        if self._before is not None:
            signal.signal(signal.SIGTSTP, self._before)
            self._before = None
        # the terminal itself may be gone; what went wrong before it is what has to be told
        with contextlib.suppress(OSError, ValueError):
            self._write(LEAVE)

    @property
    def pixel(self) -> str:
        """What large letters are made of: solid cells where the terminal's encoding has them."""
        return pixel_of(self.encoding)

    def size(self) -> tuple[int, int]:
        """Columns and rows now; it is asked at every picture, so that a change of size shows at the next one."""
        return size_of(self.stream)

    def draw(self, lines: list[str]) -> None:
        """Bring these lines onto the screen; what does not fit is left out."""
        if self._pause_asked:
            self._pause()
        size = self.size()
        width, height = size
        if size != self._size:
            # terminals keep, cut or wrap what stood there: nothing is known of it any more
            self._size, self._shown = size, [None] * height
        rows = [cells(line, width, self.encoding) for line in [*lines, *[""] * height][:height]]
        out = [
            f"{ESC}{row};{column + 1}H{text}"
            for row, (old, new) in enumerate(zip(self._shown, rows, strict=True), 1)
            for column, text in changes(old, new)
        ]
        if not out:
            return
        self._write(f"{HOLD}{self.colour}{''.join(out)}{PLAIN}{SHOW}")
        self._shown = list(rows)

    def _write(self, text: str) -> None:
        self.stream.write(text)
        self.stream.flush()


def pixel_of(encoding: str | None) -> str:
    """A solid cell where an encoding has it, else a sign of ASCII."""
    try:
        SOLID.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return HASH
    return SOLID


def size_of(stream: Any) -> tuple[int, int]:
    """Columns and rows of the terminal behind a stream; 80 and 24 where it does not tell."""
    try:
        told = os.get_terminal_size(stream.fileno())
    except (OSError, ValueError, AttributeError):
        return SIZE
    return (told.columns, told.lines) if told.columns > 0 and told.lines > 0 else SIZE


@contextlib.contextmanager
def pictures(stream: Any = None) -> Iterator[bool]:
    """Whether a stream can show pictures, for as long as it is to.

    It can where it is a terminal and not a dumb one. A Windows console is made to obey sequences here, and set back at
    the end; one that cannot shows none.
    """
    stream = stream or sys.stdout
    if not stream.isatty() or os.environ.get("TERM") == "dumb":
        yield False
    elif sys.platform != "win32":
        yield True
    else:
        with WindowsConsole() as obeys:
            yield obeys


@contextlib.contextmanager
def ended_by_signal() -> Iterator[None]:
    """SIGTERM and SIGHUP raise `Stopped` in here, so that every way out is walked to its end."""
    names = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {}
    try:
        for name in names:
            number = getattr(signal, name)
            before[number] = signal.signal(number, _stop)
    except ValueError:  # not the main thread: signals are not ours
        pass
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _stop(number: int, _frame: object) -> None:
    raise Stopped(128 + number)
