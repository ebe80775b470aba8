"""The virtual board: scenes to their end, power cuts and restarts, resets, pulls, on every interpreter that is here."""

import os
import sys

import pytest
from duskgate.errors import LinkError, UsageError
from duskgate.firmware_path import firmware_folder
from duskgate.link.blockcheck import blocks, damaged_spans
from duskgate.link.port import BoardLink
from duskgate.link.pull import Pull
from duskgate.logfile.archive import Logbook
from duskgate.virtual.board import CPYTHON, MICROPYTHON, VirtualBoard, interpreter_here

from tests import fakes

has_pty = sys.platform != "win32"
has_micropython = interpreter_here() == MICROPYTHON
no_wheel = pytest.mark.skipif(not has_micropython, reason="no MicroPython wheel for this system")
no_pty = pytest.mark.skipif(not has_pty, reason="no pseudo-terminals on this system")
INTERPRETERS = [pytest.param(MICROPYTHON, marks=no_wheel), pytest.param(CPYTHON, marks=no_pty)]
KINDS = [
    pytest.param(MICROPYTHON, False, marks=no_wheel),
    pytest.param(CPYTHON, False, marks=no_pty),
    pytest.param(CPYTHON, True),
]
BREAKS = [(10.0 + 3 * k, 0.05) for k in range(150)]
BOARD = "e66138528361ac2f"


@pytest.fixture(params=INTERPRETERS)
def interpreter(request):
    return request.param


def pulled(link: BoardLink, book: Logbook):
    return Pull(
        link, book, name_night=lambda seconds, now: "2025-06-15", now_utc_us=lambda: 1_750_050_000_000_000, tool="test"
    ).run()


def segments(book: Logbook) -> list[bytes]:
    return [bytes(data) for _, data in sorted(book.holding(BOARD).segments.items())]


def all_blocks(book: Logbook) -> dict[tuple[int, int], bytes]:
    """(boot id, sequence number) -> records; every byte lies in a good block and none is there twice."""
    found: dict[tuple[int, int], bytes] = {}
    for data in segments(book):
        assert damaged_spans(data) == []
        for block in blocks(data):
            key = block.boot_id, int.from_bytes(data[block.offset + 16 : block.offset + 20], "little")
            assert key not in found
            found[key] = block.records
    return found


def edges_in(book: Logbook) -> int:
    return sum(records[6::8].count(1) for records in all_blocks(book).values())


@pytest.mark.parametrize(("kind", "use_socket"), KINDS)
def test_a_scene_is_played_pulled_once_and_again(tmp_path, kind, use_socket):
    scene = fakes.scene_file(tmp_path / "scene", 600.0, BREAKS)
    told: list[int] = []
    with VirtualBoard(scene, tmp_path / "flash", kind, use_socket=use_socket) as board:
        board.wait_scene_end(told.append)
        assert told[-1] == 100 and told == sorted(told) and board.scene_ended
        book = Logbook(tmp_path / "book")
        with BoardLink(board.url) as link:
            assert link.who()["board"] == BOARD
            assert link.who()["interpreter_kind"] == (2 if kind == MICROPYTHON else 3)
            assert pulled(link, book).new_bytes > 0
            again = pulled(link, book)
        assert again.path is None and len(book.files()) == 1
    assert edges_in(book) == 4 * len(BREAKS)
    with pytest.raises(LinkError):
        BoardLink(board.url).open()


def test_a_power_cut_in_the_night_loses_no_committed_block(tmp_path, interpreter):
    scene = fakes.scene_file(tmp_path / "scene", 600.0, BREAKS)
    book = Logbook(tmp_path / "book")
    with VirtualBoard(scene, tmp_path / "flash", interpreter, speed=1, settings={"commit_s": 1}) as board:
        with BoardLink(board.url) as link:
            link.note("text", text="before the cut")
            before = pulled(link, Logbook(tmp_path / "before"))
            link.note("refilled")
        assert before.path is not None
        board.kill()
        assert not board.running
        board.restart()
        with BoardLink(board.url) as link:
            assert link.who()["boot_no"] == 2
            pulled(link, book)
    assert all_blocks(Logbook(tmp_path / "before")).items() <= all_blocks(book).items()
    tags = b"".join(records[6::8] for records in all_blocks(book).values())
    assert tags.count(0x70) == 2  # the note made after the first pull was committed as well
    assert len({boot for boot, _ in all_blocks(book)}) == 2


def test_a_reset_of_the_scene_is_a_restart(tmp_path, interpreter):
    scene = fakes.scene_file(tmp_path / "scene", 600.0, BREAKS, resets=[(200.0, 2), (400.0, 4)])
    with VirtualBoard(scene, tmp_path / "flash", interpreter) as board:
        board.wait_scene_end()
        assert board.resets == [(200_000_000_000, 2), (400_000_000_000, 4)]
        book = Logbook(tmp_path / "book")
        with BoardLink(board.url) as link:
            assert link.who()["boot_no"] == 3
            pulled(link, book)
    causes = [
        records[8 * k] for records in all_blocks(book).values() for k, tag in enumerate(records[6::8]) if tag == 0x42
    ]
    assert [c for n, c in enumerate(causes) if n == 0 or c != causes[n - 1]] == [1, 2, 4]


def test_restart_by_the_link(tmp_path, interpreter):
    scene = fakes.scene_file(tmp_path / "scene", 60.0)
    with VirtualBoard(scene, tmp_path / "flash", interpreter) as board:
        board.wait_scene_end()
        with BoardLink(board.url) as link:
            link.restart("log")
            assert link.who()["boot_no"] == 2
            assert link.ask("state").facts["store"] == "ok"


def test_settings_and_board_id_reach_it(tmp_path, interpreter):
    scene = fakes.scene_file(tmp_path / "scene", 60.0)
    with (
        VirtualBoard(
            scene, tmp_path / "flash", interpreter, settings={"commit_s": 3}, board="00112233445566aa"
        ) as board,
        BoardLink(board.url) as link,
    ):
        assert link.setting()["commit_s"] == 3
        assert link.who()["board"] == "00112233445566aa"
        assert link.setting("commit_s", 5)["commit_s"] == 5


def test_a_process_that_dies_says_why(tmp_path, interpreter):
    scene = fakes.scene_file(tmp_path / "scene", 60.0)
    with VirtualBoard(scene, tmp_path / "flash", interpreter, settings={"no_such": 1}) as board:
        with pytest.raises(LinkError, match=r"the virtual board stopped \(exit code 1\): .*no_such"):
            board.wait_scene_end(timeout_s=20)
        assert not board.running


def test_waiting_has_an_end(tmp_path, interpreter):
    scene = fakes.scene_file(tmp_path / "scene", 3600.0)
    with VirtualBoard(scene, tmp_path / "flash", interpreter, speed=1) as board:
        with pytest.raises(LinkError, match="not over after"):
            board.wait_scene_end(timeout_s=0.3)
        board.kill()
        with pytest.raises(LinkError, match="power cut"):
            board.wait_scene_end(timeout_s=5)


def test_no_process_stays_behind(tmp_path, interpreter):
    scene = fakes.scene_file(tmp_path / "scene", 60.0)
    with VirtualBoard(scene, tmp_path / "flash", interpreter) as board:
        assert board._process is not None
        number = board._process.pid
        board.wait_scene_end()
    with pytest.raises(ProcessLookupError):
        os.kill(number, 0)


@pytest.mark.parametrize("content", [b"", b"no json\n", b"{}\n", b'{"scene":1,"end_ns":"x"}\n'])
def test_what_is_no_scene(tmp_path, content):
    (tmp_path / "scene").write_bytes(content)
    with pytest.raises(UsageError, match="not a scene file"):
        VirtualBoard(tmp_path / "scene", tmp_path / "flash")
    with pytest.raises(UsageError, match="cannot be read"):
        VirtualBoard(tmp_path / "none", tmp_path / "flash")


def test_interpreters_that_cannot_be():
    with pytest.raises(UsageError, match="no interpreter 'lua'"):
        interpreter_here("lua")


def test_the_firmware_is_found():
    assert (firmware_folder() / "sim" / "run.py").is_file()


def test_a_fault_of_the_program_is_told_whatever_stream_it_went_to(tmp_path, interpreter, monkeypatch):
    folder = tmp_path / "firmware"
    (folder / "sim").mkdir(parents=True)
    (folder / "sim" / "run.py").write_text("raise ValueError('no pins')\n")
    monkeypatch.setattr("duskgate.virtual.board.firmware_folder", lambda: folder)
    scene = fakes.scene_file(tmp_path / "scene", 60.0)
    with (
        VirtualBoard(scene, tmp_path / "flash", interpreter) as board,
        pytest.raises(LinkError, match=r"exit code 1\): .*ValueError: no pins"),
    ):
        board.wait_scene_end(timeout_s=20)
