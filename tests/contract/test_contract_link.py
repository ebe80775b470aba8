"""Both real ends of the link in one process: the board's firmware and the host's port, over good and bad wires."""

import random
import sys
import zlib

import pytest
from duskgate.errors import BoardRefused, LinkError
from duskgate.link.answers import SegmentState
from duskgate.link.framing import MAX_PAYLOAD, FrameReader, encode_request
from duskgate.link.port import BoardLink
from duskgate.link.pull import Pull
from duskgate.logfile.archive import Logbook
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import fakes
from tests.contract.board_here import BoardHere

BREAKS = [(20.0 + 2 * k, 0.05) for k in range(1000)]
NOW = 1_750_050_000_000_000


@pytest.fixture
def board(tmp_path):
    """A board with a night of some segments on its store, the last one growing."""
    here = BoardHere(fakes.scene_file(tmp_path / "scene", 2100.0, BREAKS), tmp_path / "flash")
    here.play()
    return here


def linked(board: BoardHere, **wires) -> BoardLink:
    clock = fakes.FakeClock()
    link = BoardLink("here", clock, opener=fakes.FakePort(board, clock, **wires))
    link.open()
    return link


def pulled(board: BoardHere, book: Logbook, **wires):
    return Pull(
        linked(board, **wires), book, name_night=lambda seconds, now: "2025-06-15", now_utc_us=lambda: NOW, tool="test"
    ).run()


def held(book: Logbook) -> dict[int, bytes]:
    return {n: bytes(d) for n, d in book.holding("e66138528361ac2f").segments.items()}


def test_every_verb_is_understood_by_both_ends(board):
    link = linked(board)
    who = link.who()
    assert who["board"] == "e66138528361ac2f" and who["interpreter_kind"] == 3 and who["clock_hz"] == 125_000_000
    state = link.state()
    assert state["store"] == "ok" and state["supply_mv"] == 3900 and state["temp_c100"] == 1650
    link.commit()
    rows = link.list_segments()
    assert {row.number: row.size for row in rows} == {n: len(d) for n, d in board.stored().items()}
    assert [row.state for row in rows][-1] is SegmentState.GROWING and len(rows) >= 2
    first = rows[0]
    assert link.read_segment(first.number, 0, first.size) == board.stored()[first.number]
    assert link.read_segment(first.number, 1000, 77) == board.stored()[first.number][1000:1077]
    several = link.read_pieces([(row.number, 5, row.size) for row in rows] + [(first.number, first.size, 9)])
    assert several == [data[5:] for data in board.stored().values()] + [b""]
    measured = link.measure_clock()
    assert measured.boot_id == who["boot_id"] and link.host_clock(measured)["tick"] == measured.tick
    assert link.note("text", text="brume (à 3 h) 100 % | ñ 🦋")["tick"] >= measured.tick
    assert link.setting("commit_s", 7) == link.setting() and link.setting()["commit_s"] == 7
    assert link.mark_pulled(first.number, first.size, zlib.crc32(board.stored()[first.number]))
    told = [(row.number, row.size, zlib.crc32(board.stored()[row.number])) for row in rows[:-1]]
    assert link.mark_all(told) == [row.number for row in rows[:-1]]
    assert link.set_clock(1_750_100_000)["jump_ms"] != 0
    assert link.restart("log") == {"restart": "log"}
    assert board.station._restart == "log"


def test_what_was_written_by_verbs_is_in_the_log(board):
    link = linked(board)
    text = "brume (à 3 h) 100 % | ñ 🦋"
    link.note("cells", 3, text)
    link.host_clock(link.measure_clock(1))
    link.commit()
    log = b"".join(board.stored().values())
    padded = text.encode() + bytes(-len(text.encode()) % 6)
    parts = [padded[k : k + 6] + bytes([0x71, k // 6]) for k in range(0, len(padded), 6)]
    assert fakes.record(2, 0x70, 3) + b"".join(parts) in log
    assert bytes([0x52, 0]) in log and bytes([0x53, 0]) in log


@pytest.mark.parametrize(
    ("verb", "words", "code"),
    [
        ("dance", (), "verb"),
        ("get", ("x", 0, 1), "arguments"),
        ("get", (1,), "arguments"),
        ("get", (9999, 0, 1), "segment"),
        ("get", (1, 0, 1, 9999, 0, 1), "segment"),
        ("pulled", (1, 5, 5), "mismatch"),
        ("pulled", (1, 5), "arguments"),
        ("set", ("commit_s", 0), "arguments"),
        ("set", ("no_such", 1), "arguments"),
        ("note", (9, 0, ""), "arguments"),
        ("clock", (5,), "arguments"),
        ("host", (1 << 47, 1, 1), "arguments"),
        ("restart", ("away",), "arguments"),
    ],
)
def test_refusals_have_the_format_s_codes(board, verb, words, code):
    with pytest.raises(BoardRefused) as caught:
        linked(board).ask(verb, *words)
    assert caught.value.code == code and str(caught.value).count("\n") == 0


def test_a_growing_segment_is_not_marked(board):
    link = linked(board)
    last = link.list_segments()[-1]
    with pytest.raises(BoardRefused) as caught:
        link.mark_pulled(last.number, last.size, zlib.crc32(board.stored()[last.number]))
    assert caught.value.code == "growing"


def test_frames_keep_the_format_s_size(board):
    reader = FrameReader()
    pieces = board.feed(encode_request(1, "get", (1, 0, 32_768)))
    frames = reader.feed(b"".join(pieces))
    assert reader.skipped == 0 and reader.pending == 0
    assert max(len(f.payload) for f in frames) == MAX_PAYLOAD and {f.ss for f in frames} == {1}
    assert [f.kind for f in frames] == [2] * (len(frames) - 1) + [3]


@pytest.mark.parametrize("takes", [1, 7, 64])
def test_a_port_that_takes_little_at_once(board, takes):
    board.wires.takes = takes
    first = linked(board).list_segments()[0]
    assert linked(board).read_segment(first.number, 0, 3000) == board.stored()[first.number][:3000]


@pytest.mark.parametrize("seed", range(8))
def test_a_pull_over_a_bad_wire_brings_the_store_s_bytes(board, tmp_path, seed):
    book = Logbook(tmp_path / "book")
    down = fakes.BadWire(seed, drop=0.05, double=0.1, flip=0.05, split=0.3, delay=0.05, text=0.1)
    up = fakes.BadWire(seed + 50, drop=0.1, flip=0.15, split=0.5, text=0.2)  # few requests pass here
    for _ in range(20):
        try:
            pulled(board, book, down=down, up=up)
            break
        except LinkError:
            continue
    # committed again by each try, so compare what the book holds with the disk now, segment by segment
    disk = board.stored()
    assert set(held(book)) == set(disk) and len(book.files()) == 1
    assert all(disk[n].startswith(data) and len(data) >= len(disk[n]) - 2000 for n, data in held(book).items())
    assert sum(down.struck.values()) > 10 and sum(up.struck.values()) > 5  # the wires were bad indeed


@pytest.mark.parametrize("share", [0.0, 0.02, 0.05, 0.1, 0.3, 0.5, 0.7, 0.9, 0.97])
def test_a_cut_pull_goes_on_and_marks_at_the_end(board, tmp_path, share):
    book = Logbook(tmp_path / "book")
    cut = int(share * sum(len(data) for data in board.stored().values()))
    with pytest.raises(LinkError):
        pulled(board, book, cut_after=cut)
    assert not any(name.endswith(".out") for name in board.names()) and book.files() == []
    result = pulled(board, book)
    assert held(book) == board.stored() and len(book.files()) == 1
    assert result.resumed_bytes >= 0.95 * cut - 8_000  # what was asked before, frames, one block of at most 4 kB
    assert [name.endswith(".out") for name in board.names()] == [True] * (len(board.names()) - 1) + [False]
    assert pulled(board, book).path is None


def test_the_second_pull_brings_only_what_came_since(board, tmp_path):
    book = Logbook(tmp_path / "book")
    pulled(board, book)
    linked(board).note("moved")
    result = pulled(board, book)
    assert 0 < result.new_bytes < 1000 and held(book) == board.stored()


@pytest.mark.parametrize("seed", range(5))
def test_a_bent_request_never_does_anything(board, seed):
    rng = random.Random(seed)
    before = linked(board).setting()
    for n in range(200):
        line = bytearray(encode_request(n, "set", ("commit_s", 3)))
        for _ in range(rng.randrange(1, 4)):
            line[rng.randrange(len(line) - 1)] ^= 1 << rng.randrange(8)
        if line == encode_request(n, "set", ("commit_s", 3)) or b"\x03" in line:
            continue
        assert board.feed(bytes(line)) == []
    assert linked(board).setting() == before


@given(st.lists(st.binary(max_size=300), max_size=8))
@settings(max_examples=60, deadline=None)
def test_garbage_is_never_answered_and_never_kills(tmp_path_factory, pieces):
    here = garbage_board(tmp_path_factory)
    for piece in pieces:
        assert here.feed(piece.replace(b"\x03", b"")) == []
    assert linked(here).who()["board"] == "e66138528361ac2f"


def garbage_board(factory, kept=[]):  # noqa: B006  one board for all examples
    if not kept:
        folder = factory.mktemp("garbage")
        kept.append(BoardHere(fakes.scene_file(folder / "scene", 1.0), folder / "flash"))
        kept[0].play()
    return kept[0]


def test_a_clock_that_is_read_over_the_link_lies_within_its_uncertainty(board):
    # the virtual board follows the wall clock after its scene, so two comparisons must agree within their uncertainty
    import time

    link = BoardLink("here", time, opener=fakes.FakePort(board, RealClock()))
    link.open()
    first = link.measure_clock(5)
    time.sleep(0.05)
    second = link.measure_clock(5)
    board_us = (second.tick - first.tick) * 9 / 125
    assert abs((second.utc_us - first.utc_us) - board_us) <= first.unc_us + second.unc_us + 2000


class RealClock:
    """The fake port's waits, in real time."""

    def sleep(self, seconds: float) -> None:
        pass


def test_the_board_room_is_not_imported_by_the_host():
    assert not [name for name in sys.modules if name.startswith("duskgate.") and "core" in name.split(".")]
