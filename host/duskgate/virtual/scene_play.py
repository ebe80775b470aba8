"""Plays an invented night through the board's own firmware, and hands over a link to it."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from .board import OFF_NS, VirtualBoard
from .scene_clock import SceneClock
from .scenes import CLOCK_HZ, CYCLES_PER_TICK, Scene

SECOND_BIT = 128
SCENE_NAME, FLASH_NAME = "night.scene", "board.flash"


@contextmanager
def played(
    scene: Scene, folder: Path, interpreter: str | None = None, progress: Callable[[int], None] | None = None
) -> Iterator[tuple[VirtualBoard, Any]]:
    """Board and open link after the scene's end; the link's clock shows the scene's time.

    `folder` takes the scene file and the board's flash (a temporary folder will do). `progress` is told per cent.
    """
    from ..link.port import BoardLink

    path = scene.write(folder / SCENE_NAME)
    wired = {"channels": scene.header["channels"] | SECOND_BIT}
    with VirtualBoard(path, folder / FLASH_NAME, interpreter, settings=wired) as board:
        board.wait_scene_end(progress)
        clock = SceneClock(scene.end_utc_us)
        with BoardLink(board.url, clock=clock) as link:
            set_right(clock, link, board, scene)
            yield board, link


def set_right(clock: SceneClock, link: Any, board: VirtualBoard, scene: Scene) -> None:
    """Bring the clock to the scene's true time by the board's tick: the word of the scene's end came a little late."""
    found = link.measure_clock()
    booted_ns = board.resets[-1][0] + OFF_NS if board.resets else 0
    board_ns = booted_ns + found.tick * CYCLES_PER_TICK * 1e9 / CLOCK_HZ
    clock.follow(found.utc_us, board_ns, scene.header["end_ns"], scene.end_utc_us)
