"""Writes measured [[power_steps]] into the text of a site file; everything else of it stays, byte for byte."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from duskgate import sitefile
from duskgate.errors import SiteFileError
from duskgate.sitefields import PowerStep, Site

KEYS = ("head", "power", "t05_us", "t01_us", "recycle_s", "fires")
HEADER = re.compile(r'\s*\[\[\s*"?power_steps"?\s*\]\]')
ANY_HEADER = re.compile(r"\s*\[")
STATED = re.compile(r'(\s*"?(\w+)"?\s*=\s*)("[^"]*"|[^#\r]*[^#\s])(.*)', re.DOTALL)
SAME = 1e-6  # powers this close, relatively, are one


def save_steps(path: Path, rows: Sequence[Mapping[str, Any]]) -> bool:
    """Write the rows (keys of KEYS, None: not measured) into the site file; False where it holds them already.

    A row of the same head and power is replaced, key by key: what was not measured now stays. Raises SiteFileError,
    and writes nothing, where the new text could not be read back as meant.
    """
    from duskgate.tables import write_whole

    raw = path.read_bytes()
    text = raw.decode("utf-8-sig")
    mark = raw[: len(raw) - len(text.encode("utf-8"))]  # some editors begin a file with one
    new = with_steps(text, rows, str(path))
    if new == text:
        return False
    write_whole(path.resolve(), mark + new.encode("utf-8"), force=True)  # a link stays a link
    return True


def with_steps(text: str, rows: Sequence[Mapping[str, Any]], name: str = "site.toml") -> str:
    """The file's text with these rows. Raises SiteFileError where it cannot be read back with just that changed."""
    site = sitefile.parse(text, name)
    wanted = list(site.power_steps)
    lines = text.split("\n")
    if len(_headers(lines)) != len(wanted):
        raise SiteFileError(f"{name}: write each row of power_steps as a block [[power_steps]]; nothing was saved.")
    for row in rows:
        values = {key: row[key] for key in KEYS if row.get(key) is not None}
        at = next((i for i, step in enumerate(wanted) if _same(step, row)), None)
        if at is None:
            _append(lines, values)
            wanted.append(PowerStep(**values))
        else:
            measured = {key: value for key, value in values.items() if key not in ("head", "power")}
            _replace(lines, at, measured)
            wanted[at] = replace(wanted[at], **measured)
    new = "\n".join(lines)
    _check(site, sitefile.parse(new, name), wanted, name)
    return new


def _same(step: PowerStep, row: Mapping[str, Any]) -> bool:
    return (
        step.head == row["head"] and step.power is not None and math.isclose(step.power, row["power"], rel_tol=SAME)
    )


def _headers(lines: list[str]) -> list[int]:
    return [k for k, line in enumerate(lines) if HEADER.match(line)]


def _block_end(lines: list[str], header: int) -> int:
    """The line behind the block's last stated key."""
    end = k = header + 1
    while k < len(lines) and not ANY_HEADER.match(lines[k]):
        if STATED.fullmatch(lines[k]) and not lines[k].lstrip().startswith("#"):
            end = k + 1
        k += 1
    return end


def _replace(lines: list[str], at: int, measured: Mapping[str, Any]) -> None:
    """Put the values into the block number `at`; a remark behind a value stays."""
    header = _headers(lines)[at]
    end, left = _block_end(lines, header), dict(measured)
    for k in range(header + 1, end):
        found = STATED.fullmatch(lines[k])
        if found and found[2] in left:
            lines[k] = found[1] + value_text(found[2], left.pop(found[2])) + found[4]
    tail = "\r" if lines[header].endswith("\r") else ""
    lines[end:end] = [f"{key} = {value_text(key, value)}{tail}" for key, value in left.items()]


def _append(lines: list[str], values: Mapping[str, Any]) -> None:
    """A new block behind the last one of its kind, else at the end of the file."""
    headers = _headers(lines)
    tail = "\r" if lines[0].endswith("\r") else ""
    block = [f"[[power_steps]]{tail}", *(f"{key} = {value_text(key, value)}{tail}" for key, value in values.items())]
    if headers:
        end = _block_end(lines, headers[-1])
        lines[end:end] = [tail, *block]
        if end + len(block) + 1 == len(lines):
            lines.append("")  # the file had no line end behind its last key
        return
    if lines[-1]:
        lines[-1] += tail
        lines.append("")
    lines[-1:] = [tail, *block, ""]


def _check(before: Site, after: Site, wanted: list[PowerStep], name: str) -> None:
    """Only the steps changed, and just as meant."""

    def order(step: PowerStep) -> tuple[str, float]:
        return step.head, step.power or 0.0

    others = replace(after, power_steps=before.power_steps, stated=before.stated)
    if others != before or sorted(after.power_steps, key=order) != sorted(wanted, key=order):
        raise SiteFileError(f"{name}: its lines could not be told apart, so nothing was saved; write the rows by hand.")


def value_text(key: str, value: Any) -> str:
    """A value as it stands in the file; a power of one over a whole number as a fraction."""
    if key == "power":
        whole = round(1 / value)
        if whole > 1 and math.isclose(value, 1 / whole, rel_tol=SAME):
            return f'"1/{whole}"'
    return sitefile.toml(value)
