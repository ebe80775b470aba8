"""What a link and a host can do wrong while a log is pulled, done on purpose and counted.

    python tests/nothing_lost/link_chaos.py [--quick] [--rows FILE]

Bad wires between the board's real firmware and the host (bytes dropped, doubled, turned, late, split, console text
between), the port gone after every single byte of a pull, the host dead at every call that touches the disk and killed
by the system at random moments, two hosts at once, and boards that answer nonsense. After each the next pull has to
bring exactly what the board holds; no file that was there may change; each call ends within its bound of time and
memory. Ends with code 1 where any of that does not hold.
"""

from __future__ import annotations

import argparse
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from duskgate.errors import DuskgateError, LinkError
from duskgate.link.port import BoardLink
from duskgate.link.pull import Pull
from duskgate.logfile.archive import Logbook

from tests import fakes
from tests.contract.board_here import BoardHere
from tests.nothing_lost import rows
from tests.nothing_lost.disk_calls import DiskCalls, Killed
from tests.nothing_lost.hostile_boards import liars

BOARD = "e66138528361ac2f"
NOW = 1_750_050_000_000_000
MOST_PULLS = 60  # tries until a pull over a bad wire has to be through
LONGEST_S = 900.0  # board and host time of one pull, however bad the wire
MEMORY_BASE, MEMORY_TIMES = 6_000_000, 8  # bytes at most: base + times the bytes pulled
ONE = fakes.night_blocks(2, seed=1)
TWO = fakes.night_blocks(2, seed=2, first_seq=2)
THREE = fakes.night_blocks(1, seed=3, first_seq=4)


def small_board() -> fakes.FakeBoard:
    return fakes.FakeBoard({7: [ONE, 0], 8: [TWO, 0], 9: [THREE, 2]})


def pull(book: Logbook, board, clock: fakes.FakeClock | None = None, **port) -> None:
    """One pull from a board in this process."""
    clock = clock or fakes.FakeClock()
    with BoardLink("fake", clock, opener=fakes.FakePort(board, clock, **port)) as link:
        Pull(
            link, book, name_night=lambda seconds, now: "2025-06-15", now_utc_us=lambda: NOW, tool="chaos"
        ).run()  # fmt: skip


def held(book: Logbook) -> dict[int, bytes]:
    return {n: bytes(data) for n, data in book.holding(BOARD).segments.items()}


def files(book: Logbook) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in book.files()}


def unchanged(before: dict[str, bytes], book: Logbook) -> bool:
    """Whether every log file that was there is there still, byte for byte."""
    after = files(book)
    return all(after.get(name) == content for name, content in before.items())


@contextmanager
def folder() -> Iterator[Path]:
    path = Path(tempfile.mkdtemp(prefix="duskgate-chaos"))
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)


# -- a bad wire --------------------------------------------------------------------------------------------------------


def firmware_board(top: Path) -> BoardHere:
    """The board's own firmware with some minutes of a night in its store."""
    breaks = [(5.0 + 0.9 * k, 0.02 + 0.001 * (k % 70)) for k in range(900)]
    board = BoardHere(fakes.scene_file(top / "scene", 900.0, breaks), top / "flash")
    board.play()
    return board


def bad_wires(seeds: range) -> tuple[int, int]:
    """(pulls begun, wrong) over wires of random badness, one board and one new logbook for each seed."""
    begun = wrong = 0
    for seed in seeds:
        rng = random.Random(seed)
        rates = {f: rng.choice([0, 0.01, 0.04]) for f in ("drop", "double", "flip", "split", "delay", "text")}
        with folder() as top:
            board, book = firmware_board(top), Logbook(top / "book")
            for attempt in range(MOST_PULLS):
                before, clock = files(book), fakes.FakeClock()
                start = clock.ns
                down, up = fakes.BadWire(seed * 1000 + attempt, **rates), fakes.BadWire(-seed * 1000 - attempt, **rates)
                cut = rng.randrange(60_000) if rng.random() < 0.3 else None
                begun += 1
                ended = bounded(partial(pull, book, board, clock, down=down, up=up, cut_after=cut))
                wrong += not unchanged(before, book) or (clock.ns - start) / 1e9 > LONGEST_S or ended == "memory"
                if ended == "through":
                    break
            pull(book, board)
            wrong += held(book) != board.stored()
    return begun, wrong


def bounded(act: Callable[[], None], size: int = 200_000) -> str:
    """Run something that may end in an error of ours: "through", "error", or "memory" where it took too much."""
    tracemalloc.start()
    try:
        act()
        ended = "through"
    except DuskgateError as error:
        assert "\n" not in str(error)
        ended = "error"
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    return "memory" if peak > MEMORY_BASE + MEMORY_TIMES * size else ended


# -- the port gone after every byte ------------------------------------------------------------------------------------


def unplugged(step: int) -> tuple[int, int]:
    """(cuts, wrong): unplugged after every `step`-th byte of a pull, then pulled again."""
    tried = wrong = 0
    with folder() as top:
        whole = fakes.FakePort(small_board(), fakes.FakeClock())
        with BoardLink("fake", fakes.FakeClock(), opener=whole) as link:
            Pull(
                link, Logbook(top / "whole"), name_night=lambda s, n: "2025-06-15", now_utc_us=lambda: NOW, tool="x"
            ).run()
        for cut in range(0, whole.given, step):
            board, book = small_board(), Logbook(top / f"cut{cut}")
            tried += 1
            try:
                pull(book, board, cut_after=cut)
                wrong += 1  # it cannot go through without its last bytes
            except LinkError:
                pass
            before = files(book)
            pull(book, board)
            wrong += held(book) != {7: ONE, 8: TWO, 9: THREE} or not unchanged(before, book)
            wrong += any(board.segments[n][1] != 1 for n in (7, 8))
            shutil.rmtree(top / f"cut{cut}")
    return tried, wrong


# -- the host dead at every call that touches the disk -----------------------------------------------------------------


def dead_hosts() -> tuple[int, int]:
    """(deaths, wrong): a first pull and a second one with more, dead at every disk call, before, half-way and after."""
    with folder() as top, DiskCalls() as all_calls:
        two_pulls(Logbook(top / "book"), small_board())
    tried = wrong = 0
    for die_at in range(all_calls.n):
        for after in (False, True):
            with folder() as top:
                board, book = small_board(), Logbook(top / "book")
                try:
                    with DiskCalls(die_at, after):
                        two_pulls(book, board)
                except Killed:
                    tried += 1
                wrong += damaged(book)
                before = files(book)
                board.segments[9] = [THREE + TWO, 0]
                pull(book, board)
                wrong += held(book) != {7: ONE, 8: TWO, 9: THREE + TWO} or not unchanged(before, book)
                wrong += any(state != 1 for _, state in board.segments.values())
                wrong += bool(list(book.folder.glob("*.tmp")) or list(book.folder.glob(".duskgate-*")))
    return tried, wrong


def two_pulls(book: Logbook, board: fakes.FakeBoard) -> None:
    board.segments[9] = [THREE, 2]
    pull(book, board)
    board.segments[9] = [THREE + TWO, 0]
    pull(book, board)


def damaged(book: Logbook) -> bool:
    """Whether a file with the name of a log is not a whole one, or the board could drop what is not held."""
    return bool(book.folder.is_dir() and book.holding(BOARD).unsound)


# -- the host killed by the system, and two hosts at once --------------------------------------------------------------

CHILD = "import sys; from duskgate.cli import main; sys.exit(main())"


def child(url: str, book: Path) -> subprocess.Popen:
    words = [sys.executable, "-c", CHILD, "pull", "--port", url, "--logbook", str(book)]
    return subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def killed_hosts(times: int, seed: int = 1) -> tuple[int, int]:
    """(kills, wrong): a real `duskgate pull` killed at a random moment, again and again, then one that may end."""
    rng, wrong = random.Random(seed), 0
    segments: dict[int, list] = {n: [fakes.night_blocks(30, seed=n, first_seq=30 * n), 0] for n in range(1, 6)}
    truth = {n: bytes(data) for n, (data, _) in segments.items()}
    with folder() as top, fakes.PtyBoard(fakes.FakeBoard(segments)) as served:
        book, before = Logbook(top / "book"), {}
        for _ in range(times):
            host = child(served.url, book.folder)
            time.sleep(rng.uniform(0.1, 0.9))
            host.send_signal(signal.SIGKILL)
            host.wait()
            wrong += damaged(book) or not unchanged(before, book)
            before = files(book) if book.folder.is_dir() else {}
        wrong += child(served.url, book.folder).wait(60) != 0
        wrong += held(book) != truth or any(state != 1 for _, state in segments.values())
    return times, wrong


def two_hosts(times: int) -> tuple[int, int]:
    """(races, wrong): two `duskgate pull` at once on one port and one logbook; both end, one of them with the night."""
    wrong = 0
    for k in range(times):
        segments: dict[int, list] = {n: [fakes.night_blocks(20, seed=n + 9 * k), 0] for n in (1, 2)}
        truth = {n: bytes(data) for n, (data, _) in segments.items()}
        with folder() as top, fakes.PtyBoard(fakes.FakeBoard(segments)) as served:
            book = Logbook(top / "book")
            hosts = [child(served.url, book.folder) for _ in range(2)]
            codes = sorted(host.wait(60) for host in hosts)
            wrong += codes not in ([0, 0], [0, 2], [0, 3]) or held(book) != truth or len(book.files()) != 1
    return times, wrong


# -- boards that answer nonsense ---------------------------------------------------------------------------------------


def nonsense(every: int = 1) -> tuple[int, int]:
    """(boards, wrong): each ends in one of our errors, or in a log as the board gave it, in time and memory."""
    tried = wrong = 0
    for k, board in enumerate(liars(lambda: small_board().segments)):
        if k % every:
            continue
        with folder() as top:
            clock, book = fakes.FakeClock(), Logbook(top / "book")
            start = clock.ns
            tried += 1
            ended = bounded(partial(pull, book, board, clock), 4_000_000)
            wrong += ended == "memory" or (clock.ns - start) / 1e9 > LONGEST_S
            wrong += [p.name for p in top.iterdir()] not in ([], ["book"])  # nothing outside the logbook
            if ended == "error":
                honest = small_board()
                honest.segments = {n: [bytes(d), s] for n, (d, s) in small_board().segments.items()}
                pull(book, honest)
                wrong += held(book) != {7: ONE, 8: TWO, 9: THREE}
    return tried, wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="small counts")
    parser.add_argument("--rows", type=Path, help="file that gets the rows of the table of what was tried")
    quick = (given := parser.parse_args()).quick
    command = "python tests/nothing_lost/link_chaos.py" + (" --quick" if quick else "")
    parts = [
        (
            "link: wires that drop, double, turn, delay and split",
            "pulls",
            lambda: bad_wires(range(4 if quick else 150)),
        ),
        ("link: unplugged after every byte of a pull", "cuts", lambda: unplugged(97 if quick else 1)),
        ("host dead at every call that touches the disk", "deaths", dead_hosts),
        ("host killed by the system during a pull", "kills", lambda: killed_hosts(3 if quick else 60)),
        ("two hosts at once", "races", lambda: two_hosts(1 if quick else 15)),
        ("boards that answer nonsense", "boards", lambda: nonsense(20 if quick else 1)),
    ]
    total = 0
    for what, unit, act in parts:
        tried, wrong = act()
        total += wrong
        print(f"{what}: {tried:,} {unit}, wrong {wrong}", flush=True)
        note = "next pull whole, no file changed, time and memory bounded"
        rows.keep(given.rows, [rows.row(what, tried, unit, wrong, note, command)])
    return int(total > 0)


if __name__ == "__main__":
    sys.exit(main())
