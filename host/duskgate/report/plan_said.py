"""What the plan's page says: answer, timetable, numbers with their basis, cautions. It has to fit on one sheet."""

from __future__ import annotations

from . import methods, plan_figures, plan_further, plan_words, words
from .season_said import made_by

READING = "Brackets: 95 % interval and n, or the range of published tables. Other numbers say what they rest on."
SKY = "published tables of the sky's light; Explanatory Supplement to the Astronomical Almanac, 1992 (from memory)"
METHODS = (
    ("dark window", "light of sun, moon and stars against the exposure of the flash", SKY),
    ("exposure", "guide number, inverse square, ISO 2720 calibration", "ISO 1230:1992; ISO 2720:1974"),
    ("visits", "mean rate over nights at the same hours; log-t interval from three nights on",
     "own calibration on invented nights; Garwood 1936 without any visit"),
    ("keepers", "all opening moments of the earlier nights with exactly one firing, of a visit",
     "exact sums over the log"),
    ("beam", "speed x delay; thin lens", "Ray 2002, Applied Photographic Optics, 3rd ed."),
)  # fmt: skip


def with_page(facts: dict) -> dict:
    """The facts with what terminal and page say in words."""
    zone = facts["zone"]
    local = words.LocalTime(zone["zone"], facts["night"]["start_utc_us"], facts["night"]["end_utc_us"])
    page = {
        "page_title": f"Plan for {facts['night']['date']}", "answer": answer(facts),
        "strip": plan_figures.strip(facts, local),
        "tables": tables(facts), "reading": READING, "cautions": [dict(c) for c in methods.CAUTIONS],
        "partial": [f"{n}: damaged; its numbers rest on what could be read" for n in facts["history"]["damaged"]],
        "methods": [{"what": a, "how": b, "source": c} for a, b, c in METHODS], "made_by": made_by(facts),
        "remarks": facts["history"]["remarks"], "summary": plan_words.lines(facts), "figures": {},
        "history_text": plan_words.history_text(facts["history"]),
        "zone_text": f"All times are local ({zone['label']}).",
    }  # fmt: skip
    return facts | page


def answer(facts: dict) -> list[str]:
    """Three sentences at most: when, what to expect, what is in doubt."""
    if facts["status"] == "no darkness":
        return ["It does not get dark enough at any time of this night.", f"{_dark(facts)}."]
    if facts["status"] == "no time":
        return ["When to go is not known: the site file gives no place, and no earlier night says when visitors come."]
    session = facts["session"]
    out = [f"Stay from {session['text']}, and be there to set up by {facts['timetable'][0]['at']}."]
    best, numbers = facts["best_window"], facts["numbers"]
    if best:
        out.append(f"Best window: {best['text']}.")
    if "visits" in numbers:
        out.append(f"Expect {numbers['visits']['text']}.")
    elif not facts["history"]["n_nights"]:
        out.append("No earlier night is known: when and how many visitors come cannot be told.")
    return out


def _dark(facts: dict) -> str:
    text = plan_words.dark_text(facts)
    return text[:1].upper() + text[1:]


def tables(facts: dict) -> dict:
    """Timetable, numbers and what was assumed or is missing, as tables of text."""
    steps = [[f"{r['at']}{' to ' + r['until'] if r['until'] else ''}", r["title"], r["what"], " ".join(r["cautions"])]
             for r in facts["timetable"]]  # fmt: skip
    rows = [[n["label"], n["text"], n["basis"] if n["basis"] != "unknown" else "not known"]
            for n in facts["numbers"].values()]  # fmt: skip
    said = [[name, text] for name, text in plan_words.rows(facts) if text and name in SAID]
    guessed = [[f"assumed: {a['what']}", f"{a['text']} ({a['reason']})"] for a in facts["assumed"]]
    uses: dict[str, list[str]] = {}
    for m in facts["missing"]:
        uses.setdefault(m["for"], []).append(m["key"])
    guessed += [[f"fill in, for {use}", f"{', '.join(keys)} in site.toml"] for use, keys in uses.items()]
    return {
        "steps": {"caption": "Timetable", "columns": ["time", "step", "what", "take care"], "rows": steps},
        "numbers": {"caption": "Numbers", "columns": ["number", "value", "basis"], "rows": rows},
        "said": {"caption": "In words", "columns": ["", ""], "rows": said},
        "guessed": {"caption": "Assumed or missing", "columns": ["what", "why"], "rows": guessed},
        **plan_further.further(facts),
    }  # fmt: skip


SAID = ("Dark", "Light", "Moon", "Setting", "Flash", "Beam", "Shutter", "Keepers", "Firings", "Cells")
