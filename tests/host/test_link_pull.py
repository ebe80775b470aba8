"""Pulling into a logbook from a fake board: complete, twice, cut at many places, resumed, damaged, changed."""

import pytest
from duskgate.errors import LinkError, UsageError
from duskgate.link.blockcheck import damaged_spans, quiet_moments, sound_length
from duskgate.link.port import BoardLink
from duskgate.link.pull import Pull
from duskgate.logfile.archive import Logbook
from duskgate.logfile.container import read_log_file

from tests import fakes

NOW = 1_750_050_000_000_000
ONE = fakes.night_blocks(25, seed=1)
TWO = fakes.night_blocks(28, seed=2, first_seq=25)
THREE = fakes.night_blocks(3, seed=3, first_seq=53)
QUIET = fakes.block([fakes.record(10**9, 0x03), fakes.record(1_750_000_900, 0x50), fakes.record(3900, 0x58)], seq=56)


def a_board() -> fakes.FakeBoard:
    return fakes.FakeBoard({7: [ONE, 0], 8: [TWO, 0], 9: [THREE, 2]})


def pulled(book: Logbook, board: fakes.FakeBoard, site: bytes | None = None, whole: bool = False, **port):
    clock = fakes.FakeClock()
    with BoardLink("fake", clock, opener=fakes.FakePort(board, clock, **port)) as link:
        return Pull(
            link,
            book,
            name_night=lambda seconds, now: "2025-06-15",
            now_utc_us=lambda: NOW,
            tool="duskgate test",
            site=site,
            whole=whole,
        ).run()


def held(book: Logbook) -> dict[int, bytes]:
    return {n: bytes(data) for n, data in book.holding("e66138528361ac2f").segments.items()}


def test_everything_arrives_and_full_segments_are_marked(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    result = pulled(book, board, site=b"name = 'garden'\n")
    assert held(book) == {7: ONE, 8: TWO, 9: THREE}
    assert result.path == book.files()[0] and result.new_bytes == len(ONE + TWO + THREE)
    assert result.marked == [7, 8] and board.segments[7][1] == 1 and board.segments[9][1] == 2
    assert result.site is not None and result.site.read_bytes() == b"name = 'garden'\n"
    assert not list(tmp_path.glob(".*.part")) and result.warnings == []
    header = read_log_file(result.path).header
    assert header is not None and header["who"]["firmware"] == "0.1.0" and header["tool"] == "duskgate test"
    assert len(header["host_clock"]) == 2
    assert set(header["host_clock"][0]) == {"boot_id", "tick", "utc_us", "unc_us"}


def test_the_board_is_told_only_after_the_file_is_on_the_disk(tmp_path, monkeypatch):
    book, board = Logbook(tmp_path), a_board()
    tell = board.do_pulled

    def telling(ss: int, *args: str):
        assert held(book)[int(args[0])] == board.segments[int(args[0])][0]
        return tell(ss, *args)

    monkeypatch.setattr(board, "do_pulled", telling)
    assert pulled(book, board).marked == [7, 8]


def test_pulling_twice_adds_nothing(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    pulled(book, board)
    before = {p: p.read_bytes() for p in tmp_path.iterdir()}
    result = pulled(book, board, site=b"another site")
    assert result.path is None and result.new_bytes == 0 and result.marked == []
    assert {p: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_only_what_was_lacking_comes_the_next_time(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    pulled(book, board)
    more = fakes.night_blocks(4, seed=4, first_seq=56)
    board.segments[9] = [THREE + more, 0]
    board.segments[10] = [ONE, 2]
    result = pulled(book, board)
    assert result.new_bytes == len(more) + len(ONE) and result.marked == [9]
    assert held(book) == {7: ONE, 8: TWO, 9: THREE + more, 10: ONE}
    assert [(p.segment, p.offset) for p in read_log_file(result.path).pieces] == [(9, len(THREE)), (10, 0)]


def test_what_waits_on_the_board_is_committed_first(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    board.waiting = fakes.night_blocks(1, seed=5, first_seq=56)
    pulled(book, board)
    assert held(book)[9].startswith(THREE) and len(held(book)[9]) > len(THREE)


def test_a_few_quiet_minutes_stay_on_the_board(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    pulled(book, board)
    board.waiting = QUIET
    result = pulled(book, board)
    assert result.path is None and result.quiet_moments == 1 and len(book.files()) == 1
    assert not list(tmp_path.glob(".*.part"))
    board.segments[9][0] += QUIET * 29
    assert pulled(book, board).new_bytes == 30 * len(QUIET)


def test_quiet_minutes_of_a_finished_segment_are_taken(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    pulled(book, board)
    board.segments[9] = [THREE + QUIET, 0]
    result = pulled(book, board)
    assert result.new_bytes == len(QUIET) and result.marked == [9]


def test_what_counts_as_quiet():
    assert quiet_moments(QUIET) == 1 and quiet_moments(b"") == 0
    assert quiet_moments(QUIET + fakes.night_blocks(1)) is None
    assert quiet_moments(QUIET[:-1]) is None
    note = fakes.block([fakes.record(1, 0x03), fakes.record(5, 0x70)])
    assert quiet_moments(note) is None


@pytest.mark.parametrize("cut", [0, 100, 700, 2_000, 4_096, 9_000, 12_345, 25_000, 40_000])
def test_a_cut_pull_goes_on_where_it_was(tmp_path, cut):
    book, board = Logbook(tmp_path), a_board()
    with pytest.raises(LinkError) as caught:
        pulled(book, board, cut_after=cut)
    assert book.files() == []
    assert "are kept: pull again" in str(caught.value) or cut < 3_000  # before that the data had not begun
    assert all(state == 0 for n, (_, state) in board.segments.items() if n != 9)
    board.asked.clear()
    result = pulled(book, board)
    assert held(book) == {7: ONE, 8: TWO, 9: THREE} and result.marked == [7, 8]
    assert len(book.files()) == 1 and not list(tmp_path.glob(".*.part"))
    # all but the frames around the data, what was asked before them, and one block
    assert result.resumed_bytes >= 0.97 * cut - 4_500
    asked_for = sum(int(n) for a in board.asked if a[0] == "get" for n in a[3::3] if n != "24")
    assert asked_for == len(ONE + TWO + THREE) - result.resumed_bytes


def test_cuts_again_and_again_still_come_to_an_end(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    for _ in range(60):
        try:
            pulled(book, board, cut_after=9_000)
            break
        except LinkError:
            continue
    assert held(book) == {7: ONE, 8: TWO, 9: THREE}


def test_ctrl_c_keeps_what_had_come(tmp_path, monkeypatch):
    book, board = Logbook(tmp_path), a_board()
    read = fakes.FakePort.read
    limit = len(ONE) + 5_000

    def stop(port: fakes.FakePort, size: int) -> bytes:
        if port.given >= limit:
            raise KeyboardInterrupt
        return read(port, min(size, limit - port.given))

    monkeypatch.setattr(fakes.FakePort, "read", stop)
    with pytest.raises(KeyboardInterrupt):
        pulled(book, board)
    monkeypatch.undo()
    assert len(ONE) <= pulled(book, board).resumed_bytes < limit
    assert held(book) == {7: ONE, 8: TWO, 9: THREE}


def test_a_night_is_asked_for_in_few_requests(tmp_path):
    segments: dict[int, list] = {n: [fakes.night_blocks(2, seed=n, first_seq=2 * n), 0] for n in range(1, 20)}
    segments[20] = [fakes.night_blocks(1, seed=20, first_seq=40), 2]
    book, board = Logbook(tmp_path), fakes.FakeBoard(segments)
    result = pulled(book, board)
    assert held(book) == {n: data for n, (data, _) in segments.items()} and result.marked == list(range(1, 20))
    verbs = [a[0] for a in board.asked]
    assert verbs.count("get") == verbs.count("pulled") == 3 and verbs.count("tick") == 6
    board.asked.clear()
    assert pulled(book, board).path is None
    assert [a[0] for a in board.asked].count("get") == 3, "one head of each segment, eight at a time"


def test_one_segment_that_is_refused_does_not_keep_the_others_from_being_marked(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    board.segments[10] = [fakes.night_blocks(2, seed=10, first_seq=80), 0]
    tell = board.do_pulled

    def telling(ss: int, *args: str):
        return board._refused(ss, "mismatch", "the check differs") if "8" in args[::3] else tell(ss, *args)

    board.do_pulled = telling
    result = pulled(book, board)
    assert result.marked == [7, 10] and len(result.warnings) == 1 and "segment 8 stays" in result.warnings[0]


def test_parts_of_an_emptied_store_are_not_used(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    with pytest.raises(LinkError):
        pulled(book, board, cut_after=len(ONE) + 8_000)
    other = fakes.night_blocks(15, seed=9, boot_id=1234)
    board.segments = {7: [other, 2]}
    result = pulled(book, board)
    assert result.resumed_bytes == 0 and held(book) == {7: other}


def test_a_store_that_was_emptied_is_pulled_from_its_beginning(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    pulled(book, board)
    other = fakes.night_blocks(15, seed=9, boot_id=1234)
    board.segments = {7: [other, 0], 8: [other[: len(other)], 2]}
    result = pulled(book, board)
    assert result.new_bytes == 2 * len(other) and result.marked == [7]
    assert held(book) == {7: other, 8: other, 9: THREE}


def test_damage_on_the_board_is_kept_and_told(tmp_path):
    bad = bytearray(TWO)
    bad[len(TWO) // 2] ^= 1
    book, board = Logbook(tmp_path), a_board()
    board.segments[8][0] = bytes(bad)
    result = pulled(book, board)
    assert held(book)[8] == bytes(bad)
    assert len(result.warnings) == 1 and "are damaged on the board; kept as they are" in result.warnings[0]
    assert result.marked == [7, 8]  # nothing more can be had from it


def test_a_damaged_file_is_left_and_its_data_come_again(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    first = pulled(book, board).path
    assert first is not None
    raw = bytearray(first.read_bytes())
    raw[-1] ^= 1
    first.write_bytes(raw)
    result = pulled(book, board)
    assert result.new_bytes == len(ONE + TWO + THREE) and first.read_bytes() == raw
    assert first.name in result.warnings[0]


def test_a_segment_that_the_board_will_not_mark_is_told(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    board.refuse["pulled"] = ("mismatch", "the check differs")
    result = pulled(book, board)
    assert result.marked == [] and len(result.warnings) == 2 and "stays on the board" in result.warnings[0]
    del board.refuse["pulled"]
    assert pulled(book, board).marked == [7, 8]  # the next pull makes up for it


def test_a_full_store_on_the_board_does_not_stop_the_pull(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    board.refuse["commit"] = ("store", "the store is full")
    result = pulled(book, board)
    assert held(book) == {7: ONE, 8: TWO, 9: THREE} and "full" in result.warnings[0]


def test_a_segment_dropped_meanwhile_is_told(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    rows = board.do_list
    gone = {}

    def list_then_drop(ss: int):
        out = rows(ss)
        gone.update({7: board.segments.pop(7)} if 7 in board.segments else {})
        return out

    board.do_list = list_then_drop
    result = pulled(book, board)
    assert held(book) == {8: TWO, 9: THREE} and "segment 7 was not given" in result.warnings[0]


def test_whole_fetches_everything_anew(tmp_path):
    book, board = Logbook(tmp_path), a_board()
    pulled(book, board)
    assert pulled(book, board, whole=True).new_bytes == len(ONE + TWO + THREE)
    assert held(book) == {7: ONE, 8: TWO, 9: THREE}


def test_segments_that_another_host_pulled_are_taken_too(tmp_path):
    board = a_board()
    pulled(Logbook(tmp_path / "a"), board)
    result = pulled(Logbook(tmp_path / "b"), board)
    assert held(Logbook(tmp_path / "b")) == {7: ONE, 8: TWO, 9: THREE} and result.marked == []


def test_an_empty_board_is_nothing_new(tmp_path):
    result = pulled(Logbook(tmp_path), fakes.FakeBoard({1: [b"", 2]}))
    assert result.path is None and result.quiet_moments == 0 and Logbook(tmp_path).files() == []


@pytest.mark.parametrize("seed", range(6))
def test_over_a_bad_wire_the_log_is_the_same(tmp_path, seed):
    book, board = Logbook(tmp_path), a_board()
    down = fakes.BadWire(seed, drop=0.02, double=0.04, flip=0.02, split=0.2, delay=0.02, text=0.05)
    up = fakes.BadWire(seed + 50, double=0.05, split=0.3, text=0.05)
    for _ in range(20):
        try:
            pulled(book, board, down=down, up=up)
            break
        except LinkError:
            continue
    assert held(book) == {7: ONE, 8: TWO, 9: THREE}


def test_a_pull_while_another_one_runs_is_refused(tmp_path):
    book = Logbook(tmp_path)
    with book.lock(), pytest.raises(UsageError, match="another pull"):
        pulled(book, a_board())


def test_the_block_walk_finds_what_is_whole():
    bad = ONE[:50] + b"\xd6\x44\x47\x0a" + ONE[50:]
    assert sound_length(ONE) == len(ONE) and damaged_spans(ONE) == []
    assert sound_length(ONE[:-1]) < len(ONE) and sound_length(bad) == 0
    spans = damaged_spans(ONE + b"junk" + TWO)
    assert spans == [(len(ONE), 4)]
    assert sum(length for _, length in damaged_spans(bad)) > 50
