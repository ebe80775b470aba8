"""The plan on one screen of the terminal: at most 24 lines of at most 100 columns."""

from __future__ import annotations

import textwrap

from . import words
from .delay_words import PATHS

WIDTH, ROWS, MARGIN = 100, 24, 9
VERDICTS = {"works": "this way works", "partly": "part of the animals will be sharp",
            "cannot": "this way cannot work at this speed", "unknown": "whether it works is not known"}  # fmt: skip
NO_DARK = "it does not get dark enough at any time of this night: shorten the shutter, close the aperture or wait weeks"


def lines(facts: dict) -> list[str]:
    """Lines for the terminal. What does not fit is left to the page and to --json, and the last line says so."""
    out: list[str] = []
    for name, text in rows(facts):
        if text:
            out += _wrapped(name, text)
    if len(out) > ROWS:
        out = [*out[: ROWS - 1], f"{'More':<{MARGIN}}--page FILE and --json say the rest"]
    return out


def _wrapped(name: str, text: str) -> list[str]:
    text = text.replace("n = ", f"n{words.NBSP}={words.NBSP}")  # a count and its sign stay on one line
    found = textwrap.wrap(text, WIDTH - MARGIN, break_long_words=True) or [""]
    return [f"{name if k == 0 else '':<{MARGIN}}{line}" for k, line in enumerate(found)]


def rows(facts: dict) -> list[tuple[str, str]]:
    """Name and text of each line before it is wrapped, most needed first."""
    return [
        ("Plan", f"{facts['night']['date']}, {facts['site']['name']}: {history_text(facts['history'])}"),
        ("Times", times_text(facts)),
        ("Light" if facts["night"]["active"] == "day" else "Dark", dark_text(facts)),
        ("Moon", moon_text(facts)),
        ("Best", best_text(facts)),
        ("Setting", setting_text(facts)),
        ("Flash", flash_text(facts)),
        ("Beam", beam_text(facts)),
        ("Shutter", shutter_text(facts)),
        ("Keepers", keepers_text(facts)),
        ("Firings", fires_text(facts)),
        ("Cells", cells_text(facts)),
        ("Assumed", assumed_text(facts)),
        ("Fill in", missing_text(facts)),
    ]


def history_text(history: dict) -> str:
    """Which earlier nights the plan rests on."""
    if not history["n_nights"]:
        return "no earlier night; what only nights can tell is named below"
    nights, visits = words.count(history["n_nights"], "earlier night"), words.count(history["n_visits"], "visit")
    thin = ", thin" if history["thin"] else ""
    ago = history["newest_days_ago"]
    return f"{nights}, {visits}{thin}" + (f", the newest {ago} days ago" if ago > 1 else "")


def times_text(facts: dict) -> str:
    """The steps with their times on one line."""
    if facts["status"] == "no darkness":
        return NO_DARK
    if not facts["timetable"]:
        return "not known: the site file gives no place and no earlier night says when"
    short = {"set_up": "set up", "test_shots": "test shots", "best_from": "best from", "pack": ""}
    said = [f"{short.get(r['step'], r['step'])} {r['at']}" for r in facts["timetable"] if short.get(r["step"]) != ""]
    return ", ".join(said)


def dark_text(facts: dict) -> str:
    """From when to when the open shutter stays dark."""
    numbers, dark = facts["numbers"], facts["dark"]
    if not dark:
        return "not known: fill in latitude_deg and longitude_deg"
    if facts["night"]["active"] == "day":
        day = f"{numbers['dark_start']['text']} to {numbers['dark_end']['text']}"
        return f"daylight from {day}; whether the flash outshines it is not judged"
    if "dark_first" in numbers:
        n = numbers["shutter_s"]["value"]
        if dark["start_utc_us"] is None:
            best = dark["best_stops_under"]["value"]
            return f"never for {n:g} s: at best {best:.1f} stops under the flash, wanted {dark['stops_under']:g}"
        return f"for {n:g} s: {numbers['dark_first']['text'].replace(' by published tables, clear sky', '')} until " + (
            f"{numbers['dark_last']['text']}")  # fmt: skip
    if "dark_start" in numbers:
        return f"{numbers['dark_start']['text']} to {numbers['dark_end']['text']} ({numbers['dark_start']['basis']})"
    return "no darkness at all this night"


def moon_text(facts: dict) -> str:
    """The moon's part of the sky's text."""
    text = facts["sky"]["text"]
    return text[text.index("Moon ") + 5 :] if "Moon " in text else ""


def best_text(facts: dict) -> str:
    """The best window, the lull, and how many visits to expect."""
    best, empty, numbers = facts["best_window"], facts["lull"], facts["numbers"]
    out = [best["text"]] if best else []
    out += [f"lull {empty['short']}"] if empty else []
    out += [f"expect {numbers['visits']['text']}"] if "visits" in numbers else []
    return "; ".join(out)


def setting_text(facts: dict) -> str:
    """Shutter, aperture, ISO and power with where each comes from."""
    s = facts["settings"]
    shown = [("shutter_s", "{:g} s"), ("aperture_f", "f/{:g}"), ("iso", "ISO {:g}")]
    out = [f"{form.format(s[k]['value'])} ({s[k]['basis']})" for k, form in shown if s[k]["value"] is not None]
    if s["power"]["value"] is not None:
        out.append(f"heads at {power_text(s['power']['value'])} ({s['power']['basis']})")
    return ", ".join(out)


def power_text(share: float) -> str:
    """1/16 for 0.0625, 'full' for 1."""
    whole = round(1 / share)
    if whole == 1:
        return "full power"
    return f"1/{whole}" if abs(share * whole - 1) < 1e-6 else f"{share:.3g}"


def flash_text(facts: dict) -> str:
    """Exposure by the heads as set, and by how much one dark head takes."""
    n, flash = facts["numbers"], facts["flash"]
    if not flash["known"]:
        return ""
    fix = "" if n["flash_stops"]["text"] == "right" else f"; right at {n['right_aperture']['text']}"
    heads = words.count(flash["n_heads"], "head")
    close = flash["too_close"]
    if close:
        fix += f"; darker than that: {words.listed(close)} so close that the light falls less with distance"
    sharp = f"; blur {n['blur']['text']}" if "blur" in n else ""
    return f"{n['flash_stops']['text']} by {heads} (guide numbers as stated){fix}{sharp}"


def beam_text(facts: dict) -> str:
    """Where the beam belongs, and whether this way works."""
    beam = facts["beam"]
    n = facts["numbers"]
    if beam and "ahead" in n:
        depth = n["depth"]["text"] if "depth" in n else "not known"
        return (f"{_ahead(n['ahead'])} ahead of the focus ({PATHS.get(beam['path'], beam['path'])}); depth needed "
                f"{n['needed']['text']}, there {depth}: {beam['which'] if len(beam['paths']) > 1 else ''}"
                f"{VERDICTS[beam['verdict']] if len(beam['paths']) == 1 else ''}")  # fmt: skip
    return f"delay {n['delay']['text']}, median; where the beam belongs is not known" if "delay" in n else ""


def _ahead(e: dict) -> str:
    """A way in mm with no more than a tenth of it: nobody places a beam finer."""
    d = 0 if e["value"] >= 10 else 1
    said = [words.number(e[k], d) if e[k] is not None else "?" for k in ("value", "lo", "hi")]
    return f"{said[0]} mm ({said[1]} to {said[2]}, n = {words.number(e['n'])})"


def shutter_text(facts: dict) -> str:
    """The best shutter time and how flat it is, against what the sky allows."""
    n, best = facts["numbers"], facts["shutter"]
    if not best:
        return ""
    few = ", few firings" if best["few"] else ""
    sky = f"; the darkest hour allows {n['longest_dark']['text']}" if "longest_dark" in n else ""
    return f"{n['best_shutter']['text']} kept most{few}{sky}"


def keepers_text(facts: dict) -> str:
    """Frames with exactly one firing of a visit, an hour and for each guest."""
    n = facts["numbers"]
    if facts["keepers"]["frames_per_h"] is None:
        return ""
    guests = n["guests"]["value"]
    each = n.get("keepers_per_guest")
    share = ""
    if each and each["value"] is not None:
        share = f"; each of {words.count(guests, 'guest')}: {each['text']}"
    elif each and each.get("seen") is not None:
        share = f"; each of {words.count(guests, 'guest')}: {words.number(each['seen'])} by that"
    frames = f"of {words.number(facts['keepers']['frames_per_h'])} frames"
    return f"{n['keepers_per_h']['text']} {frames} with exactly one firing{share}"


def fires_text(facts: dict) -> str:
    """Firings an hour against the limit, and how long the rig has to rest for it."""
    fires = facts["budget"]["fires"]
    per_h, limit = fires["wanted_per_h"], fires["limit_per_h"]
    if per_h.get("value") is None:
        return ""
    said = f"{words.estimate_text(per_h, 'an hour')} without a limit"
    if limit is None:
        return f"{said}; no limit is set"
    if fires["over"]:
        return (f"{said}; to keep to {limit:g} let the rig rest {60 * (1 - fires['armed_share']):.0f} min of each "
                f"hour{_busiest(fires, limit)}")  # fmt: skip
    return f"{said}, within the limit of {limit:g}{_busiest(fires, limit)}"


def _busiest(fires: dict, limit: float) -> str:
    n = fires["busiest_n"]
    return f"; the busiest hour seen had {words.number(n)}" if n is not None and n > limit else ""


def cells_text(facts: dict) -> str:
    """Sets of cells for the heads, and the logger's own."""
    budget = facts["budget"]
    sets = {c["head"]: c["sets"] for c in budget["cells"]}
    known = {h: n for h, n in sets.items() if n is not None}
    unknown = [h for h, n in sets.items() if n is None]
    out = []
    if known and not unknown and len(set(known.values())) == 1:
        out.append(f"{words.count(next(iter(known.values())), 'set')} for each of {words.count(len(known), 'head')}")
    elif known:
        out.append(", ".join(f"{h} {words.count(n, 'set')}" for h, n in known.items()))
    if unknown:
        out.append(f"{words.listed(unknown)}: not known how long a set lasts, bring a spare each")
    return "; ".join([*out, _logger(budget["logger"], facts["numbers"]["logger_hours"])])


def _logger(logger: dict, hours: dict) -> str:
    enough = {"yes": "enough", "no": "not surely enough", "unknown": "not known whether enough"}[logger["enough"]]
    return f"logger {hours['text']}, {enough}" if logger["hours_left"] else f"logger {enough}: begin with full cells"


def assumed_text(facts: dict) -> str:
    """What was assumed, in short."""
    short = [f"{a['what'].lower()} {a['text']}" if a["what"] not in ("sky", "time for each step") else "" for a in
             facts["assumed"]]  # fmt: skip
    short += ["clear sky"] if any(a["what"] == "sky" for a in facts["assumed"]) else []
    short += ["time for each step"] if facts["allowances"] else []
    return "; ".join(s for s in short if s)


def missing_text(facts: dict) -> str:
    """Keys that are asked for."""
    keys = list(dict.fromkeys(m["key"] for m in facts["missing"]))
    return f"{', '.join(keys)} in site.toml" if keys else ""
