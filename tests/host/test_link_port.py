"""The port: bounded waits, retries, stale bytes, exclusive use, clock comparison, over fakes and a real pty."""

import json
import socket
import sys
import threading
import time
import zlib

import pytest
from duskgate.errors import BoardRefused, LinkError, UsageError
from duskgate.link.answers import Segment, SegmentState, parse_list
from duskgate.link.port import BoardLink, find_ports, one_port

from tests import fakes

DATA = fakes.night_blocks(20, seed=3)[:32_768]
needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals on this system")


def linked(board: fakes.FakeBoard, **options) -> tuple[BoardLink, fakes.FakePort, fakes.FakeClock]:
    clock = fakes.FakeClock()
    port = fakes.FakePort(board, clock, **options)
    link = BoardLink("fake", clock, opener=port)
    link.open()
    return link, port, clock


def test_facts_and_list_and_data():
    link, _, _ = linked(fakes.FakeBoard({3: [DATA, 0], 4: [b"", 2]}))
    assert link.who()["board"] == "e66138528361ac2f"
    assert link.state()["store"] == "ok"
    rows = [Segment(3, len(DATA), SegmentState.NOT_PULLED), Segment(4, 0, SegmentState.GROWING)]
    assert link.list_segments() == rows
    seen: list[int] = []
    assert link.read_segment(3, 0, len(DATA), seen.append) == DATA
    assert seen == sorted(seen) and seen[-1] == len(DATA)
    assert link.read_segment(3, 100, 50) == DATA[100:150]
    assert link.read_segment(3, len(DATA) - 10, 99) == DATA[-10:]


def test_bytes_left_from_before_are_thrown_away():
    board = fakes.FakeBoard()
    clock = fakes.FakeClock()
    port = fakes.FakePort(board, clock)
    port.buffer += b"MicroPython\r\n>>> " + fakes.frame(1, 3, b'{"board":"00"}') + b"\xe7\x9d\x02"
    with BoardLink("fake", clock, opener=port) as link:
        assert link.who()["board"] == board.board


def test_a_silent_board_ends_within_a_bound():
    board = fakes.FakeBoard()
    board.silent = {"who"}
    link, _, clock = linked(board)
    start = clock.ns
    with pytest.raises(LinkError, match=r"no right answer from fake to 'who' \(nothing came\)"):
        link.who()
    assert (clock.ns - start) / 1e9 < 3 * 3.2
    assert board.asked == [("who",)] * 3


def test_nothing_is_sent_before_the_board_has_settled():
    clock, sent = fakes.FakeClock(), []

    class Port(fakes.FakePort):
        def write(self, data: bytes) -> int:
            sent.append(clock.ns)
            return super().write(data)

    opened = clock.ns
    with BoardLink("fake", clock, opener=Port(fakes.FakeBoard(), clock)) as link:
        assert not sent
        link.who()
    assert sent[0] - opened >= 100_000_000  # 16 frame starts, then a collection that began just before their last


def test_a_lost_answer_is_asked_again_but_a_note_is_not():
    board = fakes.FakeBoard()
    board.silent = {"note"}
    link, _, _ = linked(board)
    with pytest.raises(LinkError):
        link.note("refilled")
    assert board.asked == [("note", "1", "0")]


def test_a_half_line_in_the_board_s_buffer_costs_one_try_at_most():
    board = fakes.FakeBoard()
    board.feed(b"(11 get 1 0 100)12")
    link, _, _ = linked(board)
    assert link.who()["board"] == board.board
    board.feed(b"x" * 50)
    assert link.who()["board"] == board.board


@pytest.mark.parametrize("seed", range(12))
def test_every_byte_arrives_over_a_bad_wire(seed):
    board = fakes.FakeBoard({3: [DATA, 0]})
    down = fakes.BadWire(seed, drop=0.03, double=0.03, flip=0.03, split=0.2, delay=0.02, text=0.05)
    up = fakes.BadWire(seed + 100, drop=0.05, double=0.05, flip=0.05, split=0.3, text=0.05)
    link, _, _ = linked(board, down=down, up=up)
    assert link.read_segment(3, 0, len(DATA)) == DATA
    assert sum(down.struck.values()) > 0


def test_a_dead_wire_keeps_what_had_come():
    board = fakes.FakeBoard({3: [DATA, 0]})
    link, _, _ = linked(board, cut_after=5000)
    into = bytearray(b"before")
    with pytest.raises(LinkError, match="is gone"):
        link.read_segment(3, 0, len(DATA), into=into)
    assert bytes(into) == b"before" + DATA[: 4 * 1020]


def test_refusals_come_through_with_their_code():
    board = fakes.FakeBoard()
    board.refuse["commit"] = ("store", "the store is full")
    link, _, _ = linked(board)
    with pytest.raises(BoardRefused, match="'commit': the store is full") as caught:
        link.commit()
    assert caught.value.code == "store" and caught.value.exit_code == 3


def test_busy_is_tried_again_and_ends():
    board = fakes.FakeBoard()
    board.refuse["state"] = ("busy", "committing")
    link, _, _ = linked(board)
    with pytest.raises(BoardRefused):
        link.state()
    assert len(board.asked) == 3


def test_marking_twice_is_marking_once():
    board = fakes.FakeBoard({3: [DATA, 0], 4: [DATA, 2]})
    link, _, _ = linked(board)
    assert link.mark_pulled(3, len(DATA), zlib.crc32(DATA))
    assert link.mark_pulled(3, len(DATA), zlib.crc32(DATA))  # refused as unknown, but the list says that it is pulled
    with pytest.raises(BoardRefused) as caught:
        link.mark_pulled(4, len(DATA), zlib.crc32(DATA))
    assert caught.value.code == "growing"
    assert not link.mark_pulled(99, 1, 1)


@pytest.mark.parametrize(
    "rows",
    [
        b"short",
        (3).to_bytes(4, "little") + b"\xff\xff\xff\x7f" + bytes(4),
        bytes(4) + bytes(4) + b"\x09\0\0\0",
        bytes(24),
    ],
)
def test_absurd_lists_are_refused(rows):
    with pytest.raises(LinkError, match="list"):
        parse_list(rows)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"board": "../../etc"}, "not hexadecimal"),
        ({"board": 5}, "no usable 'board'"),
        ({"link": 2}, "link version 2"),
        ({"boot_id": "x"}, "no usable 'boot_id'"),
        ({"boot_no": True}, "no usable 'boot_no'"),
    ],
)
def test_answers_to_who_that_cannot_be_used(change, said):
    board = fakes.FakeBoard()
    link, _, _ = linked(board)
    board.facts["who"] = link.ask("who").facts | change
    with pytest.raises(LinkError, match=said):
        link.who()


def test_the_quickest_of_several_clock_comparisons_counts():
    board = fakes.FakeBoard()
    link, port, clock = linked(board)
    trips = iter([0.030, 0.010, 0.002, 0.020, 0.040])
    answer = board.do_tick

    def slow_tick(ss: int) -> list[bytes]:
        port.trip_s = next(trips)
        return answer(ss)

    board.do_tick = slow_tick
    found = link.measure_clock(samples=5)
    assert found.tick == 12345 + 3000  # the third, with a round trip of 2 ms
    assert 1000 <= found.unc_us < 1100
    # the tick was taken when the request arrived, which the fake port does before the trip's time passes
    assert abs(found.utc_us - clock.utc_ns / 1000) < 100_000
    link.host_clock(found)
    assert board.asked[-1] == ("host", str(found.tick), str(round(found.utc_us / 1000)), str(found.unc_us + 500))


def test_a_note_that_is_too_long_is_refused_before_it_is_sent():
    board = fakes.FakeBoard()
    link, _, _ = linked(board)
    with pytest.raises(UsageError, match="120 bytes"):
        link.note("text", text="x" * 121)
    with pytest.raises(UsageError, match="too long for the link"):
        link.note("text", text="é" * 60)
    assert board.asked == []


def test_no_such_port_is_one_plain_line():
    with pytest.raises(LinkError, match="there is no port"):
        BoardLink("/dev/no-such-port-here").open()


def test_a_url_that_makes_no_sense():
    with pytest.raises(LinkError, match="cannot open nonsense://x"):
        BoardLink("nonsense://x").open()


def test_the_port_named_by_the_user_is_taken_as_it_is():
    assert one_port("socket://localhost:1") == "socket://localhost:1"
    assert [p.url for p in find_ports("/dev/x")] == ["/dev/x"]


def test_none_and_several_boards(monkeypatch):
    class Found:
        def __init__(self, device, vid=0x2E8A, pid=5):
            self.device, self.vid, self.pid, self.serial_number = device, vid, pid, "E661"

    ports = [Found("/dev/ttyACM1"), Found("/dev/ttyACM0"), Found("/dev/ttyUSB0", 0x1234)]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: ports)
    with pytest.raises(UsageError, match=r"2 boards are plugged in \(/dev/ttyACM0, /dev/ttyACM1\)"):
        one_port()
    ports[:] = ports[2:]
    with pytest.raises(LinkError, match="no board found on USB"):
        one_port()


@needs_pty
def test_a_real_pty_for_one_program_alone():
    board = fakes.FakeBoard({3: [DATA, 0]})
    with fakes.PtyBoard(board, greeting=b"old bytes\xe7\x9d") as pty, BoardLink(pty.url) as link:
        assert link.who()["board"] == board.board
        assert link.read_segment(3, 0, len(DATA)) == DATA
        assert link.measure_clock(3).unc_us < 1_000_000
        with pytest.raises(LinkError, match="in use by another program"):
            BoardLink(pty.url).open()


@needs_pty
def test_a_silent_pty_ends_soon():
    board = fakes.FakeBoard()
    board.silent = {"who"}
    with fakes.PtyBoard(board) as pty, BoardLink(pty.url, silence_s=0.1) as link:
        start = time.monotonic()
        with pytest.raises(LinkError):
            link.who()
        assert time.monotonic() - start < 5


def test_a_socket_url():
    board = fakes.FakeBoard({3: [DATA, 0]})
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            peer, _ = server.accept()
            with peer:
                while data := peer.recv(4096):
                    peer.sendall(b"".join(board.feed(data)))

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        with BoardLink(f"socket://127.0.0.1:{server.getsockname()[1]}") as link:
            assert link.read_segment(3, 0, len(DATA)) == DATA
        thread.join(5)


def test_a_socket_that_closes_is_a_link_error():
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        BoardLink(f"socket://127.0.0.1:{server.getsockname()[1]}") as link,
    ):
        server.accept()[0].close()
        with pytest.raises(LinkError, match=r"is gone|takes no bytes"):
            link.who()


def test_json_of_facts_is_what_the_board_said():
    board = fakes.FakeBoard()
    link, _, _ = linked(board)
    assert json.loads(json.dumps(link.setting())) == {"chatter_edges": 200}
