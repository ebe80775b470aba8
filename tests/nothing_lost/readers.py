"""Every reader of bytes that come from a board, a file or a person, as a function that takes any bytes.

Each `feed` raises nothing for any input unless the reader broke a promise: another exception than our own error tree,
a message of more than one line, a result of a wrong type or shape, or a good block left out.
"""

from __future__ import annotations

import io
import random
import sys
import tempfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "firmware"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from duskgate import fields, sitefields, sitefile
from duskgate.errors import DuskgateError
from duskgate.link import session
from duskgate.link.framing import HEADER, MAX_PAYLOAD, Frame, FrameReader, decode_request, encode_request
from duskgate.logfile import blocks, captures, container, decode, partfile, vcd
from duskgate.logfile.recording import Recording

from tests.nothing_lost import mutations as mutate

LONGEST_MESSAGE = 1000
BATCH = 200
SHARED = Path("/dev/shm") if Path("/dev/shm").is_dir() else None


class Broken(AssertionError):
    """A reader broke a promise."""


def promise(kept: bool, what: str) -> None:
    """Raise Broken unless it is kept."""
    if not kept:
        raise Broken(what)


def one_line(error: DuskgateError) -> None:
    """A message for a person: one line that can be printed anywhere, and not endless."""
    text = str(error)
    promise(0 < len(text) <= LONGEST_MESSAGE and text.isprintable(), f"message: {text[:2000]!r}")


def refused(read: Callable[[], Any]) -> Any:
    """What a reader gives, or None where it refuses in one line."""
    try:
        return read()
    except DuskgateError as error:
        one_line(error)
        return None


def well_shaped(rec: Recording) -> None:
    """Columns, types, order and bounds that every later step relies on; every problem is one line."""
    for name, shape in fields.RECORDING.items():
        found = {column: str(kind) for column, kind in getattr(rec, name).dtypes.items()}
        promise(found == shape, f"{name}: {found}")
    edges, n = rec.edges, len(rec.boots)
    boot, t_ns = edges["boot"].to_numpy(), edges["t_ns"].to_numpy()
    promise(bool(((boot[1:] > boot[:-1]) | ((boot[1:] == boot[:-1]) & (t_ns[1:] >= t_ns[:-1]))).all()), "edges' order")
    for name in ("edges", "readings", "notes", "chatter", "blind"):
        column = getattr(rec, name)["boot"].to_numpy()
        promise(not len(column) or (column.min() >= 0 and column.max() < n), f"{name}: a boot that is none")
    promise(edges["level"].isin((0, 1)).all() and edges["channel"].between(0, 6).all(), "edges' values")
    promise(bool((t_ns >= 0).all()), "negative time")
    promise(bool((rec.blind["to_ns"].to_numpy() >= rec.blind["from_ns"].to_numpy()).all()), "a spell that ends early")
    for row in rec.problems.itertuples(index=False):
        text = str(row.what)
        promise(text.isprintable() and len(text) <= LONGEST_MESSAGE, f"problem: {text[:2000]!r}")
        promise(row.offset >= -1 and row.bytes >= 0, f"place of a problem: {row.offset} {row.bytes}")


def reference_scan(data: bytes) -> list[tuple[int, int]]:
    """Place and size of every good block as FORMAT.md 3.1 says, apart from the package's reader."""
    out, at = [], data.find(b"\xd6DG\n")
    while 0 <= at <= len(data) - 32:
        n = int.from_bytes(data[at + 6 : at + 8], "little")
        end = at + 24 + 8 * n
        good = data[at : at + 6] == b"\xd6DG\n\x01\x18" and 1 <= n <= 508 and end <= len(data)
        good = good and any(data[at + 8 : at + 12]) and data[at + 30] < 0x40
        crc = zlib.crc32(data[at : at + 20] + data[at + 24 : end])
        good = good and crc == int.from_bytes(data[at + 20 : at + 24], "little")
        if good:
            out.append((at, end - at))
        at = data.find(b"\xd6DG\n", end if good else at + 1)
    return out


def same_blocks(data: bytes) -> blocks.Scan:
    """Scan bytes; promise that it finds what the reference finds and that good and damaged bytes make up the whole."""
    found = blocks.scan(data)
    places = list(zip(found.blocks["pos"].tolist(), (24 + 8 * found.blocks["n"]).tolist(), strict=True))
    newer = any(d.why.startswith("a block of log version") for d in found.damage)
    promise(newer or places == reference_scan(data), f"blocks at {places}, not {reference_scan(data)}")
    parts = sorted([*places, *((d.pos, d.size) for d in found.damage)])
    ends = [0, *(at + size for at, size in parts)]
    promise(ends[:-1] == [at for at, _ in parts] and ends[-1] == len(data), f"neither good nor damaged: {parts}")
    return found


@dataclass
class Decoder:
    """Logs: each input is taken apart and scanned at once; a batch of them is decoded together, which is many times
    as cheap, with the boots of each input numbered apart. A batch that breaks a promise is decoded one by one."""

    batch: int = BATCH
    waiting: list[bytes] = field(default_factory=list)

    def feed(self, data: bytes) -> int:
        """Blocks found."""
        log = container.split(data, "a.dgl")
        good = [same_blocks(bytes(piece.data)) for piece in log.pieces]
        for row in log.problems:
            text = row["what"]
            promise(text.isprintable() and len(text) <= LONGEST_MESSAGE, f"problem: {text[:2000]!r}")
        self.waiting.append(data)
        if len(self.waiting) >= self.batch:
            self.flush()
        return sum(len(scan.blocks) for scan in good)

    def flush(self) -> None:
        """Decode what waits."""
        waiting, self.waiting = self.waiting, []
        try:
            well_shaped(decode._decode([self._numbered(data, i) for i, data in enumerate(waiting)]))
        except Exception:
            for data in waiting:
                self.alone(data)
            raise

    @staticmethod
    def alone(data: bytes) -> Recording:
        """One log decoded by itself; the input stands in what is raised."""
        try:
            rec = decode._decode([container.split(data, "a.dgl")])
            well_shaped(rec)
            return rec
        except Exception as error:
            raise Broken(f"{type(error).__name__}: {error} -- input {data.hex()}") from error

    @staticmethod
    def _numbered(data: bytes, i: int) -> container.LogFile:
        log = container.split(data, f"{i}.dgl")
        for k, piece in enumerate(log.pieces):
            raw = bytearray(piece.data)
            for at, size in reference_scan(bytes(raw)):
                raw[at + 12 : at + 16] = i.to_bytes(4, "little")
                check = zlib.crc32(bytes(raw[at : at + 20] + raw[at + 24 : at + size]))
                raw[at + 20 : at + 24] = check.to_bytes(4, "little")
            segment = None if piece.segment is None else piece.segment + (i << 48)
            view = memoryview(bytes(raw))
            log.pieces[k] = container.Piece(piece.file, piece.file_offset, view, segment, piece.offset)
        log.header = None  # inputs of one batch may be of different boards
        return log


def feed_framing(data: bytes) -> int:
    """Frames found; the same in one piece and in pieces, with a bounded buffer. Also as a request line."""
    whole = FrameReader().feed(data)
    reader, cut = FrameReader(), random.Random(len(data) + zlib.crc32(data))
    pieces: list[Frame] = []
    at = 0
    while at < len(data):
        size = cut.choice((1, 7, 64, 4096))
        pieces += reader.feed(data[at : at + size])
        promise(reader.pending < HEADER.size + MAX_PAYLOAD + 4, "the buffer grows")
        at += size
    promise(pieces == whole, "frames depend on how the bytes came")
    kept = sum(HEADER.size + len(frame.payload) + 4 for frame in pieces)
    promise(kept + reader.skipped + reader.pending == len(data), "bytes are not all accounted for")
    promise(all(len(frame.payload) <= MAX_PAYLOAD for frame in whole), "a frame too long")
    request = decode_request(data)
    if request is not None and request.ss < 256:
        promise(isinstance(request.verb, str), "a verb that is no text")
    return len(whole) or int(request is not None)


def feed_answers(data: bytes) -> int:
    """An open request of each sort gets these bytes: an answer, a failure in one line, or nothing yet."""
    ended = 0
    for expect, parts in ((0, 1), (64, 1), (64, 3)):
        talk = session.Session(1)
        talk.request("get", (), 0.0, expect=expect, parts=parts)
        got = talk.receive(data, 1.0) or talk.expired(1e9)
        promise(isinstance(got, (session.Answer, session.Failure)), "neither answer nor failure")
        if isinstance(got, session.Failure):
            promise(got.text.isprintable() and len(got.text) <= LONGEST_MESSAGE, f"text: {got.text[:2000]!r}")
            promise(got.code.isprintable() and len(got.code) <= LONGEST_MESSAGE, f"code: {got.code[:2000]!r}")
        else:
            promise(isinstance(got.facts, dict) and isinstance(got.data, bytes), "types of an answer")
            ended += 1
    return ended


class OnDisk:
    """Feeds a reader that takes a path."""

    def __init__(self, name: str, read: Callable[[Path], int]):
        self.folder = tempfile.TemporaryDirectory(dir=SHARED)
        self.path, self.read = Path(self.folder.name) / name, read

    def feed(self, data: bytes) -> int:
        """What the reader says of a file with these bytes."""
        self.path.write_bytes(data)
        return self.read(self.path)


def _capture(read: Callable[[], Recording]) -> int:
    rec = refused(read)
    if rec is None:
        return 0
    well_shaped(rec)
    return len(rec.edges) + len(rec.readings)


def _edges(path: Path) -> int:
    return _capture(lambda: captures.read_edges_csv(path))


def _readings(path: Path) -> int:
    edges = path.with_name("some_edges.csv")
    if not edges.exists():
        edges.write_bytes(mutate.EDGES)
    return _capture(lambda: captures.read_edges_csv(edges, path))


def _vcd(path: Path) -> int:
    return _capture(lambda: vcd.read_vcd(path))


def _site(path: Path) -> int:
    site = refused(lambda: sitefile.load(path))
    if site is not None:
        promise(isinstance(site, sitefields.Site) and isinstance(site.name, str), "not a site")
        site.analysis_settings()
        promise(site.latitude_deg is None or -90 <= site.latitude_deg <= 90, "latitude")
    return int(site is not None)


def _part(path: Path) -> int:
    before = path.read_bytes()
    pieces = refused(lambda: partfile.PartFile(path).load())
    after = path.read_bytes()
    promise(before.startswith(after), "the part file was changed")
    promise(sum(24 + len(piece.data) for piece in pieces or ()) == len(after), "pieces and file differ")
    promise(partfile.PartFile(path).load() == (pieces or []), "a second look differs")
    return len(pieces or ())


class OneFile:
    """A file system that holds the settings alone and takes no other file: all that reading them needs."""

    def __init__(self, data: bytes):
        self.data = data

    def open(self, name: str, mode: str) -> io.BytesIO:
        """The settings for reading."""
        if name != "settings.txt" or mode != "rb":
            raise OSError(28)
        return io.BytesIO(self.data)

    def remove(self, name: str) -> None:
        """Nothing can be removed."""
        raise OSError(2)


def feed_settings(data: bytes) -> int:
    """Settings text of a board: every value within its bounds, whatever it says."""
    from core.settings import KNOWN, Settings

    kept = Settings(OneFile(data))
    for name, (least, most, *_) in KNOWN.items():
        promise(type(kept[name]) is int and least <= kept[name] <= most, f"{name} is {kept[name]!r}")
    promise(all(type(part) is int for row in kept.problems for part in row), "problems")
    return int(not kept.problems)


@dataclass(frozen=True)
class Reader:
    """How to feed a reader, what to spoil for it, and how many inputs the long run gives it."""

    feed: Callable[[bytes], int]
    seeds: list[bytes]
    mutate: mutate.Mutator
    inputs: int
    finish: Callable[[], None] = lambda: None


def readers() -> dict[str, Reader]:
    """All of them, by name."""
    log, site = Decoder(), OnDisk("site.toml", _site)
    crlf, bom = mutate.EDGES.replace(b"\n", b"\r\n"), b"\xef\xbb\xbf" + mutate.EDGES
    request = encode_request(7, "note", (4, 0, "a b"))
    settings = mutate.SETTINGS + b"check=%08X\n" % zlib.crc32(mutate.SETTINGS)
    return {
        "decoder": Reader(log.feed, [mutate.small_log(), mutate.log_file()], mutate.log_mutate, 1_000_000, log.flush),
        "framing": Reader(feed_framing, [mutate.frames(), mutate.facts(), request], mutate.frames_mutate, 1_000_000),
        "edges": Reader(OnDisk("edges.csv", _edges).feed, [mutate.EDGES, crlf, bom], mutate.csv_mutate, 1_000_000),
        "answers": Reader(feed_answers, [mutate.frames(), mutate.facts()], mutate.frames_mutate, 100_000),
        "readings": Reader(OnDisk("readings.csv", _readings).feed, [mutate.READINGS], mutate.csv_mutate, 100_000),
        "vcd": Reader(OnDisk("edges.vcd", _vcd).feed, [mutate.VCD], mutate.spoil, 100_000),
        "site": Reader(site.feed, [mutate.site_text()], mutate.spoil, 100_000),
        "settings": Reader(feed_settings, [settings], mutate.settings_mutate, 100_000),
        "part": Reader(OnDisk("pull.part", _part).feed, [mutate.part()], mutate.part_mutate, 100_000),
    }
