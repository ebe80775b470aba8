"""The logbook on disks that are really full, really cannot be written, or do not tell A from a.

    python tests/nothing_lost/real_disks.py [--quick] [--rows FILE]

The first two are memory disks mounted for the purpose (Linux, root); where mounting is not allowed they are left out,
and that is said. The third is played at the file functions: every name that differs in case alone is one file. After
each refusal: one line, exit code 2, every file byte for byte as it was, nothing half-made; with room again the next
pull brings everything. Ends with code 1 where one of these failed.
"""

from __future__ import annotations

import argparse
import builtins
import io
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from click.testing import CliRunner
from duskgate.cli import main as duskgate
from duskgate.logfile.archive import Logbook, SegmentPiece
from duskgate.logfile.verify import verify

from tests import fakes
from tests.nothing_lost import rows

BOARD, NIGHT, NOW = "e66138528361ac2f", "2025-06-15", 1_750_050_000_000_000
FIRST = fakes.night_blocks(30, seed=1)
SECOND = fakes.night_blocks(30, seed=2, first_seq=30)
PAGE = 4096  # a memory disk gives room in these
ALL = {7: len(FIRST), 8: len(SECOND)}


class NotAllowed(Exception):
    """No disk can be mounted here; the text says why."""


def mount(*words: str) -> None:
    """One call of mount. NotAllowed with what it said."""
    try:
        done = subprocess.run(["mount", *words], capture_output=True, text=True, check=False)
    except OSError as error:
        raise NotAllowed(f"no mount command: {error.strerror}") from error
    if done.returncode:
        raise NotAllowed(f"mounting is not allowed here: {done.stderr.strip() or done.returncode}")


@contextmanager
def memory_disk(size: int) -> Iterator[Path]:
    """An empty disk of so many bytes in memory."""
    with tempfile.TemporaryDirectory() as folder:
        mount("-t", "tmpfs", "-o", f"size={size}", "none", folder)
        try:
            yield Path(folder)
        finally:
            subprocess.run(["umount", folder], capture_output=True, check=True)


def board(*numbers: int) -> fakes.PtyBoard:
    """A board on a real port that holds these segments, whole."""
    data = {7: FIRST, 8: SECOND}
    return fakes.PtyBoard(fakes.FakeBoard({n: [data[n], 0] for n in numbers}))


def said(*words: object) -> tuple[int, str]:
    """Exit code of a command, and what it wrote to its error stream."""
    done = CliRunner().invoke(duskgate, [str(word) for word in words])
    return done.exit_code, done.stderr


def begun(book: Path) -> dict[str, bytes]:
    """A logbook with the first segment pulled, and a page; its files."""
    with board(7) as served:
        assert said("pull", "--logbook", book, "--port", served.url)[0] == 0
    (book / "night.html").write_bytes(b"page of an earlier night")
    return contents(book)


def contents(book: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in book.iterdir() if not p.name.startswith(".")}


def refused(answer: tuple[int, str], book: Path, before: dict[str, bytes]) -> bool:
    """Whether a command said its no in one line with code 2 and changed nothing."""
    code, text = answer
    lines = [line for line in text.splitlines() if "computer's: where" not in line]  # the clock of the invented board
    return code == 2 and len(lines) == 1 and contents(book) == before and not half_made(book)


def half_made(book: Path) -> list[str]:
    return [p.name for p in book.iterdir() if p.name.endswith(".tmp")]


def whole(book: Path, before: dict[str, bytes]) -> bool:
    """Whether the logbook holds all of the board, and what was there before as it was."""
    after = contents(book)
    kept = all(after.get(name) == data for name, data in before.items())
    return kept and Logbook(book).have(BOARD) == ALL and verify(book, lambda path: None).damaged == 0


def full_disk(frees: list[int]) -> tuple[int, int]:
    """A pull and a page with so many pages of room left: (tried, lost or wrong)."""
    wrong = 0
    for free in frees:
        with memory_disk(1 << 20) as disk:
            book = disk / "book"
            before = begun(book)
            fill(disk / "others", free)
            with board(7, 8) as served:
                pulled = said("pull", "--logbook", book, "--port", served.url)
                wrong += not (refused(pulled, book, before) if pulled[0] else whole(book, before))
                state = contents(book)
                page = said("night", book, "--page", book / "night.html", "--force")
                wrong += not refused(page, book, state)  # a page is far larger than what is left
                (disk / "others").unlink()
                wrong += said("pull", "--logbook", book, "--port", served.url)[0] != 0
            wrong += not whole(book, before)
    return len(frees), wrong


def fill(path: Path, free: int) -> None:
    """A file that leaves `free` pages of its disk."""
    disk = os.statvfs(path.parent)
    with open(path, "wb") as file:
        file.write(b"\0" * (disk.f_bavail * disk.f_frsize - free * PAGE))


def read_only_disk(times: int) -> tuple[int, int]:
    """A pull and a page on a disk that nobody may write, then on the same one that may be: (tried, lost or wrong)."""
    wrong = 0
    for _ in range(times):
        with memory_disk(8 << 20) as disk:
            book = disk / "book"
            before = begun(book)
            mount("-o", "remount,ro", str(disk))
            with board(7, 8) as served:
                wrong += not refused(said("pull", "--logbook", book, "--port", served.url), book, before)
                new = said("pull", "--logbook", disk / "new", "--port", served.url)
                wrong += not refused(new, book, before) or (disk / "new").exists()
                page = said("night", book, "--page", book / "night.html", "--force")
                wrong += not refused(page, book, before)
                wrong += said("logbook", "verify", book)[0] != 0  # reading needs no right to write
                mount("-o", "remount,rw", str(disk))
                wrong += said("pull", "--logbook", book, "--port", served.url)[0] != 0
            wrong += not whole(book, before)
    return 4 * times, wrong


@contextmanager
def one_case() -> Iterator[None]:
    """Names that differ in case alone are one file, as on most disks of Windows and macOS; the first spelling stays."""
    names = ("open", "rename", "replace", "unlink", "stat", "lstat", "mkdir", "scandir", "listdir")
    kept, kept_open = {name: getattr(os, name) for name in names}, builtins.open
    listed = os.listdir

    def real(path):
        if not isinstance(path, (str, os.PathLike)):
            return path
        folder, name = os.path.split(os.fspath(path))
        folder = real(folder) if name and folder else folder
        try:
            there = listed(folder or ".")
        except OSError:
            there = []
        return os.path.join(folder, next((n for n in there if n.lower() == name.lower()), name))

    def one(function):
        return lambda path, *rest, **more: function(real(path), *(real(p) if isinstance(p, os.PathLike) else p
                                                                  for p in rest), **more)  # fmt: skip

    for name in names:
        setattr(os, name, one(kept[name]))
    builtins.open = io.open = one(kept_open)  # pathlib takes the one of io
    try:
        yield
    finally:
        builtins.open = io.open = kept_open
        for name in names:
            setattr(os, name, kept[name])


def without_case(times: int) -> tuple[int, int]:
    """Files of the same name in other letters lie where a pull wants its own, and stay: (tried, lost or wrong)."""
    wrong = 0
    for turn in range(times):
        with tempfile.TemporaryDirectory() as top, one_case():
            book = Logbook(Path(top) / "Book")
            header = {"board": BOARD, "tool": "t", "pulled_utc_us": NOW, "who": {}, "host_clock": []}
            first = book.add(header, [SegmentPiece(7, 0, FIRST)], NIGHT)
            spelt = first.with_name((str.upper, str.title, str.swapcase)[turn % 3](first.name))
            if turn % 2:
                first.rename(spelt)
            else:
                first.rename(first.with_name("moved.dgl"))
                spelt.write_bytes(b"somebody's")
            before = contents(book.folder)
            same = {**header, "pulled_utc_us": NOW}  # the same name again, by the letter
            second = book.add(same, [SegmentPiece(8, 0, SECOND)], NIGHT)
            other = Logbook(Path(top) / "bOOK")  # the same folder in other letters
            site = [other.keep_site(NIGHT, text) for text in (b"one", b"two", b"two")]
            after = contents(book.folder)
            wrong += any(after.get(name) != data for name, data in before.items()) or second.name not in after
            wrong += len({name.lower() for name in after}) != len(after) or len(set(site)) != 2
            wrong += after[second.name][-len(SECOND) :] != SECOND
    return times, wrong


def run(quick: bool) -> list[tuple[str, str, int, int, str]]:
    """(what, unit, tried, lost, note) of each part that could be played here."""
    told = "one line, exit code 2, every file as it was, the next pull brings everything"
    out = []
    for what, unit, play, size, note in (
        ("a memory disk really full, with 0 to 20 pages of room", "disks", full_disk, [0, 3] if quick else
         [*range(21)] * 2, told),
        ("a disk mounted read-only", "commands", read_only_disk, 1 if quick else 25, told),
        ("a disk that does not tell A from a (played at the file functions)", "logbooks", without_case,
         6 if quick else 300, "no file of that name in other letters replaced, each new one under a name of its own"),
    ):  # fmt: skip
        try:
            out.append((what, unit, *play(size), note))
        except NotAllowed as why:
            print(f"{what}: left out, {why}")
    return out


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="small counts")
    parser.add_argument("--rows", type=Path, help="append a JSON line for each part to this file")
    given = parser.parse_args()
    command = f"python tests/nothing_lost/real_disks.py{' --quick' if given.quick else ''}"
    found = run(given.quick)
    for what, unit, tried, lost, note in found:
        print(f"{what}: {tried} {unit}, {lost} lost or wrong ({note})")
        rows.keep(given.rows, [rows.row(what, tried, unit, lost, note, command)])
    return 1 if any(lost for *_, lost, _ in found) else 0


if __name__ == "__main__":
    sys.exit(main())
