"""Is a pull limited by the link or by Python? Ratios within one run: python tests/benchmarks/link_speed.py

1. A pseudo-terminal with a virtual board behind it: bytes a second of whole segments read through the link, against the
   same number of bytes pushed raw through a pseudo-terminal and read with the same port code.
2. Session and frame reader alone, without any port: how many times faster they are than the fastest USB link of the
   board known to us (586 KiB/s, device to host, measured by MicroPython's developers on an RPI_PICO2).
"""

import os
import sys
import tempfile
import threading
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "host")]

from duskgate.link.port import BoardLink  # noqa: E402
from duskgate.link.session import Answer, Session  # noqa: E402
from duskgate.virtual.board import VirtualBoard  # noqa: E402

from tests import fakes  # noqa: E402

USB_BYTES_S = 586 * 1024
TIMES = 40


def through_the_link(url: str) -> tuple[int, float]:
    """(bytes, seconds) of reading every full segment, several times over."""
    with BoardLink(url) as link:
        rows = [r for r in link.list_segments() if r.size > 30_000]
        start = time.perf_counter()
        total = sum(len(link.read_segment(r.number, 0, r.size)) for _ in range(TIMES // len(rows)) for r in rows)
        return total, time.perf_counter() - start


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


def main() -> None:
    folder = Path(tempfile.mkdtemp())
    scene = fakes.scene_file(folder / "scene", 4000.0, [(10 + 1.5 * k, 0.05) for k in range(2500)])
    for kind in ("micropython", "cpython"):
        with VirtualBoard(scene, folder / f"flash-{kind}", kind) as board:
            board.wait_scene_end()
            total, seconds = through_the_link(board.url)
        plain = raw(total)
        print(
            f"{kind}: {total / seconds / 1e6:.1f} MB/s of log through the link, {total / plain / 1e6:.1f} MB/s raw "
            f"with the same port code: {plain / seconds:.0%}; {total / seconds / USB_BYTES_S:.0f} x the board's USB"
        )
    speed = alone()
    print(f"session and frame reader alone: {speed / 1e6:.0f} MB/s, {speed / USB_BYTES_S:.0f} x the board's USB")


if __name__ == "__main__":
    main()
