"""Where the animal is when the light comes, drawn to scale: the places and sizes of a small picture, all in mm.

The animal flies to the right. Its foremost point breaks the beam at 0 and is at the focus when the last head lights.
"""

from __future__ import annotations

import math

from . import words
from .delay_words import depth_text

# a hawk-moth from the side, foremost point at 0, tail at -1, its own length as the unit, y down; drawn for this page
OUTLINE = (
    "M0,0C-.02,-.06 -.08,-.1 -.15,-.085C-.22,-.15 -.36,-.175 -.46,-.125C-.66,-.125 -.86,-.06 -1,.035"
    "C-.86,.1 -.63,.14 -.46,.115C-.34,.135 -.21,.115 -.14,.075C-.08,.08 -.03,.05 0,0Z"
)
WINGS = (
    "M-.19,-.12C-.26,-.4 -.42,-.72 -.8,-.95C-.83,-.97 -.86,-.93 -.83,-.88C-.78,-.62 -.68,-.34 -.5,-.12Z",
    "M-.44,-.12C-.56,-.24 -.7,-.35 -.84,-.39C-.9,-.36 -.82,-.2 -.57,-.11Z",
)
LINES = (  # antenna, coiled tongue, eye, bands of the body, veins of the wing
    "M-.07,-.09Q-.1,-.22 -.02,-.31M-.02,.03c.01,.05 -.03,.07 -.045,.05c-.01,-.02 .01,-.035 .02,-.02"
    "M-.075,-.035a.018,.018 0 1,0 .036,0a.018,.018 0 1,0 -.036,0"
    "M-.56,-.12Q-.53,0 -.56,.13M-.68,-.1Q-.65,.01 -.68,.12M-.8,-.06Q-.78,.02 -.8,.09"
    "M-.25,-.15Q-.48,-.56 -.8,-.9M-.38,-.14Q-.62,-.5 -.79,-.78"
)
WING_TOP, BELOW = 0.95, 0.16  # heights above and below the line of flight, in body lengths
ROW, TEXT = 7.5, 3.0  # hundredths of the picture's width: height of a row of words and its bar, size of letters


def scene_facts(space: dict) -> dict | None:
    """The picture's measures and words; None where nothing is known that it could show."""
    led, field, body = space["lead"], _depth(space["depth"]), space["animal"]["body_length_mm"]
    way = led["way_mm"].get("value") if led else None
    if way is None:
        return None
    spread, late = led["spread"], led["late_mm"]
    ends = [0.0, way, *([spread["from_mm"], spread["to_mm"]] if spread["width_mm"] is not None else [])]
    ends += [late] if late is not None else []
    ends += [way + d for d in field] if field else []
    ends += [-float(body), 0.25 * body] if body else []
    lo, hi = min(ends), max(ends)
    pad = 0.06 * max(hi - lo, 1.0)
    left, width = lo - pad, hi - lo + 2 * pad
    out = {
        "way_mm": way, "body_mm": body, "left_mm": left, "width_mm": width, "letters_mm": TEXT * width / 100,
        "scale_mm": scale_length(width / 4), "outline": OUTLINE, "wings": list(WINGS), "lines": LINES,
        "top_mm": -(WING_TOP * body if body else 0.04 * width) - 0.06 * width, "rows": _rows(space, field, width, body),
    }  # fmt: skip
    out["base_mm"] = out["rows"][-1]["y_mm"] + 0.01 * width if out["rows"] else 0.04 * width
    out["height_mm"] = out["base_mm"] + 0.09 * width - out["top_mm"]
    return out | _words(space, out)


def _depth(field: dict | None) -> list[float] | None:
    """Near and far limit from the focus, mm; None where unknown or without an end."""
    if not field or field.get("problem") or field["total_mm"] is None:
        return None
    return [field["near_mm"] - field["distance_mm"], field["far_mm"] - field["distance_mm"]]


def scale_length(about: float) -> float:
    """1, 2 or 5 times a power of ten, at most `about`."""
    power = 10.0 ** math.floor(math.log10(about))
    return next(k * power for k in (5, 2, 1) if k * power <= about)


def _rows(space: dict, field: list[float] | None, width: float, body: float | None) -> list[dict]:
    """Bars below the animal, each with its words: depth of field, places at the light, late answers."""
    led, rows = space["lead"], []
    way = led["way_mm"]["value"]
    if field:
        total = words.number(space["depth"]["total_mm"], 1)
        rows.append({"what": "depth", "from_mm": way + field[0], "to_mm": way + field[1],
                     "text": f"depth of field {total} mm, along the lens's axis"})  # fmt: skip
    spread = led["spread"]
    if spread["width_mm"] is not None:
        d = words.decimals_for(spread["to_mm"], spread["width_mm"] / 2)
        a, b = (words.number(spread[k], d) for k in ("from_mm", "to_mm"))
        text = f"at the light, {words.number(100 * spread['share'])} % of firings: {a} to {b} mm"
        rows.append({"what": "places", "from_mm": spread["from_mm"], "to_mm": spread["to_mm"], "text": text})
    if led["late_mm"] is not None:
        rows.append({"what": "late", "from_mm": led["late_mm"], "to_mm": led["late_mm"],
                     "text": f"at late answers: near {words.number(led['late_mm'], 1)} mm"})  # fmt: skip
    first = (BELOW * body if body else 0.0) + 0.03 * width
    return [row | {"y_mm": first + (k + 1) * ROW * width / 100} for k, row in enumerate(rows)]


def _words(space: dict, scene: dict) -> dict:
    """Title, alternative text, note and table of the picture."""
    led, animal, field = space["lead"], space["animal"], space["depth"]
    way, body = words.estimate_text(led["way_mm"], "mm"), animal["body_length_mm"]
    title = f"At the light the {animal['label']} is {way} past the beam"
    rows = [["way from the beam to the light", way, f"at {space['speed_m_s']:g} m/s, {space['speed_source']}"]]
    if body:
        share = 100 * led["way_mm"]["value"] / body
        title += f", {words.number(share, 1 if share < 10 else 0)} % of its length"
        rows.append(["length of the animal", f"{body:g} mm", "site file"])
    rows += [[row["what"], row["text"], ""] for row in scene["rows"] if row["what"] != "depth"]
    if field:
        rows.append(["depth of field", depth_text(field), "site file's camera"])
    names = {"places": "places at the light", "late": "late answers"}
    rows = [[names.get(r[0], r[0]), *r[1:]] for r in rows]
    note = (
        f"Drawn to scale; the bar is {scale_text(scene['scale_mm'])} long. Flight goes to the right. Dashed outline: "
        "the animal as it breaks the beam; filled: as the last head lights, its foremost point in the focus."
    )
    if body is None:
        note += " No animal is drawn: animal.body_length_mm is not in the site file."
    if field and field.get("total_mm") is None and not field.get("problem"):
        note += " The depth of field has no far end and is not drawn."
    said = "; ".join(row["text"] for row in scene["rows"])
    return {
        "title": title, "note": note, "scale_text": scale_text(scene["scale_mm"]),
        "alt": f"Side view to scale: beam, focus and animal. {title}. {said}.",
        "table": {"caption": "What is drawn", "columns": ["what", "size", "from"], "rows": rows},
    }  # fmt: skip


def scale_text(length_mm: float) -> str:
    """'10 mm', '0.5 mm'."""
    return f"{length_mm:g} mm"
