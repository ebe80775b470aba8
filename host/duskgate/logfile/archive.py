"""The logbook: a folder with one log file per pull and the dated site files that go with them.

Log files are never changed or overwritten. Names: `<night>_<board>_<pulled UTC>.dgl` and `<night>_site.toml`.
"""

import contextlib
import hashlib
import json
import re
import zlib
from collections.abc import Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from ..errors import UsageError
from .container import CONTAINER_VERSION, MAGIC, PREFIX, LogFile, board_of, read_log_file
from .partfile import PartFile
from .safewrite import locked, write_new

NIGHT = re.compile(r"\d{4}-\d\d-\d\d")
SITE_NAME = re.compile(r"(\d{4}-\d\d-\d\d)_site(?:-(\d{1,6}))?\.toml")
NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9]+")
LONGEST_ID = 40


@dataclass(frozen=True, slots=True)
class SegmentPiece:
    """Bytes of one segment from an offset on, as the board had them."""

    segment: int
    offset: int
    data: bytes


@dataclass
class Holding:
    """What the logbook holds of one board: bytes per segment, and files that could not be counted with the reason."""

    segments: dict[int, bytearray] = field(default_factory=dict)
    unsound: list[str] = field(default_factory=list)

    def take(self, segment: int, offset: int, data: bytes | memoryview) -> None:
        """Lay a piece over what is held. One at offset 0 begins the segment anew (the board's store was emptied)."""
        held = self.segments.setdefault(segment, bytearray())
        if offset <= len(held):
            del held[offset:]
            held += data
        # a piece beyond what is held stays unused: the bytes before it are missing, so they are fetched again


class Logbook:
    """A folder of pulled logs. It is made on the first `add`."""

    def __init__(self, folder: str | Path):
        self.folder = Path(folder)
        if self.folder.exists() and not self.folder.is_dir():
            raise UsageError(f"{self.folder}: this is a file, not a logbook folder: name another folder")

    def files(self) -> list[Path]:
        """All log files, by name: by night, then board, then time of the pull. Folders and devices are no files."""
        return sorted(path for path in self.folder.glob("[!.]*.dgl") if path.is_file())

    def nights(self) -> dict[str, list[Path]]:
        """Night date -> log files that bear it in their name, oldest night first."""
        found: dict[str, list[Path]] = {}
        for path in self.files():
            if match := NIGHT.match(path.name):
                found.setdefault(match[0], []).append(path)
        return found

    def have(self, board: str) -> dict[int, int]:
        """Segment number -> bytes held from its beginning, of files whose SHA-256 is right."""
        return {n: len(data) for n, data in self.holding(board).segments.items()}

    def holding(self, board: str) -> Holding:
        """The bytes themselves, in the order of the pulls; what a damaged file says does not count as held."""
        holding = Holding()
        logs = []
        for path in self.files():
            try:
                log = read_log_file(path)
            except UsageError as error:
                holding.unsound.append(f"{path.name}: {error}")
                continue
            if log.problems or log.header is None or "sha256" not in log.header:
                why = log.problems[0]["what"] if log.problems else "no header"
                holding.unsound.append(f"{path.name}: {why}")
            elif board_of(log.header) == board.lower():
                logs.append(log)
        for log in sorted(logs, key=_pulled):
            for piece in log.pieces:
                if piece.segment is not None:
                    holding.take(piece.segment, piece.offset, piece.data)
        return holding

    def add(self, header: dict, pieces: Iterable[SegmentPiece], night: str) -> Path:
        """Write one pull as a new file and read it again; return its path.

        `header` holds board, tool, pulled_utc_us, who and host_clock; pieces, their checks and the SHA-256 are added
        here. The caller holds `lock()`. Raises UsageError when it cannot be written or does not read back.
        """
        content = pack(header, list(pieces))
        self._make()
        path = write_new(self.folder / log_name(night, header["board"], header["pulled_utc_us"]), content)
        if not _reads_back(path, content):
            raise UsageError(f"{path}: does not read back as it was written: check this disk; the board keeps its data")
        return path

    def keep_site(self, night: str, content: bytes) -> Path:
        """Dated copy of the site file, numbered when the newest of that date differs. The caller holds `lock()`."""
        newest = self._site_of(night)
        with contextlib.suppress(OSError):  # one that cannot be read is left as it is, and this one numbered
            if newest is not None and newest.read_bytes() == content:
                return newest
        self._make()
        return write_new(self.folder / f"{checked_night(night)}_site.toml", content)

    def site_for(self, night: str) -> Path | None:
        """Site file that was in force at the pull which brought this night: of its date, else the next later one."""
        dates = sorted({m[1] for p in self.folder.glob("*.toml") if (m := SITE_NAME.fullmatch(p.name))})
        later = [date for date in dates if date >= night]
        return self._site_of(later[0]) if later else None

    def part(self, board: str) -> PartFile:
        """Where an interrupted pull of this board keeps what it has."""
        self._make()
        return PartFile(self.folder / f".{clean(board)}.part")

    def lock(self) -> AbstractContextManager[None]:
        """Hold the logbook for one pull. Raises UsageError when another pull holds it."""
        self._make()
        return locked(self.folder)

    def _site_of(self, night: str) -> Path | None:
        numbered = {}
        for path in self.folder.glob(f"{checked_night(night)}_site*.toml"):
            if match := SITE_NAME.fullmatch(path.name):
                numbered[int(match[2] or 1)] = path
        return numbered[max(numbered)] if numbered else None

    def _make(self) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(
                f"{self.folder}: cannot be made ({error.strerror}): check the name and the rights"
            ) from error


def _reads_back(path: Path, content: bytes) -> bool:
    try:
        return not read_log_file(path).problems and path.read_bytes() == content
    except (OSError, UsageError):
        return False


def pack(header: dict, pieces: list[SegmentPiece]) -> bytes:
    """Content of a log file (FORMAT.md section 6)."""
    listed = [
        {"segment": p.segment, "offset": p.offset, "bytes": len(p.data), "crc": zlib.crc32(p.data)} for p in pieces
    ]
    body = b"".join(p.data for p in pieces)
    whole = {"duskgate_log": CONTAINER_VERSION, **header, "pieces": listed, "sha256": hashlib.sha256(body).hexdigest()}
    text = json.dumps(whole, ensure_ascii=False).encode("utf-8")
    return PREFIX.pack(MAGIC, len(text), zlib.crc32(text)) + text + body


def log_name(night: str, board: str, pulled_utc_us: int) -> str:
    """`<night>_<board>_<pulled UTC>.dgl`, every part cleaned so that the file cannot leave the folder."""
    pulled = datetime.fromtimestamp(pulled_utc_us // 1_000_000, UTC)
    return f"{checked_night(night)}_{clean(board)}_{pulled:%Y%m%dT%H%M%SZ}.dgl"


def clean(text: str) -> str:
    """Letters and digits of a name that came from outside, others as one dash; never empty, bounded."""
    return NOT_IN_NAMES.sub("-", text).strip("-")[:LONGEST_ID] or "unnamed"


def checked_night(night: str) -> str:
    """The date itself, when it is one written YYYY-MM-DD. Raises UsageError."""
    with contextlib.suppress(ValueError):
        if NIGHT.fullmatch(night) and datetime.strptime(night, "%Y-%m-%d"):
            return night
    raise UsageError(f"'{night[:40]}' is not a night's date: write it as 2026-06-14")


def _pulled(log: LogFile) -> tuple[int, int, str]:
    value = (log.header or {}).get("pulled_utc_us")
    return (value if isinstance(value, int) else 0, len(log.name), log.name)
