"""What the season's page says around its figures: the answer, the questions, and the tables of text."""

from __future__ import annotations

from typing import Any

from . import delay_words, methods, season_figures, words
from .season_words import (
    FEW_NIGHTS,
    METHODS,
    best_texts,
    centre_text,
    compare_texts,
    moon_texts,
    of_days,
    rate,
    spread_text,
    trend_text,
)  # fmt: skip

READING = "Numbers in brackets are 95 % intervals; n is the number of nights, or what is named there."
LIMITS = (
    "What other seasons, other years or other plants in flower would bring cannot be told from these nights.",
    "An hour that few nights have seen may look better or worse than it is.",
    "Moon, weather and the time in the season come together: a ratio of nights is no proof of a cause.",
    "Weather is not measured: it is known only from notes.",
    "The hours of the best window are chosen by these very nights, so its rate reads a little high.",
)


def with_page(facts: dict, last: Any) -> dict:
    """The facts with what the page says in words: title, answer, figures, sections, tables. `last`: last night used."""
    figures = season_figures.figure_facts(facts)
    page = {
        "page_title": _title(facts), "figures": figures, "answer": answer(facts, last),
        "sections": sections(facts, figures, last), "limits": list(LIMITS),
    }  # fmt: skip
    page = _days(page, facts)
    return facts | page | {
        "reading": READING, "methods_table": methods_table(METHODS), "cautions": [dict(c) for c in methods.CAUTIONS],
        "made_by": made_by(facts), "files_text": _files(facts),
    }  # fmt: skip


def methods_table(rows: tuple[dict, ...]) -> dict:
    """Methods and sources as a table of text."""
    return {"caption": "Methods and sources", "columns": ["number", "method", "source"],
            "rows": [[m["what"], m["how"], m["source"]] for m in rows]}  # fmt: skip


def made_by(facts: dict) -> str:
    """Versions that the page rests on."""
    v = facts["versions"]
    return f"Duskgate {v['duskgate']}, facts version {facts['facts_version']}, tables version {v['tables']}."


def _files(facts: dict) -> str:
    files = [f for r in facts["nights"] for f in r["files"]]
    return f"Read: {words.count(len(dict.fromkeys(files)), 'log')} in {facts['log']['path']}."


def _days(thing: Any, facts: dict) -> Any:
    """The same with days for nights where only days were watched."""
    if isinstance(thing, str):
        return of_days([thing], facts)[0]
    if isinstance(thing, dict):
        return {key: _days(value, facts) for key, value in thing.items()}
    if isinstance(thing, list):
        return [_days(value, facts) for value in thing]
    return thing


def _title(facts: dict) -> str:
    rows = facts["nights"]
    if not rows:
        return "Season without a night"
    span = rows[0]["night"] if len(rows) == 1 else f"{rows[0]['night']} to {rows[-1]['night']}"
    return f"Season {span}"


def answer(facts: dict, last: Any) -> list[str]:
    """The first sentences: the best window, how sure it is, and what it rests on."""
    total = facts["totals"]
    if facts["status"] == "nothing":
        return ["No night of this logbook has a time of day and any time of sight: nothing can be said of its hours."]
    seen = f"{words.hours(total['live_s'])} of sight on {words.count(total['n_nights'], 'night')}"
    if facts["status"] == "empty":
        return [f"Nobody came: no visit in {seen}."]
    texts = best_texts(facts, last)
    lead = "Most visits so far came" if facts["status"] == "few" else "The best hours are"
    came = f"{words.count(total['n'], 'visit').capitalize()} in {seen}: {rate(total['rate_per_h'])}."
    if "start_s" not in facts["best_window"]:
        return [f"{texts[0][:1].upper()}{texts[0][1:]}.", came]
    first = f"{lead} {texts[0]}."
    if facts["status"] == "few":
        few = words.count(total["n_nights"], "night").capitalize()
        return [first.replace("; ", ". It is only a first hint: ", 1),
                f"{few} cannot rank hours: {FEW_NIGHTS} are the least, ten say much more.", came]  # fmt: skip
    return [first, f"{texts[1][:1].upper()}{texts[1][1:]}; {texts[-1]}.", came]


def sections(facts: dict, figures: dict, last: Any) -> list[dict]:
    """The page in the order of questions: sentences, tables and figures of each."""
    made = [
        _section("when", "Which hours are best?", _when(facts, last), ["season_map", "season_hours"]),
        _section("nights", "How do nights differ?", _nights(facts), ["season_nights"]),
        _section("sky", "Moon and weather?", _sky(facts), [], [_notes_table(facts)] if _notes(facts) else []),
        _section("rig", "Did the rig change?", _rig(facts, figures), ["season_delay", "season_recycle"]),
    ]
    if facts["compare"]:
        made.append(_section("rigs", "Which of the two had more?", compare_texts(facts), ["season_compare"]))
    made.append(_section("sound", "What is missing?", _sound(facts), []))
    for one in made:
        one["figures"] = [name for name in one["figures"] if name in figures]
    return made


def _section(name: str, question: str, says: list[str], figures: list[str], tables: list[dict] | None = None) -> dict:
    return {"id": name, "question": question, "says": [s for s in says if s], "figures": figures,
            "tables": tables or []}  # fmt: skip


def _when(facts: dict, last: Any) -> list[str]:
    if facts["status"] in ("nothing", "empty"):
        return []
    return [*best_texts(facts, last)[1:], f"Visits centre at {centre_text(facts['centre'])}"
            if facts["centre"].get("mean_h") is not None else str(facts["centre"]["text"])]  # fmt: skip


def _nights(facts: dict) -> list[str]:
    if facts["status"] == "nothing":
        return []
    spread = spread_text(facts["spread"], facts["nights"])
    return [f"Rates of nights go {spread}" if spread.startswith("from") else spread,
            f"Over the weeks: {trend_text(facts['trend'])}"]  # fmt: skip


def _sky(facts: dict) -> list[str]:
    said = moon_texts(facts) if facts["status"] != "nothing" else []
    if not _notes(facts):
        said.append("No note was taken on these nights. Weather is known only where `duskgate note` says it, "
                    "for example `duskgate note rain since ten`")  # fmt: skip
    return said


def _notes(facts: dict) -> list[dict]:
    return [note for row in facts["nights"] for note in row["notes"]]


def _notes_table(facts: dict) -> dict:
    """Notes of all nights beside the rate of their night: weather, flowers, what was moved."""
    rows = [
        [r["night"], n["time"], n["said"], words.estimate_text(r["rate_per_h"], "per h")]
        for r in facts["nights"] for n in r["notes"]
    ]  # fmt: skip
    return {"caption": "Notes, with the rate of their night (n is visits)",
            "columns": ["night", "time", "note", "visits per hour"], "rows": rows}  # fmt: skip


def _rig(facts: dict, figures: dict) -> list[str]:
    out = []
    for path, heads in facts["drift"]["latency_us"].items():
        out += [f"Delay, {delay_words.PATHS.get(path, path)}, {words.head_name(h)}: {_move(e, 'µs a week')}"
                for h, e in heads.items()]  # fmt: skip
    out += [f"Recycle time, {words.head_name(h)}: {_move(e, 's a week')}"
            for h, e in facts["drift"]["recycle_s"].items()]  # fmt: skip
    if "season_delay" not in figures:
        out.append("No light could be matched with breaks, so the delay is not known: wire a light sensor to FLASH1")
    return out


def _move(e: dict, unit: str) -> str:
    if not words.finite(e.get("value")):
        return str(e["text"]).replace("n =", "nights =")
    told = "" if e["lo"] > 0 or e["hi"] < 0 else ": no change can be told"
    return f"{season_figures.weekly_text(e, unit)}{told}"


def _sound(facts: dict) -> list[str]:
    above = ["Nights of which only a part could be read stand at the top of this page"] if facts["partial"] else []
    return [*above, *facts["remarks"]] or ["Nothing: every log was read whole, and no night stands out"]
