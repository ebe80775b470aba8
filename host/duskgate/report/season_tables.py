"""The season's tables as CSV: nights, the rate by hour after sunset and by the clock, and every hour of every night."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from ..errors import UsageError
from ..tables import csv_bytes, neutral, refuse_existing, write_whole

COLUMNS = {
    "season_nights": (
        "night", "site", "n", "live_s", "session_s", "rate_per_h", "lo", "hi", "pause_s", "pause_source",
        "sunset_utc_us", "moon_lit", "flags", "partial",
    ),
    "season_rate_by_sunset": ("start_s", "end_s", "exposure_s", "n", "n_nights", "rate_per_h", "lo", "hi"),
    "season_rate_by_clock": ("start_s", "end_s", "exposure_s", "n", "n_nights", "rate_per_h", "lo", "hi"),
    "season_night_hours": ("night", "start_s", "end_s", "exposure_s", "n", "rate_per_h", "lo", "hi"),
}  # fmt: skip
TEXT = {"night", "site", "pause_source", "flags", "partial"}


def season_tables(facts: dict) -> dict[str, pd.DataFrame]:
    """Tables by name from the facts; empty cells where there is no interval, or no rate."""
    rows = {
        "season_nights": [_night(r) for r in facts["nights"]],
        "season_rate_by_sunset": [_rate(r) for r in facts["hours"]["sunset"]],
        "season_rate_by_clock": [_rate(r) for r in facts["hours"]["clock"]],
        "season_night_hours": _cells(facts["map"]),
    }
    return {name: pd.DataFrame(rows[name], columns=list(columns)) for name, columns in COLUMNS.items()}


def _rate(row: dict) -> dict:
    e = row["rate_per_h"]
    value = e["value"] if e.get("value") is not None else e.get("seen")
    return {**row, "rate_per_h": value, "lo": e.get("lo"), "hi": e.get("hi")}


def _cells(found: dict) -> list[dict]:
    """A row for each hour of each night, counted from what the season's hours count from."""
    ends = list(zip(found["edges_s"], found["edges_s"][1:], strict=False))
    return [
        {"night": row["night"], "start_s": a, "end_s": b}
        | {key: row[key][k] for key in ("exposure_s", "n", "rate_per_h", "lo", "hi")}
        for row in found["nights"] for k, (a, b) in enumerate(ends)
    ]  # fmt: skip


def _night(row: dict) -> dict:
    said = {"flags": "; ".join(row["flags"]), "partial": " ".join(row["partial"])}
    sunset = pd.NA if row["sunset_utc_us"] is None else row["sunset_utc_us"]
    return {**_rate(row), **said, "sunset_utc_us": sunset}


def refuse(folder: Path) -> None:
    """UsageError where any of the files exists."""
    refuse_existing([Path(folder) / f"{name}.csv" for name in COLUMNS])


def write(facts: dict, folder: Path, force: bool = False) -> list[Path]:
    """Write every table into the folder, which is made where it is not there; return the paths."""
    folder = Path(folder)
    if not force:
        refuse(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: cannot be made ({error.strerror}): name another folder") from error
    paths = []
    for name, table in season_tables(facts).items():
        for column in TEXT & set(table.columns):
            table[column] = table[column].map(neutral)
        paths.append(folder / f"{name}.csv")
        write_whole(paths[-1], csv_bytes(table), force)
    return paths
