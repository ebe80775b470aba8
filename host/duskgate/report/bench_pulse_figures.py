"""What each figure of the bench's light pulses says: title with its finding, text alternative, note and table."""

from __future__ import annotations

from typing import Any

from ..plan.power_table import fraction_words
from . import words

MARKS = (("t0.5", "t05_us", "rise50", "fall50"), ("t0.1", "t01_us", "rise10", "fall10"))


def figure_facts(facts: dict) -> dict[str, dict]:
    """Figures by id: for each power the heads' pulses laid over each other, and their energy against the gap."""
    out: dict[str, dict] = {}
    for k, power in enumerate(dict.fromkeys(step["power"] for step in facts["steps"])):
        steps = [(n, step) for n, step in enumerate(facts["steps"]) if step["power"] == power]
        drawn = [(n, step) for n, step in steps if step["typical"]]
        if drawn:
            out[f"pulses_{k}"] = _pulses(power, drawn)
        charged = [(n, step) for n, step in steps if step["charge"] and step["charge"]["gap_s"]]
        if charged:
            out[f"charge_{k}"] = _charge(power, charged)
    return out


def _at(power: float) -> str:
    said = fraction_words(power)
    return "full power" if said == "full" else said


def _pulses(power: float, steps: list[tuple[int, dict]]) -> dict:
    each = [f"{s['head']} {words.number(s['t01_us']['value'])} µs" for _, s in steps]
    title = f"Pulses at {_at(power)}: t0.1 {words.listed(each)}"
    rows = [
        [s["head"], name, *(words.number(s["typical"]["marks_us"][key], 1) for key in (rise, fall)),
         words.estimate_text(s[figure], "µs")]
        for _, s in steps for name, figure, rise, fall in MARKS
    ]  # fmt: skip
    note = (
        "One pulse of each head, that with the middle t0.1, as a share of its own peak. Marks: where it crosses a half "
        "and a tenth. Told apart by line, mark and colour."
    )
    table = {"caption": f"Pulses at {_at(power)}", "rows": rows,
             "columns": ["head", "what", "from, µs (the pulse drawn)", "to, µs", "all pulses"]}  # fmt: skip
    return _figure("pulses", title, f"Light against time, a line for each head. {title}.", note, table, steps)


def _charge(power: float, steps: list[tuple[int, dict]]) -> dict:
    each = [f"{s['head']} {_ready(s['charge'])}" for _, s in steps]
    title = f"Energy against the gap at {_at(power)}: {'; '.join(each)}"
    rows = [
        [s["head"], f"{one['gap_s']:g}", words.estimate_text(one["energy"], "codes x µs")]
        for _, s in steps for one in s["charge"]["by_gap"]
    ]  # fmt: skip
    note = "A mark for each pulse; line: the law of charging that fits better, where the gaps tell it."
    table = {"caption": f"Energy by gap at {_at(power)}", "columns": ["head", "gap, s", "energy, mean"], "rows": rows}
    return _figure("charge", title, f"Energy of pulses against the gap. {title}.", note, table, steps)


def _ready(charge: dict) -> str:
    ready = charge["ready_s"]
    if ready["value"] is None:
        return "not known"
    return f"{words.number(100 * charge['level'])} % after {words.number(ready['value'], 2)} s"


def _figure(draw: str, title: str, alt: str, note: str, table: dict, steps: list[tuple[int, dict]]) -> dict[str, Any]:
    return {"draw": draw, "title": title, "alt": alt, "note": note, "table": table, "steps": [n for n, _ in steps]}
