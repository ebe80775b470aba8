"""Every table of a night as CSV or Parquet: columns, order and types of `fields.TABLES`, times as integers.

A file appears whole or not at all. In CSV files a text cell that begins with = + - @, a tab or a carriage return is
given a leading apostrophe, because spreadsheet programs would run it as a formula; text may come from devices and
notes. `read_table` takes that apostrophe away again. Parquet files hold the text as it is.
"""

from __future__ import annotations

import contextlib
import csv
import os
from pathlib import Path

import pandas as pd

from . import fields
from .errors import UsageError

FORMATS = ("csv", "parquet")
RISKY = ("=", "+", "-", "@", "\t", "\r")


def write_tables(tables: dict[str, pd.DataFrame], folder: Path, form: str = "csv", force: bool = False) -> list[Path]:
    """Write each table of `fields.TABLES` that is there as `<name>.<form>` into the folder; return the paths.

    Raises UsageError when the form is unknown or, without `force`, when any of the files exists; then none is written.
    """
    contents = table_bytes(tables, form)
    named = {name: Path(folder) / f"{name}.{form}" for name in fields.TABLES if name in tables}
    if not force:
        refuse_existing(named.values())
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: cannot be made ({error.strerror}): name another folder") from error
    for name, path in named.items():
        write_whole(path, contents[name], force)
    return list(named.values())


def table_bytes(tables: dict[str, pd.DataFrame], form: str) -> dict[str, bytes]:
    """Name -> content of the file of each table of `fields.TABLES` that is there. UsageError: unknown form."""
    if form not in FORMATS:
        raise UsageError(f"{form}: unknown form of a table: use {' or '.join(FORMATS)}")
    return {name: _content(shaped(name, tables[name]), form) for name in fields.TABLES if name in tables}


def shaped(name: str, table: pd.DataFrame) -> pd.DataFrame:
    """The table with the columns and order of `fields.TABLES[name]`, category columns as plain text."""
    out = {}
    for column, dtype in fields.TABLES[name].items():
        values = table[column]
        out[column] = values.astype(object).where(values.notna(), "") if dtype in ("category", "object") else values
    return pd.DataFrame(out)


def read_table(path: Path) -> pd.DataFrame:
    """A table written by `write_tables`, with the types of `fields.TABLES` for the file's name."""
    path = Path(path)
    shape = fields.TABLES[path.stem]
    if path.suffix == ".parquet":
        table = pd.read_parquet(path)
    else:
        text = {c: str for c, d in shape.items() if d in ("category", "object")}
        table = pd.read_csv(
            path, dtype=text, keep_default_na=False, na_values={c: [""] for c in shape if c not in text}
        )
        for column in text:
            table[column] = table[column].map(_restored)
    return table.astype(shape)


def neutral(text: object) -> object:
    """Text that no spreadsheet takes for a formula; text that already begins with an apostrophe gets another."""
    said = str(text)
    return f"'{said}" if said.startswith((*RISKY, "'")) else text


def _restored(text: str) -> str:
    return text[1:] if text.startswith("'") else text


def _content(table: pd.DataFrame, form: str) -> bytes:
    if form == "parquet":
        # a text column without any row is text too, or files of several nights would differ in their types
        return table.astype(dict.fromkeys(table.select_dtypes("object"), "string")).to_parquet(index=False)
    for column in table.select_dtypes("object"):
        table[column] = table[column].map({text: neutral(text) for text in table[column].unique()})
    return csv_bytes(table)


def csv_bytes(table: pd.DataFrame) -> bytes:
    """The table as CSV. Where a text holds a carriage return every text is quoted: bare, many readers take it for the
    end of a row, and what follows for a cell of its own, past its apostrophe."""
    texts = table.select_dtypes(["object", "string"])
    bare = any("\r" in str(text) for column in texts for text in texts[column].unique())
    quoting = csv.QUOTE_NONNUMERIC if bare else csv.QUOTE_MINIMAL
    return table.to_csv(index=False, lineterminator="\n", quoting=quoting).encode("utf-8")


def refuse_existing(paths) -> None:
    """UsageError when any of the paths exists: nothing is overwritten unasked."""
    there = [str(p) for p in paths if p.exists() or p.is_symlink()]
    if there:
        more = f" and {len(there) - 1} more" if len(there) > 1 else ""
        raise UsageError(f"{there[0]}{more}: exists already: name another place, or add --force to replace it")


def write_whole(path: Path, content: bytes, force: bool = False) -> None:
    """Write under a temporary name beside the target, then rename. Raises UsageError; leaves no half file behind."""
    if not force:
        refuse_existing([path])
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        try:
            with open(temporary, "xb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            if not force:
                refuse_existing([path])  # somebody may have made it meanwhile
            os.replace(temporary, path)
        except BaseException:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise UsageError(
            f"{path}: cannot be written ({error.strerror}): check the folder, its rights and room"
        ) from error
