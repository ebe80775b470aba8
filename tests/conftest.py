"""Fixtures that several rooms share."""

import os
import sys

import pytest

# as the command itself does before numpy is loaded; processes that tests start inherit it
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.fixture(scope="session")
def short_board(tmp_path_factory):
    """URL of a virtual board that has played a whole invented night and is still plugged in."""
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals on this system")
    from duskgate.virtual import scenes
    from duskgate.virtual.board import VirtualBoard

    folder = tmp_path_factory.mktemp("board")
    scene = folder / "scene.bin"
    scenes.make(seed=5).write(scene)
    with VirtualBoard(scene, folder / "flash.bin") as board:
        board.wait_scene_end()
        yield board.url
