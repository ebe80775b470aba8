"""Hours of logging: the heap at the end is what it was at the begin, nothing is lost, the store's wear is even."""

import os

import pytest

from . import figures, scene
from .chipboard import readings

MINUTES = float(os.environ.get("DUSKGATE_CHIP_SOAK_MIN", "10"))
PART_S = 60.0


def free(link) -> int:
    """Free heap without the garbage that waits to be collected: the most of many looks."""
    return max(link.state()["heap_free"] for _ in range(40))


@pytest.mark.slow
def test_soak(board):
    board.empty_store()
    who = board.await_logger()
    before = dict(board.control("wear")["erases"])
    with board.link() as link:
        link.setting("chatter_limit", 0)
        heap, parts, first = [], [], 0
        board.control("speed", speed=0)
        for number in range(max(2, round(60 * MINUTES / PART_S))):
            edges = scene.spread(6000 + number, 60, 0.2e6, 1.6e6)
            parts.append(board.begin(link, edges))
            # two scenes at once could ask for a level that is there already, which is no edge
            board.control.wait_until(max(parts[-1].begin_us + 1e6 * PART_S, parts[-1].end_us + 50e3))
            heap.append(link.state()["heap_free"])
            first = first or free(link)
        board.control("speed", speed=1)
        last, state = free(link), link.state()
    erases = {sector: n - before.get(sector, 0) for sector, n in board.control("wear")["erases"]}
    recording = board.pull()
    lost = sum(len(board.compare(recording, part).lost) for part in parts)
    assert not len(recording.problems)
    hourly = readings(recording, who["boot_id"], "heap_free")[1]
    figures.note(
        "soak", board_minutes=len(heap) * PART_S / 60, edges=sum(len(part.edges) for part in parts), lost=lost,
        heap_free_first=first, heap_free_last=last, heap_least=min(heap), heap_hourly=hourly.tolist(),
        commits_erases=sum(erases.values()), most_erases_of_a_sector=max(erases.values()),
    )  # fmt: skip
    assert lost == 0
    assert (state["ring_lost"], state["fifo_drops"], state["store_lost"]) == (0, 0, 0)
    assert last > first - 1500
