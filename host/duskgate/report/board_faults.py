"""Faults that the board wrote into its log, as facts: which, how often, when first and last."""

from __future__ import annotations

from typing import Any

from .. import faults
from . import words

NUMBER_BITS = 0xFFFF
DETAIL_SHIFT = 16


def noted(rec: Any, clock: Any, window: tuple[int, int] | None) -> list[dict]:
    """Rows {number, detail, utc_us} in order of the log; utc_us None where the start has no time of day.

    window: only those in it (UTC us, end excluded); those without a time are then left out.
    """
    rows = rec.reading("fault")
    times = clock.utc_us(rows["boot"].to_numpy(), rows["t_ns"].to_numpy()) if len(rows) else []
    out = []
    for boot, value, at in zip(rows["boot"].tolist(), rows["value"].tolist(), times, strict=True):
        known = clock.state[int(boot)] != "unknown"
        if window is not None and not (known and window[0] <= at < window[1]):
            continue
        utc = int(at) if known else None
        out.append({"number": value & NUMBER_BITS, "detail": value >> DETAIL_SHIFT & 0xFFFFFFFF, "utc_us": utc})
    return out


def fault_facts(rows: list[dict], local: words.LocalTime) -> list[dict]:
    """One row for each fault and detail, in order of first appearance."""
    groups: dict[tuple[int, int], list[dict]] = {}
    for row in rows:
        groups.setdefault((row["number"], row["detail"]), []).append(row)
    out = []
    for (number, detail), same in groups.items():
        said = faults.words(number, detail)
        times = [row["utc_us"] for row in same if row["utc_us"] is not None]
        out.append(
            {
                "number": number,
                "detail": detail,
                "input": number in faults.OF_INPUTS,
                "n": len(same),
                "first_utc_us": min(times) if times else None,
                "last_utc_us": max(times) if times else None,
                "time": _span(times, local),
                "text": said.text,
                "todo": said.todo,
            }
        )
    return out


def _span(times: list[int], local: words.LocalTime) -> str:
    if not times:
        return "time of day unknown"
    first, last = local.clock(min(times)), local.clock(max(times))
    return first if first == last else f"{first} to {last}"


def faults_table(found: list[dict]) -> dict:
    """The same as a table of text."""
    return {
        "caption": "Faults that the board noted; each is told again after an hour",
        "columns": ["fault", "noted", "local time", "what to do"],
        "rows": [[f["text"], words.count(f["n"], "time"), f["time"], f["todo"]] for f in found],
    }
