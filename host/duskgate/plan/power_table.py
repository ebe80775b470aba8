"""What is known of each head at each power: how long its light lasts and how long it takes to be ready again.

Every figure is the owner's own measurement, from the site file; an unknown one is None and is never filled from others.
t05_us: time for which the light is above half of its peak; t01_us: above a tenth; recycle_s: from light to ready.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

COLUMNS = ("t05_us", "t01_us", "recycle_s")
SAME = 1e-6  # powers this close, relatively, are one
WHY = {
    "t05_us": "freezing cannot be judged",
    "t01_us": "the blur of the light's tail cannot be judged",
    "recycle_s": "how soon the next visit can be lit is not known",
}


@dataclass(frozen=True)
class PowerStep:
    """One measured row. head: its name, "" for every head; power: fraction of full; fires: firings it rests on.

    None: not measured. Raises ValueError where a figure cannot be.
    """

    head: str
    power: float
    t05_us: float | None = None
    t01_us: float | None = None
    recycle_s: float | None = None
    fires: int | None = None

    def __post_init__(self) -> None:
        if not 0 < self.power <= 1:
            raise ValueError("a power fraction lies above 0 and at most at 1")
        if any(v is not None and not (v > 0 and math.isfinite(v)) for v in (self.t05_us, self.t01_us, self.recycle_s)):
            raise ValueError("durations and recycle times must be above 0")
        if self.t05_us is not None and self.t01_us is not None and self.t01_us < self.t05_us:
            raise ValueError("t01_us must not be below t05_us: light is longer above a tenth of its peak")


def steps_of(rows: Iterable[Any]) -> tuple[PowerStep, ...]:
    """Rows of a site file (anything with head, power, t05_us, t01_us, recycle_s, fires), by head and falling power."""
    steps = [PowerStep(r.head, r.power, r.t05_us, r.t01_us, r.recycle_s, r.fires) for r in rows]
    return tuple(sorted(steps, key=lambda s: (s.head, -s.power)))


def step_at(steps: Sequence[PowerStep], head: str, power: float) -> PowerStep:
    """What is known of a head at a power: its own row, filled column by column from the row for every head.

    All None where nothing is known. fires is the smaller of the two where both gave figures.
    """
    own = _row(steps, head, power)
    shared = _row(steps, "", power) if head else None
    if own is None or shared is None:
        found = own or shared
        return PowerStep(head, power) if found is None else PowerStep(head, power, *_cells(found), found.fires)
    cells = [a if a is not None else b for a, b in zip(_cells(own), _cells(shared), strict=True)]
    both = any(a is None and b is not None for a, b in zip(_cells(own), _cells(shared), strict=True))
    fires = [n for n in (own.fires, shared.fires if both else own.fires) if n is not None]
    return PowerStep(head, power, *cells, min(fires) if fires else None)


def missing(steps: Sequence[PowerStep], heads: Sequence[tuple[str, float | None]]) -> list[dict[str, Any]]:
    """What is not known at the power each head is set to, as {"head", "power", "column", "text"}, one per empty cell.

    heads: name and power fraction of each; power None: not stated, which is the one thing missing then.
    """
    out: list[dict[str, Any]] = []
    for head, power in heads:
        if power is None:
            text = f"{head}: power is not stated; write it in [[heads]]"
            out.append({"head": head, "power": None, "column": "power", "text": text})
            continue
        known = step_at(steps, head, power)
        for column in COLUMNS:
            if getattr(known, column) is None:
                text = f"{head} at {fraction_words(power)}: {column} is not measured, so {WHY[column]}"
                out.append({"head": head, "power": power, "column": column, "text": text})
    return out


def slowest(steps: Sequence[PowerStep], heads: Sequence[tuple[str, float | None]], column: str) -> dict[str, Any]:
    """The longest of a column over the heads as set: {"value", "lo", "hi", "n", "head"}; value None if one is unknown.

    A rig waits for its slowest head, and the longest light blurs most. n: firings behind that row, 0 where not stated.
    """
    if column not in COLUMNS:
        raise ValueError(f"the columns are {', '.join(COLUMNS)}")
    found = [(getattr(step_at(steps, h, p), column), h, step_at(steps, h, p).fires) for h, p in heads if p is not None]
    if len(found) < len(heads) or not found or any(value is None for value, _, _ in found):
        return {"value": None, "lo": None, "hi": None, "n": 0, "head": None}
    value, head, fires = max(found, key=lambda one: one[0])
    return {"value": value, "lo": None, "hi": None, "n": fires or 0, "head": head}


def table(steps: Sequence[PowerStep], heads: Sequence[str]) -> list[dict[str, Any]]:
    """A row for each head and each power that is known of any head, falling power; empty cells are None."""
    powers: list[float] = []
    for step in sorted(steps, key=lambda s: -s.power):
        if not any(_same(step.power, p) for p in powers):
            powers.append(step.power)
    rows = (step_at(steps, head, power) for head in heads for power in powers)
    return [{"head": r.head, "power": r.power, "t05_us": r.t05_us, "t01_us": r.t01_us, "recycle_s": r.recycle_s,
             "fires": r.fires} for r in rows]  # fmt: skip


def fraction_words(power: float) -> str:
    """A power as it stands on a head: 1/16 where it is one over a whole number, else with three digits."""
    whole = round(1 / power)
    return "full" if whole == 1 and _same(power, 1) else f"1/{whole}" if _same(power, 1 / whole) else f"{power:.3g}"


def _cells(step: PowerStep) -> tuple[float | None, ...]:
    return step.t05_us, step.t01_us, step.recycle_s


def _row(steps: Sequence[PowerStep], head: str, power: float) -> PowerStep | None:
    return next((s for s in steps if s.head == head and _same(s.power, power)), None)


def _same(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=SAME)
