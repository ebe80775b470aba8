"""Reads captures of other instruments: `edges.csv` with `readings.csv` beside it. (VCD: see vcd.py.)

edges.csv has the header `boot,t_us,channel,level`, readings.csv `boot,t_us,kind,value`. t_us counts from the start of
its boot and may have decimals; level 1 means beam broken, contact closed, light seen; channels go by their names.
Rows of a boot are in time order, boots in order.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd

from duskgate.errors import UsageError
from duskgate.fields import BOOT_CAUSES, CHANNELS, READING_KINDS
from duskgate.logfile import spells
from duskgate.logfile.recording import Recording, coded, table

EDGE_HEADER = ("boot", "t_us", "channel", "level")
READING_HEADER = ("boot", "t_us", "kind", "value")
CAPTURE_KINDS = ("boot_cause", "battery_mv", "temp_c100", "lost_edges", "levels", "rtc_unix_ms", "host_unix_ms")
SIGNALS = CHANNELS[:7]
LONGEST_LINE = 4096
LARGEST = float(1 << 53)  # whole numbers are exact up to here
LATEST_US = 2.0**52 / 1000  # some 52 days: later times would not be exact to the ns


def read_edges_csv(path: str | Path, readings: str | Path | None = None) -> Recording:
    """An edge capture as a Recording.

    readings: the readings file; without it the file of the same name with "readings" for "edges", where there is one.
    Raises UsageError naming file, line and column of the first thing that is wrong.
    """
    path = Path(path)
    rows = _read(path, EDGE_HEADER)
    names = _codes(path, rows, "channel", SIGNALS)
    level = _whole(path, rows, "level", 0, 1)
    boot, t_ns = _times(path, rows)
    beside = Path(readings) if readings is not None else path.with_name(path.name.replace("edges", "readings"))
    found = readings is not None or (beside != path and beside.exists())
    extra = _readings(beside) if found else None
    numbers = np.unique(np.concatenate([boot, extra[0]]) if extra else boot)
    edges = table("edges", boot=np.searchsorted(numbers, boot), t_ns=t_ns, channel=names, level=level)
    source = [str(path), str(beside)] if extra else [str(path)]
    return finish(edges, _reading_table(numbers, extra), numbers, source)


def finish(edges: pd.DataFrame, readings: pd.DataFrame, numbers: np.ndarray, source: list[str]) -> Recording:
    """The recording of a capture: its boots span from their first row to their last."""
    boots = _boots(edges, readings, numbers)
    blind = spells.from_counts(readings, boots["first_ns"].to_numpy(), table("blind"), running_on=True)
    return Recording(edges=edges, readings=readings, boots=boots, blind=blind, source=source)


def _read(path: Path, header: tuple[str, ...]) -> pd.DataFrame:
    """The file's cells, still unchecked; row i of the result is line i + 2 of the file."""
    _check_header(path, header)
    commas = _check_lines(path, len(header) - 1)
    numeric = {name: "float64" for name in header if name in ("boot", "t_us", "level", "value")}
    how = {"skip_blank_lines": False, "index_col": False, "encoding": "utf-8-sig", "quoting": csv.QUOTE_NONE}
    try:
        try:
            rows = pd.read_csv(path, dtype={**numeric, header[2]: "str"}, **how)
        except (ValueError, OverflowError):  # a whole number of hundreds of digits is beyond a double
            rows = _locate(path, header, how)
    except pd.errors.ParserError as error:
        raise UsageError(f"{path}: {_parser_words(str(error))}") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: this is not UTF-8 text (byte {error.start}). Save it as plain CSV.") from error
    blank = rows.isna().all(axis=1)
    if blank.any():
        rows = rows[~blank]
    for name in header:
        holes = rows.index[rows[name].isna()]
        if len(holes):
            raise _fault(path, holes[0], name, "is empty or not a number")
    if commas != (len(header) - 1) * (len(rows) + 1):  # blank lines, or cells that the parser left out
        _look_for_cells(path, len(header) - 1)
    return rows


def _check_header(path: Path, header: tuple[str, ...]) -> None:
    try:
        with path.open("rb") as file:
            first = file.readline(4096)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}). Check the name and the access rights.") from error
    found = first.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace").rstrip("\r\n")
    if [cell.strip() for cell in found.split(",")] != list(header):
        raise UsageError(f"{path}, line 1: the header is {found[:60]!r}, it must be {','.join(header)!r}.")
    if found != ",".join(header):
        raise UsageError(f"{path}, line 1: take the blanks out of the header: {','.join(header)!r}.")


def _check_lines(path: Path, commas: int) -> int:
    """How many commas there are. No line may be so long that the table of its cells would fill the memory (such a line
    spans a whole piece), or have cells that the parser would leave out in silence."""
    line, found = 1, 0
    with path.open("rb") as file:
        while piece := file.read(LONGEST_LINE):
            breaks = piece.count(b"\n")
            if len(piece) == LONGEST_LINE and not breaks:
                raise UsageError(f"{path}, line {line}: the line is too long for a table of edges or readings.")
            line += breaks
            found += piece.count(b",")
    if found not in (commas * line, commas * (line - 1)):  # with and without a last line feed
        _look_for_cells(path, commas)
    return found


def _locate(path: Path, header: tuple[str, ...], how: dict) -> pd.DataFrame:
    """Read again as text, to name the line of the cell that is not a number."""
    rows = pd.read_csv(path, dtype="str", **how)
    for name in header:
        if name in ("channel", "kind"):
            continue
        wrong = rows.index[pd.to_numeric(rows[name], errors="coerce").isna() & rows[name].notna()]
        if len(wrong):
            raise _fault(path, wrong[0], name, f"is {rows[name][wrong[0]][:40]!r}, not a number")
    raise UsageError(f"{path}: this is not a table with the columns {','.join(header)}.")


def _look_for_cells(path: Path, commas: int) -> None:
    with path.open("rb") as file:
        for number, text in enumerate(file, 1):
            if text.count(b",") > commas:
                raise UsageError(f"{path}, line {number}: there are more than the {commas + 1} cells of the header.")


def _parser_words(text: str) -> str:
    """The parser's own message, which names the line, in one line."""
    return text.replace("Error tokenizing data. C error: ", "").strip().replace("\n", " ")


def _fault(path: Path, row: int, column: str, what: str) -> UsageError:
    return UsageError(f"{path}, line {row + 2}, column {column}: {what}.")


def _whole(path: Path, rows: pd.DataFrame, name: str, low: float, high: float) -> np.ndarray:
    value = rows[name].to_numpy()
    wrong = ~((value >= low) & (value <= high) & (value == np.floor(value)))
    if wrong.any():
        at = int(np.argmax(wrong))
        what = f"is {value[at]:g}, it must be a whole number from {low:.0f} to {high:.0f}"
        raise _fault(path, rows.index[at], name, what)
    return value.astype(np.int64)


def _codes(path: Path, rows: pd.DataFrame, name: str, words: tuple[str, ...]) -> np.ndarray:
    found, seen = pd.factorize(rows[name])
    codes = np.append(pd.Index(words).get_indexer(pd.Index(seen)), -1)[found]
    wrong = np.flatnonzero(codes < 0)
    if len(wrong):
        word = rows[name].iloc[wrong[0]]
        raise _fault(path, rows.index[wrong[0]], name, f"is {word[:40]!r}, known are {', '.join(words)}")
    return codes.astype(np.int8)


def _times(path: Path, rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Boot numbers as written, and ns; both checked for order."""
    boot = _whole(path, rows, "boot", 0, 2**31 - 1)
    t_us = rows["t_us"].to_numpy()
    wrong = ~((t_us >= 0) & (t_us <= LATEST_US))
    if wrong.any():
        at = int(np.argmax(wrong))
        raise _fault(path, rows.index[at], "t_us", f"is {t_us[at]:g}, it must lie from 0 to {LATEST_US:.0f}")
    t_ns = np.rint(t_us * 1000).astype(np.int64)
    step = np.diff(boot)
    if (step < 0).any():
        at = int(np.argmax(step < 0)) + 1
        raise _fault(
            path, rows.index[at], "boot", f"goes back from {boot[at - 1]} to {boot[at]}; boots must be in order"
        )
    back = (step == 0) & (np.diff(t_ns) < 0)
    if back.any():
        at = int(np.argmax(back)) + 1
        raise _fault(path, rows.index[at], "t_us", "goes back within a boot; rows must be in time order")
    return boot, t_ns


def _readings(path: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rows = _read(path, READING_HEADER)
    kinds = _codes(path, rows, "kind", CAPTURE_KINDS)
    value = rows["value"].to_numpy()
    wrong = ~(np.abs(value) < LARGEST)
    if wrong.any():
        raise _fault(path, rows.index[int(np.argmax(wrong))], "value", "is not a usable number")
    boot, t_ns = _times(path, rows)
    return boot, t_ns, kinds, np.rint(value).astype(np.int64)


def _reading_table(numbers: np.ndarray, extra: tuple[np.ndarray, ...] | None) -> pd.DataFrame:
    if extra is None:
        return table("readings")
    boot, t_ns, kinds, value = extra
    codes = np.array([READING_KINDS.index(kind) for kind in CAPTURE_KINDS], dtype=np.int8)[kinds]
    kind = coded("readings", "kind", codes)
    boot = np.searchsorted(numbers, boot)
    return table("readings", boot=boot, t_ns=t_ns, kind=kind, value=value, index=np.zeros(len(boot), np.int8))


def _boots(edges: pd.DataFrame, readings: pd.DataFrame, numbers: np.ndarray) -> pd.DataFrame:
    n = len(numbers)
    first, last = np.full(n, np.iinfo(np.int64).max), np.zeros(n, np.int64)
    for rows in (edges, readings):
        np.minimum.at(first, rows["boot"].to_numpy(), rows["t_ns"].to_numpy())
        np.maximum.at(last, rows["boot"].to_numpy(), rows["t_ns"].to_numpy())
    cause, levels = np.zeros(n, np.int64), np.full(n, -1, np.int64)
    for kind, column in (("boot_cause", cause), ("levels", levels)):
        rows = readings[readings["kind"] == kind].iloc[::-1]  # backwards, so that the first one stays
        column[rows["boot"].to_numpy()] = rows["value"].to_numpy()
    zeros, empty = np.zeros(n, np.int64), [""] * n
    return table(
        "boots", boot=np.arange(n), boot_id=zeros, boot_no=numbers, first_ns=first, last_ns=last, stopped=zeros,
        levels=np.where(levels < 0, -1, levels & 0x7F), tick_fs=zeros,
        cause=[BOOT_CAUSES.get(c, "unknown") for c in cause.tolist()], firmware=empty, interpreter=empty,
        interpreter_version=empty, low_mask=zeros, channel_mask=zeros - 1, board=empty,
    )  # fmt: skip
