"""The clock for a scene in the past: it shows the scene's time and follows the board's tick."""

import pytest
from duskgate.virtual.scene_clock import SceneClock

END_UTC_US = 1_784_437_200_250_000


class Wall:
    """A wall clock that only moves when told to."""

    def __init__(self):
        self.ns = 5_000_000_000

    def monotonic_ns(self):
        return self.ns

    def monotonic(self):
        return self.ns / 1e9

    def sleep(self, seconds):
        self.ns += int(seconds * 1e9)


def test_it_starts_at_the_scenes_end_and_runs_at_the_walls_pace():
    wall = Wall()
    clock = SceneClock(END_UTC_US, wall)
    assert clock.time_ns() == 1000 * END_UTC_US
    clock.sleep(2.5)
    assert clock.time_ns() == 1000 * END_UTC_US + 2_500_000_000 and clock.monotonic() == 7.5


def test_following_the_boards_tick_takes_away_what_the_start_was_late():
    wall = Wall()
    wall.sleep(0.4)  # the board's scene had ended 0.4 s before this clock was made
    clock = SceneClock(END_UTC_US, wall)
    shown = clock.time_ns() // 1000
    clock.follow(shown, board_ns=7_000_400_000_000.0, end_ns=7_000_000_000_000, end_utc_us=END_UTC_US)
    assert clock.time_ns() / 1000 == pytest.approx(END_UTC_US + 400_000, abs=1)
