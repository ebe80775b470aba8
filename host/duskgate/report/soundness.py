"""Is the log sound? Damage, blind times, starts of the board and the quality of its clock, as facts."""

from . import words

CLOCK_WORDS = {
    "anchored": "set by the clock chip",
    "neighbours": "placed between its neighbours, less sure",
    "unknown": "time of day unknown",
}
WHY_WORDS = {
    "blocked": "beam blocked",
    "reset": "board restarted",
    "off": "logger off",
    "loss": "stamps lost",
    "store lost": "store full",
    "chatter": "chatter, kept as a summary",
    "bench": "bench shots",
    "near dark": "next to a dark spell",
}
LOSSES = ("loss", "store lost")
ROWS_AT_MOST = 200


def why_words(why: str) -> str:
    """A reason of a gap as the page says it."""
    return WHY_WORDS.get(str(why), str(why).replace("_", " "))


def within(uncertainty_us: float) -> str:
    """'±21 ms', '±0.4 s', '±60 s', '±12 min'."""
    if uncertainty_us < 1e5:
        return f"±{words.number(uncertainty_us / 1e3, 0 if uncertainty_us >= 1e4 else 1)} ms"
    if uncertainty_us < 120e6:
        return f"±{words.number(uncertainty_us / 1e6, 0 if uncertainty_us >= 1e7 else 1)} s"
    return f"±{words.number(uncertainty_us / 60e6)} min"


def gap_facts(gaps, local: words.LocalTime) -> list[dict]:
    """Blind times, in order of time."""
    out = []
    for row in gaps.sort_values("start_utc_us").itertuples(index=False):
        length = max(0.0, (row.end_utc_us - row.start_utc_us) / 1e6)
        out.append(
            {
                "start_utc_us": int(row.start_utc_us),
                "end_utc_us": int(row.end_utc_us),
                "why": str(row.why),
                "why_words": why_words(row.why),
                "detail": words.clean(row.detail),
                "length_s": length,
                "text": f"{local.clock(row.start_utc_us, True)} to "
                f"{local.clock(row.end_utc_us, True)}, {words.hours(length)}: {why_words(row.why)}",
            }
        )
    return out


def gaps_by_why(gaps: list[dict]) -> list[dict]:
    """Blind times of each cause together, in order of first appearance."""
    out = []
    for why in dict.fromkeys(g["why_words"] for g in gaps):
        lengths = [g["length_s"] for g in gaps if g["why_words"] == why]
        text = f"{why}: {words.count(len(lengths), 'time')}, {words.hours(sum(lengths))} in all"
        out.append({"why_words": why, "n": len(lengths), "length_s": sum(lengths), "text": text})
    return out


def boot_facts(boots, local: words.LocalTime, versions: dict[int, str] | None = None) -> list[dict]:
    """Each start of the board with the interpreter that wrote its part of the log and how well its clock is known."""
    out = []
    for row in boots.itertuples(index=False):
        known = str(row.clock) != "unknown"
        uncertainty = float(row.clock_unc_us) if words.finite(float(row.clock_unc_us)) else None
        sure = within(uncertainty) if known and uncertainty is not None else "not known"
        version = (versions or {}).get(int(row.boot), "")
        out.append(
            {
                "boot": int(row.boot),
                "boot_no": int(row.boot_no),
                "cause": str(row.cause),
                "clock": str(row.clock),
                "clock_words": CLOCK_WORDS.get(str(row.clock), str(row.clock)),
                "clock_unc_us": uncertainty,
                "clock_unc_text": sure,
                "start_utc_us": int(row.start_utc_us),
                "end_utc_us": int(row.end_utc_us),
                "span": f"{local.clock(row.start_utc_us)} to {local.clock(row.end_utc_us)}"
                if known
                else "time of day unknown",
                "firmware": words.clean(row.firmware),
                "interpreter": words.clean(f"{row.interpreter} {version}"),
            }
        )
    return out


def boots_table(boots: list[dict]) -> dict:
    """Starts of the board as a table of text."""
    rows = [
        [
            str(b["boot_no"]),
            b["cause"],
            b["span"],
            b["clock_words"],
            b["clock_unc_text"],
            f"{b['firmware']} on {b['interpreter']}",
        ]
        for b in boots
    ]
    return {
        "caption": "Starts of the board",
        "columns": ["start", "cause", "local time", "time of day", "uncertainty", "written by"],
        "rows": rows,
    }


def _name(file: object) -> str:
    """The file without its folders: a page that is handed on need not tell them."""
    return words.clean(str(file).replace("\\", "/").rpartition("/")[2] or file)


def problem_facts(problems) -> dict:
    """Damage found while reading, with offsets. At most 200 rows are listed; `n` counts all of them."""
    rows = [
        {"file": _name(r.file), "offset": int(r.offset), "bytes": int(r.bytes), "what": words.clean(r.what)}
        for r in problems.head(ROWS_AT_MOST).itertuples(index=False)
    ]
    n = len(problems)
    text = "no damage found" if n == 0 else f"{words.count(n, 'damaged place', 'damaged places')} in the log"
    if n > len(rows):
        text += f" (the first {len(rows)} are listed)"
    table = {
        "caption": "Damaged places, with offsets",
        "columns": ["file", "offset", "bytes", "what"],
        "rows": [[r["file"], str(r["offset"]) if r["offset"] >= 0 else "", str(r["bytes"]), r["what"]] for r in rows],
    }
    return {"n": n, "rows": rows, "text": text, "table": table}


def clock_text(boots: list[dict]) -> str:
    """One phrase on the clock of the whole night."""
    if not boots:
        return "no start of the board is in the log"
    unknown = [b for b in boots if b["clock"] == "unknown"]
    if len(unknown) == len(boots):
        return "time of day unknown: intervals hold, hours of the night do not"
    worst = max((b["clock_unc_us"] or 0.0) for b in boots if b["clock"] != "unknown")
    text = f"time of day within {within(worst)}"
    placed = sum(b["clock"] == "neighbours" for b in boots)
    if placed:
        text += f"; {words.count(placed, 'start')} placed by neighbours"
    if unknown:
        text += f"; {words.count(len(unknown), 'start')} without any time of day"
    return text


def partial_reasons(problems: dict, boots: list[dict], gaps: list[dict]) -> list[str]:
    """Why the numbers speak of less than the whole night; empty where they do not."""
    reasons = []
    if problems["n"]:
        reasons.append(
            f"{problems['text'].capitalize()}; what could be read is shown, and the missing parts are blind, not empty."
        )
    unknown = [b for b in boots if b["clock"] == "unknown"]
    if unknown:
        has, its = ("has", "its") if len(unknown) == 1 else ("have", "their")
        reasons.append(
            f"{words.count(len(unknown), 'start').capitalize()} of the board {has} no time of day: {its} breaks and "
            f"{its} time of sight count, but at no hour of the night."
        )
    lost = [g for g in gaps if g["why"] in LOSSES]
    if lost:
        seconds = sum(g["length_s"] for g in lost)
        reasons.append(
            f"Stamps are missing for {words.hours(seconds)} in all; a lost break can leave a light "
            "that seems to have no cause."
        )
    return reasons


def interpreter_text(boots: list[dict]) -> str:
    """Which interpreter and firmware wrote the log, said once for the night."""
    pairs = list(dict.fromkeys((b["firmware"], b["interpreter"]) for b in boots))
    if not pairs:
        return "not known"
    return words.listed([f"firmware {f or 'not known'} on {i or 'an interpreter not named'}" for f, i in pairs])
