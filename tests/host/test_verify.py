"""`logbook verify`: what is damaged, missing, contradicted or strange in a logbook is named, and the rest is whole."""

import json
import os

import pytest
from click.testing import CliRunner
from duskgate import sitefile
from duskgate.cli import main
from duskgate.logfile.archive import Logbook, SegmentPiece

from tests import fakes
from tests.host.test_archive_logbook import BOARD, NOW, header

FIRST, SECOND = fakes.night_blocks(3), fakes.night_blocks(3, first_seq=3)
NIGHT = "2025-06-15"


@pytest.fixture
def book(tmp_path):
    """Two pulls of one segment, and the site file."""
    book = Logbook(tmp_path / "book")
    book.add(header(), [SegmentPiece(1, 0, FIRST)], NIGHT)
    book.add(header(pulled=NOW + 10**9), [SegmentPiece(1, len(FIRST), SECOND), SegmentPiece(2, 0, FIRST)], NIGHT)
    book.keep_site(NIGHT, sitefile.template().encode())
    return book


def verdict(book, code):
    done = CliRunner().invoke(main, ["logbook", "verify", str(book.folder), "--json"])
    assert done.exit_code == code, done.output
    return json.loads(done.stdout)


def told(book, code):
    return {(row["file"], row["damage"]): row["what"] for row in verdict(book, code)["findings"]}


def test_a_sound_logbook_is_said_to_be_sound(book):
    before = {path: path.read_bytes() for path in book.folder.iterdir()}
    said = verdict(book, 0)
    assert said["findings"] == [] and not said["damaged"] and said["files"] == said["whole"] == 2
    assert said["boards"] == {BOARD: {"segments": 2, "bytes": 2 * len(FIRST) + len(SECOND)}}
    assert {path: path.read_bytes() for path in book.folder.iterdir()} == before
    done = CliRunner().invoke(main, ["logbook", "verify", str(book.folder)])
    assert "2 of 2 log files are whole." in done.stdout


def test_damage_is_named_with_what_to_do_and_what_follows_from_it(book):
    first, second = book.files()
    data = bytearray(first.read_bytes())
    data[-5] ^= 1
    first.write_bytes(data)
    done = CliRunner().invoke(main, ["logbook", "verify", str(book.folder)])
    assert done.exit_code == 4
    assert f"DAMAGE {first.name}: the bytes after the header are not those that were pulled (segment 1)" in done.stdout
    assert f"DAMAGE {second.name}: segment 1: bytes 0 to {len(FIRST)} are in no whole file" in done.stdout
    assert "pull again" in done.stdout and "0 of 2 log files are whole" in done.stderr


def test_two_files_that_differ_on_the_same_bytes(book):
    other = fakes.night_blocks(3, seed=2, first_seq=3)
    path = book.add(header(pulled=NOW + 2 * 10**9), [SegmentPiece(1, len(FIRST), other)], NIGHT)
    assert "differ from those that an earlier file holds" in told(book, 4)[path.name, True]


def test_a_store_begun_anew_is_no_contradiction(book):
    anew = fakes.night_blocks(2, boot_id=99)
    book.add(header(pulled=NOW + 2 * 10**9), [SegmentPiece(1, 0, anew)], NIGHT)
    assert verdict(book, 0)["findings"] == []


def test_blocks_that_were_damaged_on_the_board(book):
    bad = bytearray(fakes.night_blocks(3, boot_id=5))
    bad[200] ^= 4
    path = book.add(header(pulled=NOW + 2 * 10**9), [SegmentPiece(3, 0, bytes(bad))], NIGHT)
    assert "are no whole block" in told(book, 4)[path.name, True]


def test_a_segment_that_is_not_here_is_something_to_look_at(book):
    book.add(header(pulled=NOW + 2 * 10**9), [SegmentPiece(6, 0, fakes.night_blocks(1, boot_id=6))], NIGHT)
    assert f"of board {BOARD} the segments 3 to 5 are not here" in told(book, 0)[None, False]


def test_names_links_leftovers_and_strangers(book):
    first = book.files()[0]
    moved = first.with_name(first.name.replace(BOARD, "e66138528361ffff"))
    first.rename(moved)
    (book.folder / ".duskgate-x.dgl.tmp").write_bytes(b"half")
    book.part(BOARD).path.write_bytes(b"torn")
    (book.folder / "Notes.txt").write_text("mine")
    (book.folder / "\x1b]0;x\x07.bin").write_text("odd")
    said = told(book, 0)
    assert "does not fit" in said[moved.name, False] and BOARD in said[moved.name, False]
    assert "half written" in said[".duskgate-x.dgl.tmp", False]
    assert "0 checked bytes" in said[f".{BOARD}.part", False]
    assert said["Notes.txt", False] == "is no file of a logbook"
    assert book.part(BOARD).path.read_bytes() == b"torn", "looking changes nothing"
    out = CliRunner().invoke(main, ["logbook", "verify", str(book.folder)]).stdout
    assert "\x1b" not in out and "<U+001B>]0;x<U+0007>.bin" in out


def test_site_files_that_cannot_be_read(book):
    (book.folder / "2025-06-16_site.toml").write_text("name = \n")
    assert "2025-06-16_site.toml" in next(iter(told(book, 4)))[0]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_pipes_and_dead_links_are_not_waited_for(book):
    os.mkfifo(book.folder / "pipe.dgl")
    (book.folder / "gone.dgl").symlink_to("nowhere")
    said = told(book, 4)
    assert "no log" in said["pipe.dgl", True] and "leads to nothing" in said["gone.dgl", True]


def test_names_that_differ_in_case_alone(book):
    (book.folder / "A.txt").write_text("")
    (book.folder / "a.TXT").write_text("")
    if len(list(book.folder.glob("*.[tT]*"))) < 3:
        pytest.skip("this disk tells no case")
    rows = [row["what"] for row in verdict(book, 0)["findings"] if row["file"] == "A.txt"]
    assert any("case alone" in what for what in rows)


def test_no_folder_is_one_line(tmp_path):
    done = CliRunner().invoke(main, ["logbook", "verify", str(tmp_path / "nowhere")])
    assert done.exit_code == 2 and done.stderr.count("\n") == 1
