"""How fast the log comes off the board: our link against mpremote's file copy and the bare USB link."""

import time

import pytest
from duskgate.link.port import BoardLink

from . import figures, scene
from .chipboard import SILENCE_S

COPY_BYTES = 16_384
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
    with BoardLink(board.url, silence_s=SILENCE_S) as link:
        segments = link.list_segments()
        begin_us, begin = board.control.now_us(), time.monotonic()
        n = sum(len(link.read_segment(s.number, 0, s.size)) for s in segments)
        return n, (board.control.now_us() - begin_us) / 1e6, time.monotonic() - begin


def timed(board, act) -> tuple[float, float]:
    """(board seconds, wall seconds) of act()."""
    begin_us, begin = board.control.now_us(), time.monotonic()
    act()
    return (board.control.now_us() - begin_us) / 1e6, time.monotonic() - begin


def test_pull_against_file_copy_and_bare_link(board):
    fill(board, 160)
    n, board_s, wall_s = get_all(board)
    pull_s, _ = timed(board, board.pull)
    with board.prompt() as transport:
        name = transport.eval("[n for n in __import__('os').listdir('/log')][0]")
        size = transport.eval(f"__import__('os').stat('/log/{name}')[6]")
        data = bytearray()
        copy_s, copy_wall_s = timed(board, lambda: data.extend(transport.fs_readfile("/log/" + name)))
        assert len(data) == size >= COPY_BYTES
        raw_s, raw_wall_s = timed(board, lambda: read_bare(transport))
        drain_words_s = int(transport.exec(DRAIN))
    board.await_logger()
    rate, copy, raw = n / board_s, size / copy_s, RAW_BYTES / raw_s
    figures.note(
        "link", bytes=n, get_kB_s=rate / 1000, whole_pull_kB_s=n / pull_s / 1000, file_copy_kB_s=copy / 1000,
        bare_link_kB_s=raw / 1000, get_over_copy=rate / copy, get_over_bare=rate / raw,
        get_over_copy_wall=(n / wall_s) / (size / copy_wall_s),
        get_over_bare_wall=(n / wall_s) / (RAW_BYTES / raw_wall_s),
    )  # fmt: skip
    figures.note("drain", words_s=drain_words_s, us_per_word=1e6 / drain_words_s)
    assert rate > 40 * copy
    assert drain_words_s > 10_000


def read_bare(transport) -> None:
    """All bytes that the board writes as fast as it can, taken in large pieces."""
    transport.exec_raw_no_follow(RAW)
    left = RAW_BYTES
    while left > 0:
        left -= len(transport.serial.read(min(left, 65_536)))
    transport.follow(10)


@pytest.mark.slow
def test_pull_of_a_night(board):
    """A busy night's bytes, by the whole pull with all its checks and the marking as pulled."""
    board.empty_store()
    fill(board, 400)
    board.rest()
    pull_s, wall_s = timed(board, board.pull)
    with board.link() as link:
        n = sum(s.size for s in link.list_segments())
    figures.note("whole pull of a night", bytes=n, board_s=pull_s, wall_s=wall_s, kB_s=n / pull_s / 1000)
    assert n > 400_000


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
