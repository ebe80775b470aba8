"""A season in words: the lines for the terminal, warnings, and the methods with their sources."""

from __future__ import annotations

import re
from typing import Any

from . import words

FEW_NIGHTS = 3
CLOSE_R = 0.7  # of von Mises times two thirds then lie within 3 h of the centre (computed with scipy.stats.vonmises)
SURE = ((0.975, "almost certain"), (0.9, "very likely"), (0.75, "likely"), (0.6, "a little more likely than not"))
METHODS = (
    {"what": "rate by hour, whole season", "how": "visits per hour of sight; log-t interval between nights, "
     "never narrower than counting alone; without any visit the exact Poisson limit, widened by their bouts",
     "source": "Cochran 1977, Sampling Techniques, chapter 6 (ratio estimator); Garwood 1936, Biometrika 28:437"},
    {"what": "rate of one hour of one night", "how": "exact Poisson interval, widened by the variance over mean that "
     "all nights show together", "source": "Garwood 1936, Biometrika 28:437; McCullagh & Nelder 1989, section 4.5"},
    {"what": "delay and recycle time over the weeks", "how": "straight line through one value a night, t interval over "
     "nights", "source": "least squares"},
    {"what": "windows not beaten", "how": "paired t over nights, each scaled to the same total",
     "source": "Student 1908, Biometrika 6:1"},
    {"what": "one bad night", "how": "the best window is sought again without each night in turn",
     "source": "Tukey 1958, Ann. Math. Stat. 29:614"},
    {"what": "moon, and rigs at the same hours", "how": "rate ratio over strata of hours, leaving nights out",
     "source": "Mantel & Haenszel 1959, J. Natl. Cancer Inst. 22:719; Tukey 1958"},
    {"what": "centre", "how": "mean direction of the visits' times on the circle of the day, and its length r; not "
     "corrected for hours without sight", "source": "Batschelet 1981; Zar 2010"},
    {"what": "trend", "how": "straight line through the logarithm of the nightly rate", "source": "least squares"},
)  # fmt: skip


def when(start_s: float, end_s: float, by: str) -> str:
    """A span of the night: '1 to 3 h after sunset' or '22:30 to 00:30'."""
    if by == "clock":
        return f"{clock(start_s)} to {clock(end_s)}"
    a, b = hours(start_s), hours(end_s)
    if start_s < 0 < end_s:
        return f"{a} h before to {b} h after sunset"
    if end_s <= 0:
        return f"{a} to {b} h before sunset"
    return f"{a} to {b} h after sunset"


def moment(seconds: float, by: str) -> str:
    """An instant of the night: '22:30', '0.5 h before sunset', 'sunset'."""
    if by == "clock":
        return clock(seconds)
    return f"{hours(seconds)} h {'before' if seconds < 0 else 'after'} sunset" if seconds else "sunset"


def clock(seconds: float) -> str:
    """Seconds from midnight as '22:30'."""
    minutes = round(seconds / 60) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def hours(seconds: float) -> str:
    """Size of a time in s as hours, two decimals at most: '1.5'."""
    text = words.number(abs(seconds) / 3600, 2).rstrip("0").rstrip(".")
    return text or "0"


def sureness(p: float) -> str:
    """A probability in words, with the figure; beyond 99 % no figure is worth more."""
    text = next((word for limit, word in SURE if p >= limit), "not told apart")
    return f"{text} ({'over 99' if p > 0.99 else words.number(100 * p)} %)"


def rate(e: dict | None) -> str:
    """A rate with its interval over nights; without one, what was seen."""
    e = e or {}
    if words.finite(e.get("value")):
        return words.estimate_text(e, "per h") if e.get("n") is None else _over_nights(e, "per h")
    if words.finite(e.get("seen")):
        return f"{words.number(e['seen'], 1)} per h (no interval, {words.count(e['n'], 'night')})"
    return str(e.get("text", "not known"))


def _over_nights(e: dict, unit: str) -> str:
    return words.estimate_text(e, unit).replace(f"n = {words.number(e['n'])})", f"n = {words.count(e['n'], 'night')})")


def warnings(facts: dict) -> list[str]:
    """What a reader of the numbers has to know: unequal nights, dark ones, one night that outweighs the others."""
    out = []
    rows = [r for r in facts["nights"] if r["live_s"] > 0]
    if facts["no_sight"]:
        out.append(f"{words.listed(facts['no_sight'])}: no time of sight, so nothing is known of that night.")
    if rows and max(r["live_s"] for r in rows) > 1.25 * min(r["live_s"] for r in rows):
        lo, hi = (f(r["live_s"] for r in rows) for f in (min, max))
        out.append(f"Nights were watched for {words.hours(lo)} to {words.hours(hi)}: rates are per hour of sight.")
    total = sum(r["n"] for r in rows)
    heavy = [r["night"] for r in rows if len(rows) >= FEW_NIGHTS and r["n"] > 0.5 * total > 0]
    if heavy:
        out.append(f"{heavy[0]} alone holds more than half of all visits.")
    for r in rows:
        if r["flags"]:
            out.append(f"{r['night']}: {', '.join(r['flags'])}.")
    if len(facts["site"]["names"]) > 1:
        out.append(f"The site files name several sites: {words.listed(facts['site']['names'])}.")
    return of_days(out, facts)


def of_days(said: list[str], facts: dict) -> list[str]:
    """The same sentences with days for nights where only days were watched; names and paths stay as they are."""
    if facts["active"] != ["day"]:
        return said
    logs = [facts.get("log"), (facts.get("compare") or {}).get("log")]
    names = [*facts["site"]["names"], *(str(log["path"]) for log in logs if log)]
    kept = "|".join(re.escape(name) for name in names if name) or "(?!)"
    day = {"night": "day", "nights": "days", "Night": "Day", "Nights": "Days"}

    def turned(found: re.Match) -> str:
        word = found[0]
        return day[word] + " " * (len(word) - len(day[word])) * (found.start() == 0) if word in day else word

    return [re.sub(rf"{kept}|\b[Nn]ights?\b", turned, line) for line in said]


def lines(facts: dict, last: Any) -> list[str]:
    """The terminal's lines."""
    return of_days(_lines(facts, last), facts)


def _lines(facts: dict, last: Any) -> list[str]:
    if facts["status"] == "nothing":
        return ["Season   no night with a time of day and any time of sight: nothing can be said"]
    total, rows = facts["totals"], facts["nights"]
    few = ": too few to rank hours, below is what was seen" if total["n_nights"] < FEW_NIGHTS else ""
    span = rows[0]["night"] if len(rows) == 1 else f"{rows[0]['night']} to {rows[-1]['night']}"
    lo, hi = total["n_wide"], total["n_narrow"]
    spread = f" ({words.number(lo)} to {words.number(hi)} with another pause between visits)" if lo != hi else ""
    out = [
        ("Season", f"{span}, {words.count(total['n_nights'], 'night')} of sight, "
         f"{words.listed(facts['site']['names'])} ({facts['site']['zone']}){few}"),
        ("Visits", f"{words.number(total['n'])}{spread} in {words.hours(total['live_s'])} of sight, "
         f"{rate(total['rate_per_h'])}"),
        ("Nights", spread_text(facts["spread"], rows)),
        ("Centre", centre_text(facts["centre"])),
        *(("Best", text) for text in best_texts(facts, last)),
        *(("Moon", text) for text in moon_texts(facts)),
        ("Trend", trend_text(facts["trend"])),
        *(("Compare", text) for text in compare_texts(facts)),
    ]  # fmt: skip
    out += [("Partial", text) for text in facts["partial"]]
    out += [("Remark", text) for text in facts["remarks"]]
    return [*labelled(out[:2]), *hour_lines(facts), *labelled(out[2:])]


def labelled(rows: list[tuple[str, str]]) -> list[str]:
    """Name and text; a name that stands in the line before is not said again."""
    out, before = [], ""
    for name, text in rows:
        out.append(f"{'' if name == before else name:<9}{text}")
        before = name or before
    return out


def hour_lines(facts: dict) -> list[str]:
    """The rate of each hour, with its interval over nights."""
    by = facts["by"]
    rows = facts["hours"][by]
    since = "after sunset" if by == "sunset" else "of the clock"
    out = [f"Hours    {since}: visits per hour of sight (95 % over nights)"]
    for r in rows:
        e = r["rate_per_h"]
        value = e["value"] if words.finite(e.get("value")) else e.get("seen")
        firm = words.finite(e.get("lo"))
        band = f"({words.number(e['lo'], 1)} to {words.number(e['hi'], 1)})" if firm else "(no interval)"
        from_h, to_h = (words.number(r[k] / 3600) for k in ("start_s", "end_s"))
        name = f"{from_h} to {to_h} h" if by == "sunset" else clock(r["start_s"])
        out.append(
            f"{'':<9}{name:>10}  {words.number(value, 1):>6} {band:<17} "
            f"n = {words.count(r['n_nights'], 'night')}, {words.count(r['n'], 'visit')}"
        )
    return out


def spread_text(spread: dict, rows: list[dict]) -> str:
    """How nights differ."""
    pairs = sorted(zip(spread["rate_per_h"], spread["nights"], strict=True))
    if len(pairs) == 1:
        row = next(r for r in rows if r["night"] == pairs[0][1])
        return f"one night only: {row['night']} {words.estimate_text(row['rate_per_h'], 'per h')} (n is visits)"
    (least, quiet), (most, busy) = pairs[0], pairs[-1]
    ends = f"from {words.number(least, 1)} per h ({quiet}) to {words.number(most, 1)} ({busy})"
    if not words.finite(spread["cv"].get("value")):
        return ends
    said = words.estimate_text(spread["cv"], "%", 100.0)
    beyond = words.number(100 * spread.get("beyond_counting", 0.0))
    return f"{ends}; coefficient of variation {said}, {beyond} % of that variance beyond mere counting"


def best_texts(facts: dict, last: Any) -> list[str]:
    """The best window, how sure it is, and whether one night decides it."""
    best, by = facts["best_window"], facts["by"]
    if "start_s" not in best:
        return [best.get("text", "no window can be named")]
    span = when(best["start_s"], best["end_s"], by)
    if by == "sunset" and last:
        zero = last.by_sunset.zero_utc_us
        at = [int(zero + best[k] * 1e6) for k in ("start_s", "end_s")]
        span += f" ({last.local.span(*at)} on {last.date})"
    hours_said = f" ({best['hours']})" if best.get("hours") else ""
    first = [f"{span}: {rate(best['rate_per_h'])}{hours_said}"]
    if facts["status"] == "few":
        return [f"{first[0]}; {best['text']}"]
    return [*first, rivals_text(best, by), *_next_text(best, by), without_text(facts["without_each"], by)]


def best_said(facts: dict) -> str:
    """The best window in one sentence; empty where there is none."""
    best, by = facts["best_window"], facts["by"]
    if "start_s" not in best:
        return ""
    return f"Best window: {when(best['start_s'], best['end_s'], by)}, {rate(best['rate_per_h'])}."


def hours_text(active: list[str]) -> str:
    """Between which hours windows were sought; empty where nothing bounded them."""
    said = {"night": "sunset to sunrise", "day": "sunrise to sunset"}
    kinds = [said[a] for a in dict.fromkeys(active) if a in said]
    return f"sought from {' and '.join(kinds)}, half an hour longer at both ends" if kinds else ""


def rivals_text(best: dict, by: str) -> str:
    """The windows that the best one does not beat."""
    rivals, of = best["not_beaten"], best["n_windows"]
    if len(rivals) <= 1:
        return f"it beats all {of - 1} other windows"
    lo, hi = rivals[0][0], rivals[-1][0]
    begin = f"{moment(lo, by)} to {moment(hi, by)}"
    return f"{len(rivals)} of {of} windows cannot be told apart from the best; they begin from {begin}"


def _next_text(best: dict, by: str) -> list[str]:
    after = best.get("next")
    if not after or after.get("sure") is None:
        return []
    won = f"more visits in {after['won']} of {words.count(after['n'], 'night')}"
    return [f"better than the next one apart from it ({when(after['start_s'], after['end_s'], by)}): "
            f"{sureness(after['sure'])}, {won}"]  # fmt: skip


def without_text(without: dict, by: str) -> str:
    """Which single night decides the best window."""
    changed = sorted(without["changed_by"], key=lambda c: not c["apart"])
    if not changed:
        return "leaving out any one night would not change it"
    parts = [
        f"without {c['night']} it would be {when(c['start_s'], c['end_s'], by)}" if c["start_s"] is not None
        else f"without {c['night']} there would be none" for c in changed[:4]
    ]  # fmt: skip
    more = f", and {len(changed) - 4} other nights move it too" if len(changed) > 4 else ""
    how = "leaving out a night moves it a little" if without["firm"] else "one night decides"
    return f"{how}: {'; '.join(parts)}{more}"


def ratio_text(e: dict | None, one: str, other: str, key: str) -> str:
    """A rate ratio of two conditions, with nights on each side."""
    if e is None:
        return f"{one}: not known, the site file gives no {key} (latitude_deg, longitude_deg)"
    a, b = e["n_nights"]
    sides = f"{one}: {words.count(a, 'night')}; {other}: {words.count(b, 'night')}"
    if not words.finite(e.get("value")):
        return f"{e['text']} ({sides})"
    told = "" if e["lo"] > 1 or e["hi"] < 1 else ": no difference can be told"
    d = 2 if e["hi"] < 10 else 1
    return (f"{words.number(e['value'], d)} times as many visits per hour ({words.number(e['lo'], d)} to "
            f"{words.number(e['hi'], d)}), {sides}, same hours{told}")  # fmt: skip


def moon_texts(facts: dict) -> list[str]:
    """What the moon changed; nothing where only days were watched."""
    if facts["active"] == ["day"]:
        return []
    moon = facts["moon"]
    return [ratio_text(moon["up"], "moon up", "moon down or less than a quarter lit", "place"),
            ratio_text(moon["bright"], "nights at least half lit", "darker nights", "place")]  # fmt: skip


def centre_text(centre: dict) -> str:
    """Where the visits centre on the clock, and how closely."""
    if centre.get("mean_h") is None:
        return str(centre["text"])
    minutes = round(centre["mean_h"] * 60) % 1440
    close = "closely" if centre["r"] >= CLOSE_R else "loosely: two peaks, or spread over the night"
    return (
        f"{minutes // 60:02d}:{minutes % 60:02d} by the clock, {close} "
        f"(r = {centre['r']:.2f} of 1, n = {words.number(centre['n'])} visits)"
    )


def trend_text(trend: dict) -> str:
    """Change of the rate over the nights."""
    if not words.finite(trend.get("value")):
        return str(trend["text"]).replace("n =", "nights =")
    told = "" if trend["lo"] > 1 or trend["hi"] < 1 else ": no trend can be told"
    return f"{_over_nights(trend, 'times a week')}{told}"


def compare_texts(facts: dict) -> list[str]:
    """This logbook against another."""
    c = facts["compare"]
    if not c:
        return []
    one, other = facts["log"]["path"], c["log"]["path"]
    out = [ratio_text(c["same_hours"], one, other, "time of sight")]
    whole = c["whole_nights"]
    if words.finite(whole.get("value")):
        out.append(f"whole nights, whatever hours were watched: {words.number(whole['value'], 2)} times "
                   f"({words.number(whole['lo'], 2)} to {words.number(whole['hi'], 2)})")  # fmt: skip
    if c["same_dates"]:
        out.append(f"{words.count(len(c['same_dates']), 'night')} on the same dates stand in pairs")
    return out + [f"{other}: {reason}" for reason in c["partial"]]
