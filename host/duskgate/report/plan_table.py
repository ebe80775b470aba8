"""Every number of the plan by key, what was assumed, and the site file's keys that are still missing."""

from __future__ import annotations

from typing import Any

from ..plan import power_table
from . import words
from .plan_numbers import fixed, measured, scaled

STALE_DAYS = 21  # our own round figure: a flowering border changes within weeks
PLACE = ("latitude_deg", "longitude_deg")
CAMERA = (
    ("shutter_s", "from when on it is dark enough"), ("iso", "from when on it is dark enough"),
    ("aperture_f", "from when on it is dark enough"), ("pause_s", "keepers"), ("focal_length_mm", "depth of field"),
    ("distance_m", "depth of field"), ("pixel_pitch_um", "depth of field"),
)  # fmt: skip
POWERS_FOR = {"t05_us": "freezing and blur", "t01_us": "freezing and blur", "recycle_s": "readiness of the heads"}
ANIMAL = (("speed_m_s", "where the beam belongs, blur"), ("body_length_mm", "whether the depth of field holds it"))


def measured_powers(site: Any) -> tuple[power_table.PowerStep, ...]:
    """The owner's measured rows of flash duration and recycle time; empty where the site file has none."""
    return power_table.steps_of(getattr(site, "power_steps", ()) or ())


def head_powers(site: Any, settings: dict) -> list[tuple[str, float | None]]:
    """Name and power of each head as planned."""
    given = settings["power"]["value"] if settings["power"]["basis"] == "given" else None
    return [(h.name, given if given is not None else h.power) for h in getattr(site, "heads", ()) or ()]


def flash_lasts(site: Any, settings: dict) -> tuple[dict, dict]:
    """Longest t0.5 and t0.1 (us) of the heads at their powers, as `power_table.slowest` gives them."""
    heads, steps = head_powers(site, settings), measured_powers(site)
    return power_table.slowest(steps, heads, "t05_us"), power_table.slowest(steps, heads, "t01_us")


def missing(site: Any, facts: dict) -> list[dict]:
    """Keys to fill in site.toml, each with what it is for; in the order of the file."""
    out = [{"key": key, "for": "sun, moon and timetable"} for key in PLACE if getattr(site, key, None) is None]
    for section, keys in (("animal", ANIMAL), ("camera", CAMERA)):
        for key, use in keys:
            given = facts["settings"].get(key, {}).get("basis") in ("given", "site file")
            if getattr(getattr(site, section, None), key, None) is None and not given:
                out.append({"key": f"{section}.{key}", "for": use})
    out += [{"key": key, "for": "exposure by flash"} for key in facts["flash"]["missing"]]
    if not facts["flash"]["missing"] and getattr(site, "heads", ()):
        lacking = power_table.missing(measured_powers(site), head_powers(site, facts["settings"]))
        columns = list(dict.fromkeys(row["column"] for row in lacking))
        out += [
            {"key": f"power_steps.{column}", "for": POWERS_FOR[column]} for column in columns if column in POWERS_FOR
        ]
    return out


def numbers(facts: dict, local: Any) -> dict[str, dict]:
    """Every number by key; each with interval and n, or its basis and reason."""
    out = dict(facts["settings"])
    out |= _light(facts, local)
    out |= _visits(facts)
    out |= _space(facts)
    out |= _frames(facts)
    return out


def _light(facts: dict, local: Any) -> dict:
    out: dict[str, dict] = {}
    dark, flash = facts["dark"], facts["flash"]
    if dark and dark.get("first"):
        why, base = dark["reason"], "computed"
        for key, label in (("first", "Dark enough from"), ("last", "Dark enough until")):
            e = dark[key]
            row = fixed(label, e["value"], "us UTC", base, why if e["value"] is not None else e["text"], group="light")
            text = _clock(local, e) if e["value"] is not None else e["text"]
            out[f"dark_{key}"] = row | {"text": text, "lo": e["lo"], "hi": e["hi"], "n": 0}
    elif dark and dark["start_utc_us"]:
        for key, label in (("start", "Dark enough from"), ("end", "Dark enough until")):
            at = dark[f"{key}_utc_us"]
            name = label.replace("Dark enough", "Daylight") if facts["night"]["active"] == "day" else label
            out[f"dark_{key}"] = fixed(name, at, "us UTC", dark["basis"], dark["reason"], local.clock(at), "light")
    if facts["longest_dark_s"] is not None:
        longest = min(facts["longest_dark_s"], 3600.0)
        out["longest_dark"] = fixed(
            "Longest shutter in the darkest hour",
            longest,
            "s",
            "computed",
            dark["reason"],
            "an hour and more" if longest == 3600 else words.hours(longest),
            "light",
        )
    if flash["known"]:
        out["flash_stops"] = fixed("Setting against right exposure", flash["stops"]["value"], "stops", "computed",
                                   flash["stated"], stops_text(flash["stops"]["value"]), "light")  # fmt: skip
        out["right_aperture"] = fixed(
            "Right aperture",
            flash["right_aperture_f"]["value"],
            "f-number",
            "computed",
            flash["stated"],
            f"f/{flash['right_aperture_f']['value']:.3g}",
            "light",
        )
    return out


def _clock(local: Any, e: dict) -> str:
    ends = [local.clock(e[k]) if e[k] is not None else "never" for k in ("lo", "hi")]
    return f"{local.clock(e['value'])} ({ends[0]} to {ends[1]} by published tables, clear sky)"


def stops_text(stops: float) -> str:
    """'right', '0.6 stops too bright' or '1.2 stops too dark'."""
    if abs(stops) < 0.15:
        return "right"
    return f"{words.number(abs(stops), 1)} stops too {'bright' if stops > 0 else 'dark'}"


def _visits(facts: dict) -> dict:
    out: dict[str, dict] = {}
    rate, best = facts["visits_per_h"], facts["best_window"]
    if rate and facts["session"]:
        out["visits_per_h"] = measured("Visits per hour in the session", rate, "per h", group="visits")
        whole = scaled(rate, facts["session"]["hours"])
        out["visits"] = measured("Visits in the session", whole, "visits", group="visits")
    if best:
        out["best_rate"] = measured("Visits per hour in the best window", best["rate_per_h"], "per h", group="visits")
    return out


def _space(facts: dict) -> dict:
    out: dict[str, dict] = {}
    beam, blur, field = facts["beam"], facts["blur"], facts["depth"]
    if facts["delay"]:
        out["delay"] = measured("Delay to the first light, median", facts["delay"]["first_us"]["median"], "ms", 1e-3,
                                "space")  # fmt: skip
    if beam and beam["ahead_mm"]:
        out["ahead"] = measured("Beam ahead of the focus", beam["ahead_mm"], "mm", 1, "space",
                                "interval of the delay alone, at the stated speed")  # fmt: skip
        out["needed"] = fixed("Depth that animals take", beam["needed_mm"], "mm", "computed",
                              "slowest and fastest animal at the ends of the delay, and its body", group="space",
                              text=f"{words.number(beam['needed_mm'])} mm")  # fmt: skip
    if field and field.get("total_mm") is not None:
        out["depth"] = fixed("Depth of field", field["total_mm"], "mm", "computed", "thin lens, blur of two pixels",
                             f"{words.number(field['total_mm'], 1)} mm", "space")  # fmt: skip
    if blur and blur["known"]:
        px = f", {words.number(blur['seen_px'], 1)} pixels" if blur["seen_px"] is not None else ""
        out["blur"] = fixed("Blur during the flash", blur["seen_mm"], "mm", "computed", _blur_rests_on(blur),
                            f"{words.number(blur['seen_mm'], 2)} mm{px}", "space")  # fmt: skip
        out["blur"]["n"] = blur["lasts"]["n"]
    if blur and blur["longest_t01_us"]:
        out["longest_flash"] = fixed(
            "Longest flash that stays sharp",
            blur["longest_t01_us"],
            "µs",
            "computed",
            f"two pixels at {blur['speed_m_s']:g} m/s",
            f"{words.number(blur['longest_t01_us'])} µs above a tenth of its peak",
            "space",
        )
    return out


def _blur_rests_on(blur: dict) -> str:
    """Which duration blurs, of which head, and whether it was measured itself."""
    of = f"{words.head_name(blur['lasts']['head'])}, {fires_said(blur['lasts']['n'])}"
    if blur["computed"] == "t01_us":
        return f"stated speed x flash duration t0.1, reckoned from the measured t0.5 ({of})"
    return f"stated speed x measured flash duration t0.1 ({of})"


def _frames(facts: dict) -> dict:
    out: dict[str, dict] = {}
    best, kept, budget = facts["shutter"], facts["keepers"], facts["budget"]
    if best:
        lo, hi = best["flat_s"]
        why = "shutter times that lose less than 5 % of the keepers on these nights"
        out["best_shutter"] = fixed("Shutter with the most keepers", best["open_s"], "s", "measured", why,
                                    f"{best['open_s']:.2g} s ({lo:.2g} to {hi:.2g} lose less than 5 %, "
                                    f"n = {words.count(best['n'], 'night')})", "frames")  # fmt: skip
        out["best_shutter"] |= {"lo": lo, "hi": hi, "n": best["n"]}
    out["keepers_per_h"] = measured("Keepers per hour", kept["per_h"], "per h", group="frames")
    if kept["per_guest"]:
        out["keepers_per_guest"] = measured("Keepers of each guest", kept["per_guest"], "frames", group="frames")
        out["keepers_per_guest"]["seen"] = kept["per_guest"].get("seen")
    out["fires"] = _fires(budget["fires"])
    for cells in budget["cells"]:
        if cells["sets"] is not None:
            said, label = words.count(cells["sets"], "set"), f"{cells['head']}: sets of cells"
            row = fixed(label, cells["sets"], "sets", "computed", cells["text"], said, "budget")
            out[f"sets_{cells['head']}"] = row
    out["logger_hours"] = measured("Logger: hours left", budget["logger"]["hours_left"] or None, "h", group="budget")
    for head, e in facts["ready_s"].items():
        out[f"ready_{head}"] = _ready(words.head_name(head), e)
    return out


def _ready(head: str, e: dict) -> dict:
    """A head's time to be ready: of earlier nights, or as the site file has it for tonight's power."""
    if e.get("stated") is None:
        return measured(f"{head}: ready in 95 % after", e, "s", group="budget")
    said = fires_said(e["n"])
    why = f"measured: recycle_s in [[power_steps]] of site.toml at {power_table.fraction_words(e['stated'])}, {said}"
    row = fixed(f"{head}: ready after", e["value"], "s", "site file", why, f"{e['value']:g} s", "budget")
    return row | {"n": e["n"]}


def fires_said(n: int) -> str:
    """How many firings a row of the site file rests on."""
    return f"n = {words.count(n, 'firing')}" if n else "number of firings not stated"


def _fires(fires: dict) -> dict:
    """Firings of the session; where even a slow night reaches the limit, the limit itself."""
    expected, label = fires["expected_n"], "Firings in the session"
    if expected.get("value") is not None and expected["lo"] == expected["hi"]:
        text = f"{words.number(expected['value'])} firings, the limit of {fires['limit_per_h']:g} an hour"
        return fixed(label, expected["value"], "firings", "computed", fires["text"], text, "budget")
    return measured(label, expected, "firings", group="budget")


def assumed(facts: dict) -> list[dict]:
    """Everything that nobody stated or measured, with the reason: rows {what, text, reason}."""
    rows = [
        {"what": one["label"], "text": one["text"], "reason": one["reason"]}
        for one in facts["numbers"].values() if one["basis"] == "assumed"
    ]  # fmt: skip
    dark = facts["dark"] or {}
    rows += [{"what": "sky", "text": text, "reason": "weather is not known here"} for text in dark.get("assumed", [])]
    if facts["allowances"]:
        minutes = ", ".join(f"{a['step'].replace('_', ' ')} {a['seconds'] / 60:.0f} min" for a in facts["allowances"])
        rows.append({"what": "time for each step", "text": minutes, "reason": facts["allowances"][0]["reason"]})
    n = facts["history"]["n_nights"]
    if n == 0:
        rows.append({"what": "visits", "text": "unknown", "reason": "no earlier night is in a logbook: no best window, "
                     "lull, rate, delay or keepers are known"})  # fmt: skip
    elif n < 3:
        rows.append({"what": "visits", "text": f"tonight is like {words.count(n, 'earlier night')}",
                     "reason": "below three nights nothing is known of how nights differ"})  # fmt: skip
    ago = facts["history"]["newest_days_ago"]
    if ago is not None and ago > STALE_DAYS:
        rows.append({"what": "season", "text": f"as {ago} days ago", "reason": "the newest earlier night is that old; "
                     "other plants flower and other animals fly by now"})  # fmt: skip
    return rows
