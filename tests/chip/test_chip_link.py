"""How fast the log comes off the board: our link against mpremote's file copy and the bare USB link."""

import time

import numpy as np
import pytest
from duskgate.link.answers import SegmentState

from . import figures, scene

COPY_BYTES = 16_384
FASTER_THAN_COPY = 40  # a whole pull against mpremote's copy, in board time
SHARE_OF_LINK = 0.6  # `get` against bytes that the board only sends
RAW_BYTES = 262_144
RAW = f"""
import sys
piece = bytes(4096)
out = sys.stdout.buffer
for _ in range({RAW_BYTES // 4096}):
    out.write(piece)
"""
DRAIN = """
import gc, time
from array import array
from core import ticks
words = 4000
ring = array('I', bytearray(4 * 8192))
unroller = ticks.Unroller(8192, 0x7f, 0x7f, 125000000, 9, 0)
out = bytearray(8 * words + 64)
s = unroller.s
best = 1 << 30
for turn in range(3):
    for i in range(words + 1):
        ring[i] = (0xffffff - 100 * i & 0xffffff) << 8 | (0x7f ^ 1 << i % 7)
    s[ticks.READ], s[ticks.UNREAD], s[ticks.OUT_AT], s[ticks.OUT_END] = 0, 1, 0, len(out)
    s[ticks.FRESH] = 1
    ticks.unroll(ring, s, out, unroller.falls)
    s[ticks.UNREAD] = words
    gc.collect()
    begin = time.ticks_us()
    ticks.unroll(ring, s, out, unroller.falls)
    best = min(best, time.ticks_diff(time.ticks_us(), begin))
    assert s[ticks.UNREAD] == 0
print(words * 1000000 // best)
"""


def fill(board, kilobytes: int) -> None:
    """That much log, of quick edges."""
    with board.link() as link:
        link.setting("chatter_limit", 0)
        while link.state()["unpulled_bytes"] < 1000 * kilobytes:
            board.play(link, scene.spread(41, 8000, 100, 500))
        link.commit()


def get_all(board) -> tuple[int, float, float]:
    """(bytes, board seconds, wall seconds) of reading every segment by `get`."""
    with board.link() as link:
        segments = link.list_segments()
        begin_us, begin = board.control.now_us(), time.monotonic()
        n = sum(map(len, link.read_pieces([(s.number, 0, s.size) for s in segments])))
        return n, (board.control.now_us() - begin_us) / 1e6, time.monotonic() - begin


def timed(board, act) -> tuple[float, float]:
    """(board seconds, wall seconds) of act()."""
    begin_us, begin = board.control.now_us(), time.monotonic()
    act()
    return (board.control.now_us() - begin_us) / 1e6, time.monotonic() - begin


@pytest.mark.parametrize("kilobytes", [180, 430])
def test_pull_against_file_copy_and_bare_link(board, kilobytes):
    """A small night and a busy one: the whole pull, with all its checks, its file and the marking, and `get` alone."""
    board.empty_store()
    fill(board, kilobytes)
    pulled, (pull_s, pull_wall_s) = whole_pull(board)
    n, board_s, wall_s = get_all(board)
    with board.prompt() as transport:
        name = transport.eval("[n for n in __import__('os').listdir('/log')][0]")
        size = transport.eval(f"__import__('os').stat('/log/{name}')[6]")
        data = bytearray()
        copy_s, copy_wall_s = timed(board, lambda: data.extend(transport.fs_readfile("/log/" + name)))
        assert len(data) == size >= COPY_BYTES
        raw_s, raw_wall_s = timed(board, lambda: read_bare(transport))
    board.await_logger()
    rate, whole, copy, raw = n / board_s, pulled / pull_s, size / copy_s, RAW_BYTES / raw_s
    figures.note(
        f"link, {kilobytes} kB", bytes=n, get_kB_s=rate / 1000, whole_pull_bytes=pulled, whole_pull_s=pull_s,
        whole_pull_kB_s=whole / 1000, file_copy_kB_s=copy / 1000, bare_link_kB_s=raw / 1000, get_over_copy=rate / copy,
        whole_over_copy=whole / copy, get_over_bare=rate / raw, get_over_copy_wall=(n / wall_s) / (size / copy_wall_s),
        whole_over_copy_wall=(pulled / pull_wall_s) / (size / copy_wall_s),
        get_over_bare_wall=(n / wall_s) / (RAW_BYTES / raw_wall_s),
    )  # fmt: skip
    assert pulled > 1000 * kilobytes and whole >= FASTER_THAN_COPY * copy
    assert rate >= SHARE_OF_LINK * raw


def whole_pull(board) -> tuple[int, tuple[float, float]]:
    """(bytes, (board seconds, wall seconds)) of `duskgate pull`, from the open port to the last segment marked."""
    with board.link() as link:
        unmarked = [s.number for s in link.list_segments() if s.state is not SegmentState.PULLED]
        done = []
        times = timed(board, lambda: done.append(board.pull_with(link)))
    result = done[0]
    assert result.marked == unmarked[:-1]
    # a board's surroundings may play another year: that its clock is not this computer's is rightly told
    assert [said for said in result.warnings if "the board's clock is" not in said] == []
    return result.new_bytes, times


def test_edges_during_a_pull_are_all_there(board):
    """2,000 edges a second while the log is pulled again and again: none is lost, none moved."""
    with board.link() as link:
        pulls = []
        played = board.play(link, scene.spread(47, 16_000, 100, 900), lambda: pulls.append(board.pull_with(link)))
        link.commit()
        state = link.state()
    found = board.compare(board.pull(), played)
    figures.note("edges during pulls", pulls=len(pulls), **found.row())
    assert len(pulls) >= 2 and (state["ring_lost"], state["fifo_drops"], state["store_lost"]) == (0, 0, 0)
    assert (len(found.lost), found.false) == (0, 0) and np.ptp(found.error_ticks) <= 1.001


def test_drain_alone(board):
    with board.prompt() as transport:
        drain_words_s = int(transport.exec(DRAIN))
    board.await_logger()
    figures.note("drain", words_s=drain_words_s, us_per_word=1e6 / drain_words_s)
    assert drain_words_s > 10_000


def read_bare(transport) -> None:
    """All bytes that the board writes as fast as it can, taken in large pieces."""
    transport.exec_raw_no_follow(RAW)
    left = RAW_BYTES
    while left > 0:
        left -= len(transport.serial.read(min(left, 65_536)))
    transport.follow(10)


def test_newest_records_can_be_looked_at(board):
    """`recent` gives the records of the last edges before and after they were committed."""
    with board.link() as link:
        link.commit()
        played = board.play(link, scene.spread(42, 100, 1000, 3000))
        seen = link.recent(0)
        link.commit()
        later = link.recent(seen.first)
    assert len(seen.data) == 8 * (seen.next - seen.first) <= 8 * 512
    stamps = [seen.data[at : at + 7] for at in range(0, len(seen.data), 8) if seen.data[at + 6] == 1]
    assert len(stamps) >= len(played.edges)
    assert later.data[: len(seen.data)] == seen.data[8 * (later.first - seen.first) :]
