"""The logbook under a failing disk, spoiled bytes and hostile names, with counts.

    python tests/nothing_lost/archive.py [--quick] [--seed 1] [--rows FILE]

A full disk at every call that touches it, a death before and after every such call, one bit wrong at places all over
a logbook, files cut short, board ids that are anything. What must hold: what stood whole before stands whole after,
nothing is written outside the folder, every spoiled file is found. Ends with code 1 where one of these failed.
"""

from __future__ import annotations

import argparse
import errno
import os
import random
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from duskgate.errors import DuskgateError, UsageError
from duskgate.logfile.archive import Logbook, SegmentPiece, log_name
from duskgate.logfile.partfile import PartPiece
from duskgate.logfile.verify import verify
from duskgate.tables import write_whole

from tests import fakes
from tests.hostile_text import ALL
from tests.nothing_lost import rows
from tests.nothing_lost.disk_calls import DiskCalls, Killed

BOARD, NIGHT, NOW = "e66138528361ac2f", "2025-06-15", 1_750_050_000_000_000
HALF = fakes.night_blocks(4)
DATA = HALF + fakes.night_blocks(4, first_seq=4)
SITE = b"name = 'invented garden'\n"


class FullDisk(DiskCalls):
    """The same calls; the n-th says that the disk is full, a write after half of its bytes."""

    def _guard(self, real: Callable) -> Callable:
        def call(*args, **kwargs):
            if self._due():
                raise OSError(errno.ENOSPC, "No space left on device")
            return real(*args, **kwargs)

        return call

    def _open(self, name, mode="r", *args, **kwargs):
        try:
            return super()._open(name, mode, *args, **kwargs)
        except Killed:
            raise OSError(errno.ENOSPC, "No space left on device") from None


def header(pulled: int) -> dict:
    return {"board": BOARD, "tool": "test", "pulled_utc_us": pulled, "who": {}, "host_clock": []}


def begun(folder: Path) -> dict[str, bytes]:
    """A logbook with one pull and its site file; its files."""
    book = Logbook(folder)
    book.add(header(NOW), [SegmentPiece(1, 0, DATA[: len(HALF)])], NIGHT)
    book.keep_site(NIGHT, SITE)
    return contents(folder)


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if not p.name.startswith(".")}


def second_pull(folder: Path) -> None:
    """All that a pull and a report write: lock, part, log, site copy, page."""
    book = Logbook(folder)
    rest = DATA[len(HALF) :]
    with book.lock():
        part = book.part(BOARD)
        part.load()
        part.append(PartPiece(1, len(HALF), rest))
        book.add(header(NOW + 10**9), [SegmentPiece(1, len(HALF), rest)], NIGHT)
        book.keep_site(NIGHT, SITE + b"# changed\n")
        part.remove()
    write_whole(folder / "night.html", b"page" * 1000, force=True)


def failing_disk(make: Callable[[int], DiskCalls]) -> tuple[int, int]:
    """Every call in turn: (tried, lost). Afterwards the old files are as they were, and the pull can be made."""
    lost = at = 0
    while True:
        with tempfile.TemporaryDirectory() as top:
            folder = Path(top) / "book"
            before = begun(folder)
            calls = make(at)
            ended = False
            try:
                with calls:
                    second_pull(folder)
                    ended = True
            except (UsageError, Killed):
                pass
            lost += not_safe(folder, before)
            if ended and calls.n <= at:
                return at, lost
        at += 1


def not_safe(folder: Path, before: dict[str, bytes]) -> bool:
    """Whether anything whole is gone or half-made, or the next pull does not bring everything."""
    after = contents(folder)
    if any(after.get(name) != data for name, data in before.items()):
        return True
    if verify(folder, lambda path: None).damaged or {p.name for p in folder.parent.iterdir()} != {"book"}:
        return True
    second_pull(folder)
    return Logbook(folder).have(BOARD) != {1: len(DATA)} or (folder / "night.html").read_bytes() != b"page" * 1000


def spoiled(bits: int, rng: random.Random) -> tuple[int, int]:
    """One bit wrong, or the end cut off, in a logbook of two logs: (tried, not found by `verify`)."""
    missed = 0
    with tempfile.TemporaryDirectory() as top:
        folder = Path(top)
        begun(folder)
        second_pull(folder)
        logs = sorted(folder.glob("*.dgl"))
        whole = {path: path.read_bytes() for path in logs}
        for k in range(bits):
            path = rng.choice(logs)
            data = bytearray(whole[path])
            if k % 4:
                data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
            else:
                del data[rng.randrange(len(data)) :]
            path.write_bytes(data)
            verdict = verify(folder, lambda path: None)
            missed += not any(f.damage and f.file == path.name for f in verdict.findings) or verdict.whole > 1
            path.write_bytes(whole[path])
        missed += verify(folder, lambda path: None).damaged
    return bits, missed


def names(count: int, rng: random.Random) -> tuple[int, int]:
    """Board ids that are anything: (tried, files that left the folder or were no plain name)."""
    wrong = 0
    parts = [*ALL, "../", "..\\", "/etc/", "C:", "con", "nul.", "~", "*", "\0", "a" * 300, "é", "花", ".", " "]
    with tempfile.TemporaryDirectory() as top:
        book = Logbook(Path(top) / "book")
        for _ in range(count):
            text = "".join(rng.choice(parts) if rng.random() < 0.7 else chr(rng.randrange(0xD800)) for _ in range(3))
            for path in (book.folder / log_name(NIGHT, text, NOW), book.part(text).path):
                inside = path.parent == book.folder and os.sep not in path.name and path.name.isascii()
                wrong += not (inside and path.name.isprintable() and len(path.name) < 100)
    return count, wrong


def links(rng: random.Random, count: int) -> tuple[int, int]:
    """A link to somebody's file in the place of each name that a pull writes: (tried, files changed)."""
    wrong = 0
    own = [".lock", f".{BOARD}.part", "night.html", f"{NIGHT}_site-2.toml", log_name(NIGHT, BOARD, NOW + 10**9)]
    own += [f".duskgate-{name}.tmp" for name in own[3:]]
    for k in range(count):
        with tempfile.TemporaryDirectory() as top:
            outside, folder = Path(top) / "outside", Path(top) / "book"
            begun(folder)
            there = rng.random() < 0.5
            if there:
                outside.write_bytes(b"own")
            name = own[k % len(own)]
            (folder / name).unlink(missing_ok=True)
            (folder / name).symlink_to(outside)
            try:
                second_pull(folder)
            except DuskgateError:
                pass
            wrong += outside.read_bytes() != b"own" if there else outside.exists()
    return count, wrong


def run(quick: bool, seed: int) -> list[tuple[str, str, int, int, str]]:
    """(what, unit, tried, lost, note) of each part."""
    rng = random.Random(seed)
    said = "old files unchanged, nothing half-made, the next pull brings everything"
    return [
        ("disk full at every call of a pull and a page", "calls", *failing_disk(FullDisk), said),
        ("host dies before every call", "deaths", *failing_disk(DiskCalls), said),
        ("host dies after every call", "deaths", *failing_disk(lambda n: DiskCalls(n, after=True)), said),
        ("a bit wrong or the end missing in a logbook", "files", *spoiled(60 if quick else 4000, rng),
         "lost: not found by `logbook verify`"),
        ("board ids that are anything", "ids", *names(300 if quick else 20_000, rng), "lost: left the folder"),
        ("a link in the place of a file of ours", "links", *links(rng, 14 if quick else 140), "lost: written through"),
    ]  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="small counts")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", type=Path, help="append a JSON line for each part to this file")
    given = parser.parse_args()
    command = f"python tests/nothing_lost/archive.py{' --quick' if given.quick else ''} --seed {given.seed}"
    found = run(given.quick, given.seed)
    for what, unit, tried, lost, note in found:
        print(f"{what}: {tried} {unit}, {lost} lost ({note})")
        rows.keep(given.rows, [rows.row(what, tried, unit, lost, note, command)])
    return 1 if any(lost for *_, lost, _ in found) else 0


if __name__ == "__main__":
    sys.exit(main())
