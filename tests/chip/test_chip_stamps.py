"""Every edge played on the pins is in the pulled log once, at its time: at rest, under flash writes, in bursts."""

import numpy as np
import pytest

from . import figures, scene
from .chipboard import boot_rows

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


def test_overload_is_told(board):
    """Far more edges than can be stored: what is lost is counted, its time is told as blind, the rest is right."""
    with board.link() as link:
        before = link.state()["ring_lost"]
        played = board.play(link, scene.spread(8, 30_000, 20, 30))
        state = link.state()
    recording = board.pull()
    found = board.compare(recording, played)
    blind = boot_rows(recording, "blind", played.boot_id)
    at_ns = 1000 * (played.begin_us + played.edges.t_us[found.lost] - found.zero_us)
    inside = np.zeros(len(at_ns), bool)
    for begin, end in zip(blind["from_ns"], blind["to_ns"], strict=True):
        inside |= (at_ns > begin) & (at_ns <= end + 1000)
    told = state["ring_lost"] - before
    figures.note(
        "overload, 40,000 edges/s", edges=found.given, stored=found.given - len(found.lost), lost=len(found.lost),
        words_told_lost=told, outside_blind_time=int((~inside).sum()), false=found.false,
        max_ticks=float(np.abs(found.error_ticks).max()),
    )  # fmt: skip
    assert len(found.lost) > 0
    assert inside.all()
    assert found.false == 0
    # words of SECOND, markers of the counter and the edge at which sight came back are the difference
    assert abs(told - len(found.lost)) <= 4 * len(blind) + 4
    assert np.ptp(found.error_ticks) <= ONE_TICK + 1e-3


@pytest.mark.slow
@pytest.mark.parametrize("rate", [3000, 4000, 5000, 6000])
def test_how_many_edges_a_second(board, rate):
    """The rate at which losses begin; each run is long enough to fill the ring many times."""
    board.empty_store()
    n = 20 * rate
    with board.link() as link:
        link.setting("chatter_limit", 0)
        played = board.play(link, scene.spread(9, n, 0.5e6 / rate, 1.5e6 / rate))
        state = link.state()
    found = board.compare(board.pull(), played)
    told = state["ring_lost"]
    figures.note(f"{rate} edges/s for 20 s", lost=len(found.lost), false=found.false, words_told_lost=told)
    assert found.false == 0
    assert (len(found.lost) > 0) == (told > 0)
