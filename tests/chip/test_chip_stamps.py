"""Every edge played on the pins is in the pulled log once, at its time: at rest, under flash writes, in bursts."""

import numpy as np
import pytest

from . import figures, scene

ONE_TICK = 1.0  # an edge is stamped at the first sample after it: 0 to 1 tick late


def check(board, played, name):
    """Pull, compare and note the figures; returns the recording."""
    recording = board.pull()
    assert not len(recording.problems), recording.problems["what"].tolist()
    found = board.compare(recording, played)
    figures.note(name, **found.row())
    assert (len(found.lost), found.false) == (0, 0)
    assert np.ptp(found.error_ticks) <= ONE_TICK + 1e-3
    return recording


def test_edges_at_rest(board):
    with board.link() as link:
        played = board.play(link, scene.spread(1, 1500, 1000, 6000))
        state = link.state()
    check(board, played, "stamps, 1-6 ms apart")
    assert (state["ring_lost"], state["fifo_drops"], state["store_lost"]) == (0, 0, 0)


def test_edges_close_together(board):
    with board.link() as link:
        played = board.play(link, scene.spread(2, 3000, 0.8, 400))
    check(board, played, "stamps, 0.8-400 us apart")


def test_edges_under_flash_writes_and_collection(board):
    """The host asks for a commit again and again, so that nearly all the time flash is being erased or written."""
    commits = []
    with board.link() as link:
        played = board.play(link, scene.spread(3, 6000, 50, 2500), lambda: commits.append(link.commit()))
    check(board, played, f"stamps, 0.05-2.5 ms apart, {len(commits)} commits meanwhile")
    assert len(commits) > 20


@pytest.mark.parametrize("spacing_us", [scene.TICK_US, 0.1])
def test_burst_of_4000_edges(board, spacing_us):
    """One stamping loop apart: the ring takes them all while the processor does not even look."""
    with board.link() as link:
        link.state()  # drains the ring
        played = board.play(link, scene.burst(4000, spacing_us))
        state = link.state()
    check(board, played, f"burst of 4,000, {1000 * spacing_us:.0f} ns apart")
    assert (state["ring_lost"], state["fifo_drops"]) == (0, 0)


@pytest.mark.slow
def test_2000_edges_a_second_for_a_minute(board):
    board.empty_store()
    n, seconds = 126_000, 62
    with board.link() as link:
        link.setting("chatter_limit", 0)
        played = board.play(link, scene.spread(4, n, 0.5e6 * seconds / n, 1.5e6 * seconds / n))
        state = link.state()
    rate = n / (played.edges.t_us[n - 1] - played.edges.t_us[0]) * 1e6
    recording = board.pull()
    found = board.compare(recording, played)
    figures.note("sustained, guard off", edges_s=rate, **found.row(), heap_free=state["heap_free"])
    assert rate >= 2000
    assert (len(found.lost), found.false) == (0, 0)
    assert (state["ring_lost"], state["fifo_drops"], state["store_lost"]) == (0, 0, 0)
    assert np.ptp(found.error_ticks) <= ONE_TICK + 1e-3
