"""The night in three sentences, and in a dozen lines for the terminal."""

from .. import fields
from . import words

FALSE_WORDS = {
    "insect": "by insects",
    "rain": "by rain",
    "leaf": "by a swaying leaf",
    "blocked": "by a blocked beam",
    "glitch": "electrical",
}
FALSE_KINDS = tuple(k for k in fields.BREAK_KINDS if k != "visit")


def status(est: dict) -> str:
    """'nothing' (no sight at all), 'empty' (sound, nobody came) or 'visited'."""
    if not (est.get("exposure") or {}).get("live_s"):
        return "nothing"
    return "visited" if (est.get("visits") or {}).get("n", 0) else "empty"


def sentences(facts: dict, est: dict) -> list[str]:
    """Exactly three: what came, what the flashes did, what to change."""
    return [_came(facts, est), _flashes(facts, est), _change(facts)]


def _came(facts: dict, est: dict) -> str:
    sight = words.hours((est.get("exposure") or {}).get("live_s", 0.0))
    if facts["status"] == "nothing":
        return "The log holds no time in which the beam could be watched, so it cannot tell whether anything came."
    if facts["status"] == "empty":
        rate = facts["numbers"].get("rate", {})
        bound = f" (at most {words.number(rate['hi'], 1)} per h, 95 %)" if words.finite(rate.get("hi")) else ""
        return f"Nobody came in {sight} of sight{bound}: a watched night without visits, not a failed one."
    n = est["visits"]["n"]
    lo, hi = facts["numbers"]["visits"]["lo"], facts["numbers"]["visits"]["hi"]
    spread = f" ({words.number(lo)} to {words.number(hi)} with another pause between visits)" if lo != hi else ""
    best = facts.get("best_window")
    when = f", most per hour from {best['span']}" if best and best["span"] else ""
    return f"{words.count(n, 'visit').capitalize()}{spread} came in {sight} of sight{when}."


def _flashes(facts: dict, est: dict) -> str:
    misses = est.get("misses") or {}
    if not facts["watched"]:
        return "No light sensor was wired, so the log cannot say what the flashes did."
    of, n = misses.get("watched_breaks", 0), misses.get("n", 0)
    if not of:
        lights = (est.get("fires") or {}).get("interference", 0)
        tail = f"; {words.count(lights, 'light')} came without a break" if lights else ""
        return f"The flashes had no break by a visitor to answer{tail}."
    caught, cause = facts["numbers"].get("caught"), facts["main_cause"]
    because = f", mostly {cause}" if cause and n else ""
    breaks = f"{words.number(n)} of {words.count(of, 'break')} {'was' if n == 1 else 'were'} missed in part or whole"
    breaks = f"{breaks}{because}" if n else f"none of {words.count(of, 'break')} by a visitor was missed"
    if not caught:
        return f"{breaks}."
    return f"All heads lit at least once at {words.count(caught['count'], 'visit')}, {caught['text']}; {breaks}."


def _change(facts: dict) -> str:
    if facts["status"] == "nothing":
        return "Before the next night, check that the board logs and its beam is clear."
    partial = " The numbers are partial, see the end." if facts["partial"] else ""
    if not facts["tonight"]:
        return "Nothing in the log asks for a change tonight" + (
            ", but the numbers are partial: see the end." if partial else ", and it is sound."
        )
    first, more = facts["tonight"][0]["what"].rstrip("."), len(facts["tonight"]) - 1
    also = f" (and {words.count(more, 'more thing', 'more things')} below)" if more else ""
    lower = first[0].lower() if first[1:2].islower() else first[0]
    return f"Tonight: {lower}{first[1:]}{also}{'; the numbers are partial' if partial else ''}."


def _rate_without_hours(facts: dict) -> str:
    """The rate of the session, where no hour of the night can be named."""
    rate = facts["numbers"].get("rate")
    unknown = facts["local"].get("since_start") and rate and words.finite(rate["value"])
    return f"; {rate['text']} of sight, time of day unknown" if unknown else ""


CAUSE_WORDS = {
    "recycling": "while the heads recycled",
    "battery": "because cells sagged",
    "radio": "because the command did not arrive",
    "camera": "while the camera was busy",
    "unknown": "for reasons not known",
}


def main_cause(est: dict) -> str | None:
    """The commonest cause in words, where it makes up more than half of at least three misses."""
    causes = (est.get("misses") or {}).get("by_cause") or {}
    total = sum(causes.values())
    if total < 3:
        return None
    name, n = max(causes.items(), key=lambda item: item[1])
    return CAUSE_WORDS.get(name, name) if n * 2 > total else None


def false_text(est: dict) -> str:
    """What broke the beam besides visitors, in one phrase."""
    kinds = est.get("kinds") or {}
    parts = [f"{words.number(kinds[k])} {FALSE_WORDS.get(k, k)}" for k in FALSE_KINDS if kinds.get(k)]
    lights = (est.get("fires") or {}).get("interference", 0)
    if lights:
        parts.append(words.count(lights, "light without a break", "lights without a break"))
    return words.listed(parts) if parts else "none"


def summary_lines(facts: dict) -> list[str]:
    """A dozen lines for the terminal; the same facts as the page, the first figure of each kind."""
    num, est = facts["numbers"], facts["estimates"]

    def said(key: str, fallback: str = "not measured") -> str:
        return num[key]["text"] if key in num else fallback

    delays = [
        f"{v['label'].split(':')[0]} {v['text']}"
        for k, v in num.items()
        if k.startswith("delay_") and k.endswith("_median") and "_first_" not in k
    ]
    recycle = [f"{v['label'].split(':')[0]} {v['text']}" for k, v in num.items() if k.endswith("_r95_s")]
    best, log = facts.get("best_window"), facts["log"]
    left = est.get("supply", {}).get("logger", {}).get("hours_left") or {}
    any_hours = words.finite(left.get("value")) or words.finite(left.get("at_least_h"))
    rows = [
        ("Night", f"{facts['night']['date']}, {facts['site']['name']} ({facts['local']['label']})"),
        ("Visits", said("visits", "none") + _rate_without_hours(facts)),
        ("Sight", facts["exposure"]["text"]),
        ("Best", f"{best['text']}" if best else "not enough visits to name a window"),
        ("Delay", "; ".join(delays) or said("none", "not measured: no light was matched to a break")),
        ("Missed", f"{said('misses')}" + (f", {num['miss_share']['text']}" if "miss_share" in num else "")),
        ("Recycle", ("95 % ready after: " + "; ".join(recycle)) if recycle else "not measured"),
        ("False", false_text(est)),
        ("Supply", said("logger_hours", said("logger_volts")) + (" left" if any_hours else "")),
        ("Clock", log["clock_text"]),
        (
            "Log",
            f"{words.count(len(log['files']), 'file')}, {words.count(len(log['boots']), 'start')}, "
            f"{log['problems']['text']}; {log['interpreter_text']}",
        ),
        ("Tonight", facts["tonight"][0]["what"] if facts["tonight"] else "nothing in the log asks for a change"),
    ]
    if facts["status"] == "nothing":  # a row of noughts would read as a night in which nobody came
        told = dict(rows) | {"Visits": "not known: the log holds no time in which the beam could be watched"}
        rows = [(name, told[name]) for name in ("Night", "Visits", "Sight", "Clock", "Log", "Tonight")]
    return [f"{name:<9}{text}" for name, text in rows]
