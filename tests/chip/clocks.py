"""Clocks for `BoardLink` that keep to the time of the board: an emulated one falls behind on a busy computer.

What the tool waits for happens on the board. Where the emulator runs at a third of real time, a wait of 0.15 s gives
the board 50 ms, and a limit of 8 s gives it less than 3 s.
"""

import time

LONGEST_S = 20.0  # wall time that a sleep may last: a board without power has no time that passes


class SettledClock:
    """This computer's clock; a sleep ends when that much time has passed here and on the board."""

    def __init__(self, control):
        self._control = control

    def monotonic(self) -> float:
        return time.monotonic()

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()

    def time_ns(self) -> int:
        return time.time_ns()

    def sleep(self, seconds: float) -> None:
        begin_us, begin = self._control.now_us(), time.monotonic()
        time.sleep(seconds)
        while self._control.now_us() < begin_us + 1e6 * seconds and time.monotonic() < begin + seconds + LONGEST_S:
            time.sleep(0.005)


class BoardClock(SettledClock):
    """A computer whose clock goes as the board's time does, and was right when this was made."""

    def __init__(self, control):
        super().__init__(control)
        self._zero_ns = time.time_ns() - self._board_ns()

    def _board_ns(self) -> int:
        return round(1000 * self._control.now_us())

    def monotonic(self) -> float:
        return self._board_ns() / 1e9

    def monotonic_ns(self) -> int:
        return self._board_ns()

    def time_ns(self) -> int:
        return self._zero_ns + self._board_ns()

    def at_ns(self, board_us: float) -> int:
        """What `time_ns()` gives at a board time."""
        return self._zero_ns + round(1000 * board_us)
