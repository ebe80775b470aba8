"""A clock for talking to a virtual board whose scene lies in the past: it shows the scene's time, not today's."""

import time
from typing import Any


class SceneClock:
    """Offers what the link asks of a clock (time_ns, monotonic, monotonic_ns, sleep), with UTC shifted.

    After its scene's end the virtual board's time runs on with the wall clock, so true UTC at any later moment is the
    scene's true end plus what has passed since. `follow` finds that moment from the board's own tick.
    """

    def __init__(self, end_utc_us: int, base: Any = time):
        self._base = base
        self._shift_ns = 1000 * end_utc_us - base.monotonic_ns()

    def time_ns(self) -> int:
        """Scene time, ns since 1970 UTC."""
        return self._base.monotonic_ns() + self._shift_ns

    def time(self) -> float:
        """Scene time, s since 1970 UTC."""
        return self.time_ns() / 1e9

    def monotonic(self) -> float:
        """This computer's monotonic clock, s."""
        return self._base.monotonic()

    def monotonic_ns(self) -> int:
        """This computer's monotonic clock, ns."""
        return self._base.monotonic_ns()

    def sleep(self, seconds: float) -> None:
        """Wait on this computer's clock."""
        self._base.sleep(seconds)

    def follow(self, shown_utc_us: int, board_ns: float, end_ns: int, end_utc_us: int) -> None:
        """Correct this clock: it showed `shown_utc_us` when the board's scene time was `board_ns` (after the end)."""
        true_us = end_utc_us + (board_ns - end_ns) / 1000.0
        self._shift_ns += round(1000.0 * (true_us - shown_utc_us))
