"""Facts of one night: everything that the page and the terminal say, as one JSON-able dict.

`FACTS_VERSION` counts the versions of this interface: a new key keeps it, a renamed or removed one raises it.
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from .. import __version__
from ..analysis.settings import settings_of
from . import answer, board_faults, figures, methods, pulse_said, setting, shares, soundness, tonight, words
from .heads import own_names, renamed
from .numbers import all_numbers, heads_tables, plain

FACTS_VERSION = 1
READING = "Numbers in brackets are 95 % intervals, or the range named there; n is the number of cases."

QUESTIONS = (
    ("worth", "Was it worth it?", ("visits", "pause", "caught", "uncaught", "rate", "best_rate"), ()),
    ("when", "When do they come?", (), ("visits", "rate")),
    ("rig", "What did the rig do?", ("skew", "chain", "fires", "interference", "frames"), ("delay",)),
    ("light", "How long is the light? Light pulses", ("pulses",), ("pulse",)),
    ("missed", "What was missed, and why?", ("misses", "miss_share"), ("misses", "false")),
    ("change", "What must I change tonight?", ("logger", "supply"), ("supply",)),
    ("sound", "Is the log sound?", (), ("blind",)),
)


def read_night(rec: Any, clock: Any, site: Any, *, sky: dict | None, log: dict, window_utc_us=None):
    """Analyse a recording and state its facts: (facts, tables). `night_facts` says what the arguments hold."""
    from ..analysis.night import analyse

    night = analyse(rec, clock, site, window_utc_us, hours_utc_us=setting.active_hours(site, sky))
    if len(rec.pulses):
        from ..analysis.pulse import sensor_of
        from ..analysis.pulse_night import night_pulses

        pulses, found = night_pulses(rec, clock, night.tables["fires"], window_utc_us, sensor_of(site))
        night.tables["pulses"], night.estimates["pulse"] = pulses, found
    return night_facts(night, site, sky, log), night.tables


def night_facts(night: Any, site: Any, sky: dict | None, log: dict) -> dict:
    """Facts of an analysed night.

    night: has `tables` (fields.TABLES) and `estimates`. site: the site file's object, or None. sky: sun and moon of
    the night (`setting.sky_facts` lists the keys), or None. log: `files`, `date`, `other_nights`, `problems`
    (table of fields.RECORDING), `faults` (rows of `board_faults.noted`), `site_file`,
    `form` ("log", "edges.csv" or "vcd"), `interpreter_versions` (boot -> version), `left_out` and
    `remarks` (sentences).
    """
    tables, est = night.tables, plain(night.estimates)
    start, end = setting.night_span(tables)
    place = setting.site_facts(site)
    est = renamed(est, own_names(place))
    local = words.LocalTime(place["zone"], start, end)
    boots = soundness.boot_facts(tables["boots"], local, log.get("interpreter_versions") or {})
    gaps = soundness.gap_facts(tables["gaps"], local)
    problems = soundness.problem_facts(log["problems"])
    facts: dict = {
        "facts_version": FACTS_VERSION,
        "known_from_utc_us": words.KNOWN_FROM_US,
        "status": answer.status(est),
        "versions": methods.versions(boots, __version__),
        "site": place,
        "local": local.facts(),
        "beam_source": setting.beam_source_facts(place, site),
        "night": {
            "date": log.get("date", ""),
            "start_utc_us": start,
            "end_utc_us": end,
            "span": local.span(start, end) if start else "time of day unknown",
            "other_nights": list(log.get("other_nights", [])),
        },
        "sky": setting.sky_facts(sky, local),
        "exposure": setting.exposure_facts(est),
        "estimates": est,
        "numbers": all_numbers(est, shares.caught_counts(tables["visits"])) | pulse_said.pulse_numbers(est),
        "watched": _watched(tables["breaks"], est),
        "main_cause": answer.main_cause(est),
        "best_window": setting.best_window_facts(est, local, place["active"]),
        "answered_by_gap": shares.answered_by_gap(tables["breaks"]),
        "kind_reasons": _kind_reasons(tables["breaks"]),
        "notes": setting.note_facts(tables["notes"], local),
    }
    facts["log"] = _log_facts(log, boots, gaps, problems)
    facts["log"]["faults"] = board_faults.fault_facts(log.get("faults") or [], local)
    facts["log"]["faults_table"] = board_faults.faults_table(facts["log"]["faults"])
    facts["partial"] = [*soundness.partial_reasons(problems, boots, gaps), *log.get("left_out", [])]
    facts["remarks"] = list(log.get("remarks", []))
    facts["tonight"] = tonight.advice(
        est, boots if facts["log"]["form"] == "log" else [], problems, facts["numbers"], facts["sky"].get("dark_h"),
        facts["log"]["faults"],
    )  # fmt: skip
    facts["answer"] = answer.sentences(facts, est)
    facts["figures"] = figures.figure_facts(facts, tables, est, local)
    facts["sections"] = _sections(facts, est)
    facts["methods"], facts["limits"] = methods.methods(est), methods.limits(est)
    facts["settings"], facts["cautions"] = (
        setting.settings_facts(settings_of(site)),
        [dict(c) for c in methods.CAUTIONS],
    )
    facts |= _plain_tables(facts) | {"reading": READING, "made_by": _made_by(facts)}
    facts["summary"] = answer.summary_lines(facts)
    return plain(facts)


def summary_lines(facts: dict) -> list[str]:
    """A dozen lines for the terminal."""
    return list(facts["summary"])


def _watched(breaks: pd.DataFrame, est: dict) -> bool:
    """True where a light sensor was wired: some break was watched, or some light was seen."""
    return bool((breaks["outcome"] != "not_watched").any()) or bool((est.get("fires") or {}).get("n"))


def _kind_reasons(breaks: pd.DataFrame) -> dict[str, str]:
    """The commonest reason of each kind of break."""
    own = breaks[breaks["beam"] == "BEAM"]
    if not len(own):
        return {}
    pairs = own.groupby(["kind", "reason"], observed=True).size()
    return {str(kind): str(part.idxmax()[1]) for kind, part in pairs.groupby(level=0, observed=True)}


def _plain_tables(facts: dict) -> dict:
    """Methods and thresholds as tables of text, as the page shows them."""
    methods_rows = [
        [m["what"], m["how"], "" if m["n"] is None else words.number(m["n"]), m["source"]] for m in facts["methods"]
    ]
    settings_rows = [[s["name"], str(s["value"]), s["from"]] for s in facts["settings"]]
    return {
        "methods_table": {
            "caption": "Methods, cases and sources",
            "columns": ["number", "method", "n", "source"],
            "rows": methods_rows,
        },
        "settings_table": {
            "caption": "Thresholds; the unit ends the name",
            "columns": ["threshold", "value", "from"],
            "rows": settings_rows,
        },
    }


def _made_by(facts: dict) -> str:
    site_file = facts["log"]["site_file"]
    return (
        f"Duskgate {facts['versions']['duskgate']}, facts version {FACTS_VERSION}, tables version "
        f"{facts['versions']['tables']}; "
        f"log written by {facts['log']['interpreter_text']}; site file: {site_file or 'none'}."
    )


def _log_facts(log: dict, boots: list[dict], gaps: list[dict], problems: dict) -> dict:
    return {
        "files": [words.clean(f) for f in log.get("files", [])],
        "form": log.get("form", "log"),
        "site_file": log.get("site_file"),
        "boots": boots,
        "boots_table": soundness.boots_table(boots),
        "gaps": gaps,
        "gaps_by_why": soundness.gaps_by_why(gaps),
        "problems": problems,
        "clock_text": soundness.clock_text(boots),
        "interpreter_text": soundness.interpreter_text(boots),
    }


def _sections(facts: dict, est: dict) -> list[dict]:
    """The page in the order of the guide's questions: sentences, keys of numbers, ids of figures."""
    said = {
        "worth": [facts["exposure"]["sentence"]],
        "when": [facts["sky"]["text"], *([facts["best_window"]["note"]] if facts["best_window"] else [])],
        "rig": [facts["beam_source"]["text"], _heads_words(est)],
        "missed": _missed_words(facts, est),
        "change": [] if facts["tonight"] else ["Nothing in the log asks for a change tonight."],
        "sound": [
            f"Clock: {facts['log']['clock_text']}.",
            f"Log: {facts['log']['problems']['text']}.",
            f"Written by {facts['log']['interpreter_text']}.",
            *[f"The board noted: {f['text']} ({f['time']})." for f in facts["log"]["faults"] if f["input"]],
            *facts["partial"],
            *facts["remarks"],
        ],
    }
    if (est.get("pulse") or {}).get("n"):
        said["light"] = pulse_said.pulse_words(est)
    out = []
    for name, question, stems, figure_ids in QUESTIONS:
        if name not in said:
            continue
        keys = [k for k in facts["numbers"] if any(k == s or k.startswith(s + "_") for s in stems)]
        if name == "worth":
            keys = [k for k in keys if k in stems]
        out.append(
            {
                "id": name,
                "question": question,
                "says": [s for s in said[name] if s],
                "numbers": keys,
                "tables": pulse_said.pulse_table(facts["numbers"], est)
                if name == "light"
                else heads_tables(name, facts["numbers"], est),
                "figures": [f for f in figure_ids if f in facts["figures"]],
            }
        )
    return out


def _heads_words(est: dict) -> str:
    """How the heads were told apart by the light sensors."""
    heads = est.get("heads") or {}
    return f"Light sensors: {words.listed(heads['names'])}, {heads.get('how', '')}" if heads.get("names") else ""


def _missed_words(facts: dict, est: dict) -> list[str]:
    said: dict[str, list[str]] = {}
    for head, found in (est.get("recycle") or {}).items():
        said.setdefault(str(found.get("note") or ""), []).append(words.head_name(head))
    notes = [f"Recycle time of {words.listed(heads)}: {note}" for note, heads in said.items() if note]
    causes = {k: v for k, v in ((est.get("misses") or {}).get("by_cause") or {}).items() if v}
    counted = [f"{words.number(v)} {answer.CAUSE_WORDS.get(k, k)}" for k, v in causes.items()]
    return [
        *([f"Missed: {words.listed(counted)}."] if counted else []),
        f"Not by visitors: {answer.false_text(est)}.",
        (est.get("verdict") or {}).get("text", ""),
        *notes,
    ]
