"""Power cuts at any moment, also inside a commit: what was committed is there, nothing is invented, it logs again."""

from dataclasses import dataclass

import numpy as np
import pytest
from duskgate.errors import LinkError

from . import figures, scene
from .chipboard import Played, boot_rows

LOSS_S = 10.0  # FORMAT.md section 4
PASS_S = 0.5  # one pass of the loop with the commit in it


@dataclass
class Cut:
    played: Played
    committed_us: float  # edges before this board time were told to be committed
    cut_us: float
    torn: bool  # an erase or a program of the flash was under way
    boot_no: int


def cut_in_commit(board, seed: int, after_us: float) -> Cut:
    """Some seconds of edges, one commit that is answered, and a cut so long after the next one was asked for."""
    with board.link() as link:
        played = board.begin(link, scene.spread(seed, 500, 2000, 18000))
        board.control.wait(1.5)
        committed = board.control.now_us()
        link.commit()
        board.control.wait(1.0)
        boot_no = link.who()["boot_no"]
        asked = board.control.now_us()
        board.control.forget_events()
        board.control("cut", in_us=after_us)
        try:
            link.commit()
            committed = asked
        except LinkError:
            pass
        off = board.control.event("off")
    return Cut(played, committed, off["board_us"], off["torn"] is not None, boot_no)


def cut_without_commit(board, seed: int, after_s: float) -> Cut:
    """Sparse edges and no request to commit: the board decides alone."""
    with board.link() as link:
        link.commit()
        played = board.begin(link, scene.spread(seed, 200, 50_000, 250_000))
        boot_no = link.who()["boot_no"]
    board.control.forget_events()
    board.control("cut", at_us=played.begin_us + 1e6 * after_s)
    off = board.control.event("off")
    return Cut(played, 0.0, off["board_us"], off["torn"] is not None, boot_no)


def check(board, recording, cut: Cut) -> float:
    """Assert what holds of one cut; returns the seconds of edges that were lost."""
    edges = cut.played.edges
    before = cut.played.begin_us + edges.t_us < cut.cut_us
    given = scene.Edges(edges.t_us[before], edges.channel[before], edges.level[before])
    found = board.compare(recording, Played(given, cut.played.begin_us, cut.played.boot_id, cut.played.zero_us))
    at = cut.played.begin_us + given.t_us
    assert found.false == 0
    lost = at[found.lost]
    assert not (lost < cut.committed_us).any(), "a committed edge is gone"
    assert not (lost < cut.cut_us - 1e6 * (LOSS_S + PASS_S)).any(), "more than the last 10 s are gone"
    assert len(lost) == 0 or np.array_equal(found.lost, np.arange(found.lost[0], len(given))), "a hole before the end"
    return float(cut.cut_us - lost[0]) / 1e6 if len(lost) else 0.0


def judge(board, cuts: list[Cut], name: str) -> None:
    recording = board.pull()
    assert not len(recording.problems), recording.problems["what"].tolist()
    lost_s = [check(board, recording, cut) for cut in cuts]
    boots = recording.boots.set_index("boot_no")
    for cut in cuts:
        after = boots.loc[cut.boot_no + 1]
        assert after["cause"] == "power-on"
        assert not boot_rows(recording, "edges", cut.played.boot_id).empty
    figures.note(
        name, cuts=len(cuts), inside_flash_operation=sum(cut.torn for cut in cuts), longest_loss_s=max(lost_s),
        committed_lost=0, invented=0, booted_again=len(cuts),
    )  # fmt: skip


def cuts_in_commits(board, seed: int, count: int) -> list[Cut]:
    rng = np.random.default_rng(seed)
    cuts = []
    for number in range(count):
        cuts.append(cut_in_commit(board, 1000 * seed + number, float(rng.uniform(8e3, 110e3))))
        board.rest()
        board.await_logger()
    return cuts


def test_cuts_inside_commits(board):
    judge(board, cuts_in_commits(board, 5, 6), "power cuts in commits")


def test_a_cut_loses_ten_seconds_at_most(board):
    cuts = [cut_without_commit(board, 7, 17.3)]
    board.rest()
    board.await_logger()
    judge(board, cuts, "power cut, no commit asked for")


@pytest.mark.slow
def test_many_cuts(board):
    cuts = cuts_in_commits(board, 6, 30)
    judge(board, cuts, "power cuts in commits, long run")
