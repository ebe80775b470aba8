"""Text between two marks of a Markdown page: written by commands, so that a table never goes stale by hand."""

from __future__ import annotations

from pathlib import Path


def marks(name: str) -> tuple[str, str]:
    """The two marks of a table, as they stand on lines of their own."""
    return f"<!-- {name} -->", f"<!-- end of {name} -->"


def lines_between(page: Path, name: str) -> list[str]:
    """What stands between the marks now. Raises ValueError where the marks are missing."""
    return _parts(page, name)[1].strip("\n").splitlines()


def write_between(page: Path, name: str, lines: list[str]) -> None:
    """Put `lines` between the marks; the rest of the page stays. Raises ValueError where the marks are missing."""
    before, _, after = _parts(page, name)
    begin, end = marks(name)
    page.write_text(f"{before}{begin}\n" + "\n".join(lines) + f"\n{end}{after}", encoding="utf-8")


def _parts(page: Path, name: str) -> tuple[str, str, str]:
    begin, end = marks(name)
    text = page.read_text(encoding="utf-8")
    if text.count(begin) != 1 or text.count(end) != 1:
        raise ValueError(f"{page}: needs the lines {begin} and {end}, once each")
    before, rest = text.split(begin)
    inside, after = rest.split(end)
    return before, inside, after
