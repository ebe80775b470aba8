"""The logbook folder: names that stay inside, nothing overwritten, nothing half-made, what counts as held."""

import errno
import hashlib
import json
import multiprocessing
import os
import struct
import zlib
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from duskgate.errors import UsageError
from duskgate.logfile import safewrite
from duskgate.logfile.archive import Logbook, SegmentPiece, clean, log_name
from duskgate.logfile.partfile import PartFile, PartPiece
from duskgate.logfile.pull_night import newest_night
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import fakes

BOARD = "e66138528361ac2f"
NOW = 1_750_050_000_000_000
PARIS = ZoneInfo("Europe/Paris")


def header(board: str = BOARD, pulled: int = NOW) -> dict:
    return {"board": board, "tool": "test", "pulled_utc_us": pulled, "who": {}, "host_clock": []}


def leftovers(folder) -> list[str]:
    return sorted(p.name for p in folder.iterdir() if p.suffix != ".dgl")


def test_a_file_is_laid_out_as_the_format_says(tmp_path):
    body = fakes.night_blocks(2)
    pieces = [SegmentPiece(4, 0, body[:100]), SegmentPiece(5, 32, body[100:])]
    path = Logbook(tmp_path / "book").add(header(), pieces, "2025-06-15")
    assert path.name == f"2025-06-15_{BOARD}_20250616T050000Z.dgl"
    raw = path.read_bytes()
    magic, length, crc = struct.unpack_from("<4sII", raw)
    assert magic == b"\xd6\x44\x47\x1a" and zlib.crc32(raw[12 : 12 + length]) == crc
    said = json.loads(raw[12 : 12 + length])
    assert raw[12 + length :] == body and said["sha256"] == hashlib.sha256(body).hexdigest()
    assert said["duskgate_log"] == 1 and said["board"] == BOARD and said["pulled_utc_us"] == NOW
    assert said["pieces"] == [
        {"segment": 4, "offset": 0, "bytes": 100, "crc": zlib.crc32(body[:100])},
        {"segment": 5, "offset": 32, "bytes": len(body) - 100, "crc": zlib.crc32(body[100:])},
    ]


def test_what_is_held_grows_over_the_files(tmp_path):
    book = Logbook(tmp_path)
    data = fakes.night_blocks(6)
    assert book.have(BOARD) == {} and book.files() == []
    book.add(header(pulled=NOW), [SegmentPiece(1, 0, data[:500])], "2025-06-15")
    book.add(header(pulled=NOW + 10**9), [SegmentPiece(1, 500, data[500:]), SegmentPiece(2, 0, b"abc")], "2025-06-15")
    book.add(header("aa", NOW), [SegmentPiece(1, 0, b"another board")], "2025-06-15")
    assert book.have(BOARD) == {1: len(data), 2: 3}
    assert bytes(book.holding(BOARD).segments[1]) == data
    assert book.have(BOARD.upper()) == book.have(BOARD)


def test_a_piece_behind_a_hole_does_not_count(tmp_path):
    book = Logbook(tmp_path)
    book.add(header(), [SegmentPiece(1, 100, b"x" * 50)], "2025-06-15")
    assert book.have(BOARD) == {1: 0}


def test_a_store_begun_anew_takes_the_place_of_the_old_one(tmp_path):
    book = Logbook(tmp_path)
    book.add(header(pulled=NOW), [SegmentPiece(1, 0, b"old" * 100)], "2025-06-15")
    book.add(header(pulled=NOW + 10**9), [SegmentPiece(1, 0, b"new")], "2025-06-16")
    assert bytes(book.holding(BOARD).segments[1]) == b"new"


@pytest.mark.parametrize("where", [5, 200, -1])
def test_a_damaged_file_does_not_count_and_stays(tmp_path, where):
    book = Logbook(tmp_path)
    path = book.add(header(), [SegmentPiece(1, 0, fakes.night_blocks(3))], "2025-06-15")
    raw = bytearray(path.read_bytes())
    raw[where] ^= 4
    path.write_bytes(raw)
    assert book.have(BOARD) == {}
    assert book.holding(BOARD).unsound[0].startswith(path.name)
    assert path.read_bytes() == raw


def test_nothing_is_overwritten(tmp_path):
    book = Logbook(tmp_path)
    first = book.add(header(), [SegmentPiece(1, 0, b"one")], "2025-06-15")
    before = first.read_bytes()
    second = book.add(header(), [SegmentPiece(1, 3, b"two")], "2025-06-15")
    assert first.read_bytes() == before and second.name.endswith("Z-2.dgl")
    assert book.have(BOARD) == {1: 6}


@pytest.mark.parametrize("fail", ["fsync", "rename"])
def test_a_full_disk_leaves_nothing_half_made(tmp_path, monkeypatch, fail):
    def full(*_args):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(safewrite.os, fail, full)
    with pytest.raises(UsageError, match=r"No space left on device.*the board still has its data"):
        Logbook(tmp_path).add(header(), [SegmentPiece(1, 0, b"one")], "2025-06-15")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full here")
def test_a_part_file_on_a_full_disk_is_one_plain_line():
    with pytest.raises(UsageError, match="No space left"):
        PartFile(Path("/dev/full")).append(PartPiece(1, 0, b"x"))


def test_temporary_files_of_a_dead_pull_go_away(tmp_path):
    (tmp_path / ".duskgate-x.dgl.tmp").write_bytes(b"half")
    book = Logbook(tmp_path)
    assert book.files() == []
    with book.lock():
        assert leftovers(tmp_path) == [".lock"]


def hold(folder, ready, end):
    with Logbook(folder).lock():
        ready.set()
        end.wait(10)


def test_two_pulls_do_not_meet(tmp_path):
    context = multiprocessing.get_context("spawn")
    ready, end = context.Event(), context.Event()
    other = context.Process(target=hold, args=(tmp_path, ready, end))
    other.start()
    try:
        assert ready.wait(10)
        with pytest.raises(UsageError, match="another pull is at work"), Logbook(tmp_path).lock():
            pass
    finally:
        other.kill()  # a dying program leaves no lock behind
        other.join(10)
    with Logbook(tmp_path).lock():
        pass


@given(st.text(max_size=60))
@settings(max_examples=100, deadline=None)
def test_names_from_outside_stay_in_the_folder(text):
    name = log_name("2025-06-15", text, NOW)
    assert "/" not in name and "\\" not in name and ".." not in name and name.isascii() and name.isprintable()
    assert name.startswith("2025-06-15_") and len(name) < 100 and clean(text)


@pytest.mark.parametrize("night", ["../2025-06-15", "2025-6-15", "2025-13-01", "", "2025-06-15/x"])
def test_nights_are_dates(tmp_path, night):
    with pytest.raises(UsageError, match="not a night's date"):
        log_name(night, BOARD, NOW)
    with pytest.raises(UsageError):
        Logbook(tmp_path).keep_site(night, b"x")


def test_nights_by_name(tmp_path):
    book = Logbook(tmp_path)
    for night in ("2025-06-16", "2025-06-14", "2025-06-16"):
        book.add(header(), [SegmentPiece(1, 0, b"x")], night)
    (tmp_path / "mine.dgl").write_bytes(b"")
    assert [(n, len(files)) for n, files in book.nights().items()] == [("2025-06-14", 1), ("2025-06-16", 2)]


def test_site_copies_are_dated_numbered_and_found(tmp_path):
    book = Logbook(tmp_path)
    first = book.keep_site("2025-06-14", b"a = 1\n")
    assert first.name == "2025-06-14_site.toml"
    assert book.keep_site("2025-06-14", b"a = 1\n") == first
    second = book.keep_site("2025-06-14", b"a = 2\n")
    assert second.name == "2025-06-14_site-2.toml" and first.read_bytes() == b"a = 1\n"
    third = book.keep_site("2025-06-14", b"a = 1\n")  # back to the first content: the newest has to say so
    assert third.name == "2025-06-14_site-3.toml" and book.site_for("2025-06-14") == third
    assert book.site_for("2025-06-12") == third  # nights pulled together have the copy of the newest
    assert book.site_for("2025-06-15") is None


def test_a_file_where_the_logbook_should_be(tmp_path):
    (tmp_path / "book").write_text("x")
    with pytest.raises(UsageError, match="this is a file"):
        Logbook(tmp_path / "book")
    with pytest.raises(UsageError, match="cannot be made"):
        Logbook(tmp_path / "book" / "inside").keep_site("2025-06-14", b"")


ANY_PIECE = st.tuples(st.integers(0, 9), st.integers(0, 99), st.binary(max_size=30))


@given(st.lists(ANY_PIECE, max_size=6), st.integers(0, 400))
@settings(max_examples=60, deadline=None)
def test_a_part_file_cut_anywhere_keeps_its_whole_pieces(tmp_path_factory, rows, cut):
    part = PartFile(tmp_path_factory.mktemp("part") / ".p.part")
    pieces = [PartPiece(*row) for row in rows]
    ends = [0]
    for piece in pieces:
        part.append(piece)
        ends.append(part.path.stat().st_size)
    assert part.load() == pieces
    if pieces and cut < ends[-1]:
        os.truncate(part.path, cut)
        whole = sum(end <= cut for end in ends) - 1
        assert part.load() == pieces[:whole]
        part.append(PartPiece(77, 0, b"after the cut"))
        assert part.load() == [*pieces[:whole], PartPiece(77, 0, b"after the cut")]
    part.remove()
    part.remove()
    assert part.load() == []


def local(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=PARIS).timestamp())


@pytest.mark.parametrize(
    ("seconds", "pulled", "night"),
    [
        (["2025-06-14 20:00", "2025-06-15 06:30"], "2025-06-15 08:00", "2025-06-14"),
        (["2025-06-14 20:00", "2025-06-14 23:30", "2025-06-15 14:00"], "2025-06-15 14:01", "2025-06-14"),
        (["2025-06-15 08:00", "2025-06-16 07:59"], "2025-06-16 08:00", "2025-06-15"),
        (["2025-06-10 22:00", "2025-06-14 23:00", "2025-06-15 04:00"], "2025-06-15 12:30", "2025-06-14"),
        (["2025-06-15 15:00"], "2025-06-15 16:00", "2025-06-15"),
        (["2025-06-15 09:00"], "2025-06-15 16:00", "2025-06-14"),
        ([], "2025-06-15 08:00", "2025-06-14"),
        ([], "2025-06-15 12:00", "2025-06-15"),
        (["2000-01-01 00:00", "2031-01-01 00:00"], "2025-06-15 08:00", "2025-06-14"),
        # clocks go forward at 2 o'clock that night: wall clock hours, not elapsed ones
        (["2025-03-30 11:30"], "2025-03-30 11:45", "2025-03-29"),
    ],
)
def test_the_night_that_a_pull_is_named_after(seconds, pulled, night):
    assert newest_night([local(s) for s in seconds], local(pulled) * 1_000_000, PARIS) == night
