"""The steps of the evening in words, each with what can go wrong and hurt beside it."""

from __future__ import annotations

STEPS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "set_up": (
        "set up in daylight",
        "stands, beam, heads, cameras; rain covers and a spare set of cells for each head within reach",
        (
            "What hangs overhead needs a second tether; nobody below while it is worked on.",
            "Lithium cells: protected, fused, in a dry box. Wet gear and mains apart.",
            "Permits, protected animals and plants: local codes and local law decide.",
        ),
    ),
    "test_shots": (
        "test shots",
        "each head alone, then all; compare with the exposure here",
        (
            "Never open a flash: several hundred volts, also when off; isolated sync parts only.",
            "Nobody looks into a head; no test shots once animals are there.",
        ),
    ),
    "aim": (
        "aim the beam",
        "beam ahead of the focus as said here; focus by dim red light",
        ("Do not look into a strong infrared emitter, and do not aim it at eyes.",),
    ),
    "check": ("check", "duskgate check: ready, or what to mend first", ()),
    "start": (
        "start",
        "shutters open; duskgate watch --red for the night; cover all at the first drops",
        ("Animals come first: dim red light, quiet, stop when they stay away.",),
    ),
    "best_from": ("best window", "guests in place, nobody walks", ()),
    "lull": (
        "expected lull",
        "change cells, wipe lenses, look for dew",
        ("Wait until a head is dark and cool; keep cells dry and out of reach of metal.",),
    ),
    "cells": (
        "fresh cells",
        "a head may be slow from now on: change its set",
        ("Wait until the head is dark and cool.",),
    ),
    "end": ("end", "shutters closed; duskgate pull, then duskgate night", ()),
    "pack": (
        "pack up",
        "heads off and cool, count the parts, leave the plants as they were",
        ("Tired people fall: light on, ladders last. Wet gear dries in the open, cells apart.",),
    ),
}


def worded(rows: list[dict]) -> list[dict]:
    """Rows of the timetable with title, what to do and cautions."""
    out = []
    for row in rows:
        title, what, cautions = STEPS[row["step"]]
        out.append(row | {"title": title, "what": what, "cautions": list(cautions)})
    return out
