"""The plan's page, folded: the test shot by day, which path can work, heat of the heads, and powers as measured."""

from __future__ import annotations

from typing import Any

from ..plan import power_table
from . import words
from .plan_table import measured_powers

UNKNOWN = "not measured"


def powers_of(site: Any) -> list[dict]:
    """The power table of the site file: a row for each head and each power known of any head; empty cells None."""
    return power_table.table(measured_powers(site), [h.name for h in getattr(site, "heads", ()) or ()])


def further(facts: dict) -> dict[str, dict]:
    """Tables {caption, columns, rows} of text: what else was worked out, and the powers."""
    flash, beam = facts["flash"], facts["beam"]
    rows = []
    if flash["known"]:
        rows.append(["test shot by day", test_shot_text(flash["test_shot"])])
        rows += [
            ["one head dark", text] for text in dark_head_texts([c["head"] for c in facts["budget"]["cells"]], flash)
        ]
        rows += [["too close", f"{name}: nearer than the inverse square holds"] for name in flash["too_close"]]
    if beam:
        rows.append(["which path can work", beam["which"]])
        rows += [["path", path["text"]] for path in beam["paths"]]
    if facts["exposure"]:
        rows.append(["one exposure", exposure_text(facts["exposure"])])
    rows += [["heat of the heads", rest["text"]] for rest in facts["budget"]["rest"]]
    return {
        "further": {"caption": "Also worked out", "columns": ["what", "result"], "rows": rows},
        "powers": {
            "caption": "Powers as you measured them ([[power_steps]] in site.toml)",
            "columns": ["head", "power", "t0.5, µs", "t0.1, µs", "recycle time, s", "n firings"],
            "rows": [power_row(row) for row in facts["powers"]],
        },
    }


def test_shot_text(shot: dict | None) -> str:
    """How to check the flash exposure before dark: the night's aperture and ISO at the camera's sync time."""
    if shot is None:
        return "not known: camera.sync_s in site.toml (the shortest time that the camera opens whole for a flash)"
    at = shot["sun_altitude_deg"]
    when = f"the frame shows the flash alone below {words.number(shot['most_lux'])} lux"
    if at["value"] is not None:
        when += f" (clear sky: sun below {at['value']:.1f}°, {at['lo']:.1f} to {at['hi']:.1f}° by published tables)"
    setting = f"f/{shot['aperture_f']:g}, ISO {shot['iso']:g}, 1/{1 / shot['shutter_s']:.0f} s"
    return f"{setting}: the shutter time does not change the flash; {when}"


def exposure_text(caught: dict) -> str:
    """How often one exposure caught no fire, exactly one, or several; beside it what a steady rate would give."""
    n = f"n = {words.count(caught['n'], 'night')}, {words.count(caught['n_fires'], 'fire')}"
    text = f"{caught['open_s']:g} s, opened at any moment of sight: {shares_text(caught)} ({n}; no interval)"
    if caught["steady"]:
        text += f"; a steady rate with {caught['steady']['dead_s']:.2g} s of recycling would give "
        text += shares_text(caught["steady"])
    return text


def shares_text(shares: dict) -> str:
    """'no fire 90.1 %, one 7.2 %, several 2.7 %'."""
    said = (("no fire", "none"), ("one", "one"), ("several", "more"))
    return ", ".join(f"{name} {100 * shares[key]:.1f} %" for name, key in said)


def dark_head_texts(heads: list[str], flash: dict) -> list[str]:
    """What the picture loses where one head does not fire, in stops."""
    told = zip(heads, flash["without"], strict=False)
    return [f"{name}: {words.number(-stops, 1)} stops less" for name, stops in told if stops is not None]


def power_row(row: dict) -> list[str]:
    """One line of the power table as text."""
    cells = [UNKNOWN if row[key] is None else f"{row[key]:g}" for key in ("t05_us", "t01_us", "recycle_s")]
    return [row["head"], power_table.fraction_words(row["power"]), *cells, str(row["fires"] or "not stated")]
