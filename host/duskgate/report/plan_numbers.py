"""Numbers of a plan: measured with interval and n, or stated, computed or assumed with the reason."""

from __future__ import annotations

from typing import Any

from . import words
from .numbers import labelled

BASES = ("measured", "site file", "given", "computed", "assumed", "unknown")


def measured(
    label: str, estimate: dict | None, unit: str, scale: float = 1.0, group: str = "", reason: str = ""
) -> dict:
    """A number with its interval and n; where the data were too few, its text says so and its basis is "unknown"."""
    out = labelled(label, estimate, unit, scale, group)
    known = out["value"] is not None
    return out | {"basis": "measured" if known else "unknown", "reason": reason or ("" if known else out["text"])}


def fixed(
    label: str, value: float | None, unit: str, basis: str, reason: str, text: str | None = None, group: str = ""
) -> dict:
    """A number without an interval of its own, with where it comes from. value None: not known, reason says why."""
    if basis not in BASES:
        raise ValueError(f"basis must be one of {', '.join(BASES)}")
    said = text if text is not None else (reason if value is None else f"{value:g} {unit}".strip())
    return {"group": group, "label": label, "unit": unit, "text": said, "value": value, "lo": None, "hi": None,
            "n": None, "level": None, "basis": basis if value is not None else "unknown", "reason": reason}  # fmt: skip


def chosen(label: str, unit: str, group: str, key: str, given: Any, stated: Any) -> dict:
    """A setting: as given on the command line, else as the site file states it, else unknown with its key."""
    if given is not None:
        return fixed(label, given, unit, "given", "given on the command line", group=group)
    if stated is not None:
        return fixed(label, stated, unit, "site file", f"{key} in site.toml", group=group)
    return fixed(label, None, unit, "unknown", f"fill in {key} in site.toml", group=group)


def scaled(estimate: dict, factor: float) -> dict:
    """An estimate times an exact factor; what is lacking stays lacking."""
    return {k: v * factor if k in ("value", "lo", "hi") and words.finite(v) else v for k, v in estimate.items()}
