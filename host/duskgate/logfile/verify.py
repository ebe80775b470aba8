"""Looks through a whole logbook: is every file as it was written, and do they fit together?

Nothing is changed. A finding is damage where bytes of a night are wrong, missing or contradicted, else something to
look at. What is damaged in one file may still stand whole in another; that is said too.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from ..errors import UsageError
from .archive import SITE_NAME, Holding, checked_night, clean
from .blocks import HEADER_SIZE, scan
from .container import LogFile, board_of, read_log_file
from .partfile import PartFile

LOG_NAME = re.compile(r"(\d{4}-\d\d-\d\d)_([A-Za-z0-9-]+)_(\d{8}T\d{6}Z)(?:-\d+)?\.dgl")
OURS = (".lock", "site.toml")
PULL_AGAIN = "pull again while the board still has it; keep this file, what is whole in it is read"
LEFT_BY_A_CUT = "left by a pull that was cut: pull again, it goes on there and clears it away"


@dataclass(frozen=True, slots=True)
class Finding:
    """`damage`: bytes of a night are at stake. `todo`: what a person does about it."""

    file: str
    what: str
    todo: str
    damage: bool = True


@dataclass
class Verdict:
    """files: logs looked at. whole: those without damage. boards: id -> (segments, bytes) that stand whole here."""

    files: int = 0
    whole: int = 0
    boards: dict[str, tuple[int, int]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    @property
    def damaged(self) -> bool:
        """Whether any finding is damage."""
        return any(finding.damage for finding in self.findings)


def verify(folder: Path, site_fault: Callable[[Path], str | None]) -> Verdict:
    """Look through the folder; `site_fault(path)` says what is wrong with a site file, or None.

    Raises UsageError when the folder cannot be listed.
    """
    try:
        paths = sorted(folder.iterdir())
    except OSError as error:
        raise UsageError(f"{folder}: cannot be read ({error.strerror}): name the logbook's folder") from error
    verdict = Verdict()
    verdict.findings += _same_but_for_case(paths)
    logs: list[LogFile] = []
    for path in paths:
        if path.name.endswith(".dgl") and not path.name.startswith("."):
            verdict.files += 1
            log, found = _log(path)
            logs += [log] if log else []
            verdict.findings += found
        else:
            verdict.findings += _other(path, site_fault)
    verdict.findings += _together(logs, verdict)
    spoiled = {finding.file for finding in verdict.findings if finding.damage}
    verdict.whole = sum(1 for path in paths if path.suffix == ".dgl" and path.name not in spoiled)
    return verdict


def _log(path: Path) -> tuple[LogFile | None, list[Finding]]:
    if not path.is_file():
        what = "leads to nothing" if path.is_symlink() else "is a folder or a device, no log"
        return None, [Finding(path.name, what, "take it away; bring the file back from a copy if there was one")]
    try:
        log = read_log_file(path)
    except UsageError as error:
        return None, [Finding(path.name, str(error), "check the access rights and the disk")]
    found = [Finding(path.name, row["what"], PULL_AGAIN) for row in log.problems]
    if log.header is None and not log.problems:
        found.append(Finding(path.name, "has no header, so nothing proves its bytes", PULL_AGAIN))
    elif not log.problems:
        found += _unproved(path.name, log) + _damaged_blocks(path.name, log) + _misnamed(path.name, log)
    if path.is_symlink():
        found.append(Finding(path.name, "is a link: the log itself lies elsewhere", "put the file itself here", False))
    return log, found


def _unproved(name: str, log: LogFile) -> list[Finding]:
    if log.header is not None and isinstance(log.header.get("sha256"), str) and board_of(log.header):
        return []
    return [Finding(name, "its header lacks the board or the SHA-256, so nothing proves its bytes", PULL_AGAIN)]


def _damaged_blocks(name: str, log: LogFile) -> list[Finding]:
    """Damage that was on the board already: the file is as it was pulled, and pulling again brings the same."""
    todo = "the board had it so: nothing to fetch again, reports tell the time as blind"
    found = [(p, d) for p in log.pieces for d in scan(p.data).damage]
    return [
        Finding(name, f"segment {p.segment}: {d.size} bytes at {p.offset + d.pos} are no whole block", todo)
        for p, d in found
    ]


def _misnamed(name: str, log: LogFile) -> list[Finding]:
    """A name that says another board or pull than the file itself: it was renamed, and is found under a wrong night."""
    assert log.header is not None
    match = LOG_NAME.fullmatch(name)
    board, pulled = board_of(log.header) or "", log.header.get("pulled_utc_us")
    todo = "give it back its name <night>_<board>_<pulled UTC>.dgl; its bytes are whole"
    try:
        told = datetime.fromtimestamp(pulled // 1_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")  # type: ignore[operator]
        if match and checked_night(match[1]) and match[2].lower() == clean(board).lower() and match[3] == told:
            return []
        what = f"its name does not fit what is in it (board {board}, pulled {told})"
    except (TypeError, ValueError, OverflowError, OSError, UsageError):
        what = f"its name does not fit what is in it (board {board})"
    return [Finding(name, what, todo, False)]


def _other(path: Path, site_fault: Callable[[Path], str | None]) -> list[Finding]:
    """Site files, what cut pulls left, and files that are none of ours."""
    name = path.name
    if name.startswith(".duskgate-") and name.endswith(".tmp"):
        return [Finding(name, "a file half written", LEFT_BY_A_CUT, False)]
    if name.startswith(".") and name.endswith(".part"):
        return [Finding(name, _part_words(path), LEFT_BY_A_CUT, False)]
    if SITE_NAME.fullmatch(name) or name == "site.toml":
        fault = site_fault(path)
        todo = "mend it, or name another with --site; the logs are whole without it"
        return [Finding(name, fault, todo)] if fault else []
    if name in OURS:
        return []
    return [Finding(name, "is no file of a logbook", "nothing: it is left alone", False)]


def _part_words(path: Path) -> str:
    if path.is_symlink() or not path.is_file():
        return "stands where a cut pull keeps its bytes, and is no file of ours"
    whole = sum(len(piece.data) for piece in PartFile(path).whole_pieces())
    return f"{whole} checked bytes of a cut pull"


def _same_but_for_case(paths: list[Path]) -> list[Finding]:
    count = Counter(path.name.casefold() for path in paths)
    todo = "rename one before the folder goes to such a disk"
    what = "another name differs from it in case alone: on many disks they would be one file"
    return [Finding(path.name, what, todo, False) for path in paths if count[path.name.casefold()] > 1]


def _together(logs: list[LogFile], verdict: Verdict) -> list[Finding]:
    """Segments of each board over all its sound files: holes, contradictions; what damaged files would have added."""
    found: list[Finding] = []
    books: dict[str, Holding] = {}
    sound = [log for log in logs if log.header and not log.problems and "sha256" in log.header and board_of(log.header)]
    for log in sorted(sound, key=_order):
        holding = books.setdefault(board_of(log.header) or "", Holding())
        for piece in log.pieces:
            if piece.segment is not None:
                found += _fit(holding, Path(log.name).name, piece.segment, piece.offset, bytes(piece.data))
                holding.take(piece.segment, piece.offset, piece.data)
    for board, holding in books.items():
        held = {number: data for number, data in holding.segments.items() if data}
        verdict.boards[board] = (len(held), sum(map(len, held.values())))
        found += _missing_numbers(board, sorted(held))
    return found


def _fit(holding: Holding, name: str, segment: int, offset: int, data: bytes) -> list[Finding]:
    held = holding.segments.get(segment, bytearray())
    if offset > len(held):
        what = f"segment {segment}: bytes {len(held)} to {offset} are in no whole file"
        return [Finding(name, what, "pull again with --whole while the board still has it; the rest is whole")]
    both = held[offset : offset + len(data)]
    if both == data[: len(both)]:
        return []
    if offset == 0 and held[:HEADER_SIZE] != data[:HEADER_SIZE]:
        return []  # the board's store was emptied, and its numbers began anew
    what = f"segment {segment}: bytes from {offset} on differ from those that an earlier file holds of it"
    return [Finding(name, what, "keep both files; pull again with --whole while the board still has it")]


def _missing_numbers(board: str, numbers: list[int]) -> list[Finding]:
    pairs = [(a + 1, b - 1) for a, b in pairwise(numbers) if b > a + 1]
    gaps = [f"{a}" if a == b else f"{a} to {b}" for a, b in pairs]
    if not gaps:
        return []
    what = f"of board {board} the segments {', '.join(gaps[:10])}{' and more' if len(gaps) > 10 else ''} are not here"
    return [Finding("", what, "right for bench logs and several logbooks; else look in those, or pull again", False)]


def _order(log: LogFile) -> tuple[int, int, str]:
    pulled = (log.header or {}).get("pulled_utc_us")
    return (pulled if isinstance(pulled, int) else 0, len(log.name), log.name)
