"""Is a pull limited by the link or by Python?

A virtual board behind a pseudo-terminal: whole segments read through the link, against the same number of bytes pushed
raw through a pseudo-terminal and read with the same port code. And session and frame reader alone, without any port,
against the fastest USB link of the board known to us (586 KiB/s, device to host, measured by MicroPython's developers
on an RPI_PICO2).
No budget here: that of 60 % of the raw link is the board's, and tests/chip measures it. A pseudo-terminal is a hundred
times as fast as a board's USB, so that this shows what interpreter and protocol cost.
"""

from __future__ import annotations

import os
import tempfile
import threading
import time
from pathlib import Path

from duskgate.link.port import BoardLink
from duskgate.link.session import Answer, Session
from duskgate.virtual.board import VirtualBoard

from tests import fakes
from tests.benchmarks.rows import Row, in_turns, middle, paired

USB_BYTES_S = 586 * 1024
TIMES = 40
TURNS = 7


def through_the_link(link: BoardLink, found: list, least: int) -> int:
    """Read every full segment, over and over, until `least` bytes have come; how many did."""
    total = 0
    while total < least:
        total += sum(len(link.read_segment(r.number, 0, r.size)) for r in found)
    return total


def raw(total: int) -> float:
    """Seconds for `total` bytes through a pseudo-terminal, read in the same way and not looked at."""
    master, slave = os.openpty()
    fakes.tty.setraw(slave)
    link = BoardLink(os.ttyname(slave))
    link.open()
    piece = bytes(4104)

    def push() -> None:
        left = total
        while left > 0:
            left -= os.write(master, piece[:left])

    start = time.perf_counter()
    thread = threading.Thread(target=push)
    thread.start()
    got = 0
    while got < total:
        got += len(link._read(1.0))
    seconds = time.perf_counter() - start
    thread.join()
    link.close()
    return seconds


def alone() -> float:
    """Bytes a second that session and frame reader take in, fed in pieces of a pseudo-terminal's size."""
    data = os.urandom(32_640)
    frames = fakes.FakeBoard({1: [data, 0]}).feed(fakes.request(0, f"get 1 0 {len(data)}"))
    stream = b"".join(frames)
    pieces = [stream[k : k + 4095] for k in range(0, len(stream), 4095)]
    session = Session(first_ss=0)
    start = time.perf_counter()
    for _ in range(TIMES):
        session._ss = 0xFF  # every request is number 0, as the stream was made for it
        session.request("get", (1, 0, len(data)), 0.0, len(data))
        outcome = None
        for piece in pieces:
            outcome = session.receive(piece, 0.0)
        assert isinstance(outcome, Answer) and outcome.data == data
    return TIMES * len(data) / (time.perf_counter() - start)


def of_board(kind: str, scene: Path, flash: Path) -> Row:
    """One interpreter's virtual board; raw link and ours in turns."""
    with VirtualBoard(scene, flash, kind) as board:
        board.wait_scene_end()
        with BoardLink(board.url) as link:
            found = [r for r in link.list_segments() if r.size > 30_000]
            total = through_the_link(link, found, 1_000_000)
            runs = {"ours": lambda: through_the_link(link, found, total), "raw": lambda: float(raw(total))}
            took = in_turns(runs, TURNS, time.perf_counter)
    share, spread = paired(took["raw"], took["ours"])
    ours, plain = (total / middle(took[name]) / 1e6 for name in ("ours", "raw"))
    return Row(f"segments through the link, virtual board on {kind}", f"{ours:.1f} MB/s",
               f"{plain:.1f} MB/s, the same bytes raw through a pseudo-terminal", share,
               spread=spread)  # fmt: skip


def rows() -> list[Row]:
    """Both interpreters, and the protocol alone."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        scene = fakes.scene_file(folder / "scene", 4000.0, [(10 + 1.5 * k, 0.05) for k in range(2500)])
        found = [of_board(kind, scene, folder / f"flash-{kind}") for kind in ("micropython", "cpython")]
    speeds = sorted(alone() for _ in range(TURNS))
    ratios = [speed / USB_BYTES_S for speed in speeds]
    found.append(Row("session and frame reader alone", f"{middle(speeds) / 1e6:.0f} MB/s",
                     f"{USB_BYTES_S / 1e6:.1f} MB/s, the board's USB (published, not timed here)", middle(ratios),
                     spread=(ratios[0], ratios[-1])))  # fmt: skip
    return found
