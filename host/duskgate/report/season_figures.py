"""What each figure of the season's page says: a title that states its finding, its text alternative, its table."""

from __future__ import annotations

from typing import Any

from . import delay_words, words
from .season_words import best_said, moment, rate, spread_text, when
from .told_apart import short_names

PATHS = ("beam_flash", "beam_camera", "shot_flash")
FULL_HOUR = 0.5  # of an hour that a night must have seen for its hour to count as its busiest
OVER = " (95 % over nights)"


def figure_facts(facts: dict) -> dict[str, dict]:
    """Figures that the season can fill, by id: {title, alt, note, table: {caption, columns, rows}}."""
    makers = {
        "season_map": _map, "season_hours": _hours, "season_nights": _nights, "season_delay": _delay,
        "season_recycle": _recycle, "season_compare": _compare,
    }  # fmt: skip
    found = {name: make(facts) for name, make in makers.items()}
    return {name: f for name, f in found.items() if f}


def _figure(title: str, alt: str, note: str, caption: str, columns: list[str], rows: list[list], **more: Any) -> dict:
    table = {"caption": caption, "columns": columns, "rows": [[str(c) for c in row] for row in rows]}
    return {"title": title, "alt": alt, "note": note, "table": table, **more}


def hour_name(start_s: float, end_s: float, by: str) -> str:
    """A bin as a column's head: '1 to 2 h' after sunset, '22:00' by the clock."""
    if by == "clock":
        return moment(start_s, by)
    return f"{words.number(start_s / 3600)} to {words.number(end_s / 3600)} h"


def band(lo: Any, hi: Any, decimals: int = 1) -> str:
    """'9.1 to 20.3', or 'no interval'."""
    known = words.finite(lo) and words.finite(hi)
    return f"{words.number(lo, decimals)} to {words.number(hi, decimals)}" if known else "no interval"


def busiest(facts: dict) -> tuple[list[float], int]:
    """Starts (s) of the hour that was the busiest of most nights, of all such where several share that, and of how
    many nights it was; nights without visits have none."""
    of: dict[float, int] = {}
    for row in facts["map"]["nights"]:
        seen = [(r, s) for r, s, e, n in zip(row["rate_per_h"], facts["map"]["edges_s"], row["exposure_s"], row["n"],
                                             strict=False) if n and e >= FULL_HOUR * facts["map"]["bin_s"]]  # fmt: skip
        if seen:
            at = max(seen, key=lambda pair: pair[0])[1]
            of[at] = of.get(at, 0) + 1
    most = max(of.values(), default=0)
    return sorted(at for at, k in of.items() if k == most), most


def _map(facts: dict) -> dict | None:
    found, by = facts["map"], facts["by"]
    if not found["nights"] or not found["edges_s"]:
        return None
    starts, most = busiest(facts)
    nights = words.count(len(found["nights"]), "night")
    since = "hours after sunset" if by == "sunset" else "hours of the clock"
    if not starts:
        title = f"No visits in the hours that were seen on {nights}"
    elif len(found["nights"]) == 1:
        title = f"One night: its busiest hour began {at_or(starts[0], by)}"
    else:
        title = f"The busiest hour began {words.listed([at_or(s, by) for s in starts[:3]])} on {most} of {nights}"
        title += " each" if len(starts) > 1 else ""
    spans = list(zip(found["edges_s"], found["edges_s"][1:], strict=False))
    columns = ["night", *(hour_name(a, b, by) for a, b in spans)]
    rows = [[r["night"], *(_cell(r, k) for k in range(len(spans)))] for r in found["nights"]]
    note = (
        "A row is a night, a column an hour. The number in a cell is visits per hour of sight; five shades, a fifth "
        "of the highest each. Hatched: no sight. A cell that is lower than its row: only that share of the hour was "
        "seen. Line under a row: moon up; upright mark: sunset or sunrise; bars above and below: best window; wider "
        "step between rows: nights that are not in the log. Each cell is one night alone: the table gives its interval."
    )
    alt = f"Map of visits per hour of sight, {nights} by {since}. {title}. {best_said(facts)}"
    return _figure(title, alt, note, f"Visits per hour of sight by night and {since} (95 % interval, visits)",
                   columns, rows)  # fmt: skip


def at_or(seconds: float, by: str) -> str:
    """'at sunset', 'at 22:00', '1 h after sunset'."""
    said = moment(seconds, by)
    return f"at {said}" if by == "clock" or not seconds else said


def _cell(row: dict, k: int) -> str:
    if not row["exposure_s"][k] > 0:
        return "no sight"
    part = "" if row["exposure_s"][k] >= 3599 else f", {words.hours(row['exposure_s'][k])} seen"
    return (f"{words.number(row['rate_per_h'][k], 1)} ({band(row['lo'][k], row['hi'][k])}, "
            f"n = {words.number(row['n'][k])}{part})")  # fmt: skip


def _rate_row(r: dict, name: str) -> list:
    e = r["rate_per_h"]
    value = e["value"] if words.finite(e.get("value")) else e.get("seen")
    said = words.number(value, 1) if words.finite(value) else "not known"
    return [name, r["n_nights"], words.number(r["n"]), words.number(r["exposure_s"] / 3600, 1), said,
            band(e.get("lo"), e.get("hi"))]  # fmt: skip


HOUR_COLUMNS = ["nights", "visits", "hours of sight", "visits per hour", "95 % over nights"]


def _hours(facts: dict) -> dict | None:
    by = facts["by"]
    rows = facts["hours"][by]
    if not rows:
        return None
    best = facts["best_window"]
    if "start_s" in best:
        title = f"{when(best['start_s'], best['end_s'], by).capitalize()}: {rate(best['rate_per_h'])}"
        title = ("Most so far " if facts["status"] == "few" else "Best ") + title[:1].lower() + title[1:]
    else:
        title = f"All hours together: {rate(facts['totals']['rate_per_h'])}"
    note = (
        "Bars are 95 % intervals of the mean of nights: how nights differ. Hollow marks: fewer than three nights, so "
        "no interval. Dashed frame: best window. Thick line: hours of all windows that the best does not beat."
    )
    since = "hour after sunset" if by == "sunset" else "hour of the clock"
    table = [_rate_row(r, hour_name(r["start_s"], r["end_s"], by)) for r in rows]
    return _figure(title, f"Visits per hour of sight by {since}. {title}. {best_said(facts)}", note,
                   f"Rate by {since}", [since, *HOUR_COLUMNS], table)  # fmt: skip


def _nights(facts: dict) -> dict | None:
    rows = [r for r in facts["nights"] if words.finite(r["rate_per_h"].get("value"))]
    if not rows:
        return None
    title = f"Nights differ {spread_text(facts['spread'], facts['nights'])}" if len(rows) > 1 else "One night only"
    title = title.partition(";")[0]
    note = (
        "Bars are 95 % intervals of each night alone. Hollow: watched for less than 80 %, started anew, or damaged. "
        "Row of rings below: the moon; the fuller the ring, the more of the moon is lit."
    )
    table = [
        [r["night"], words.number(r["n"]), words.number(r["live_s"] / 3600, 1),
         words.number(r["rate_per_h"]["value"], 1) if words.finite(r["rate_per_h"].get("value")) else "not known",
         band(r["rate_per_h"].get("lo"), r["rate_per_h"].get("hi")), _lit(r), "; ".join(r["flags"]) or "none"]
        for r in facts["nights"]
    ]  # fmt: skip
    columns = ["night", "visits", "hours of sight", "visits per hour", "95 % interval", "moon lit", "remarks"]
    return _figure(title, f"Visits per hour of sight of each night over the season. {title}.", note,
                   "Nights of the season", columns, table)  # fmt: skip


def _lit(row: dict) -> str:
    return f"{words.number(100 * row['moon_lit'])} %" if words.finite(row["moon_lit"]) else "not known"


def main_path(facts: dict) -> str | None:
    """The path whose delays are drawn: the first of PATHS that any night has."""
    return next((p for p in PATHS if any(p in r["latency_us"] for r in facts["nights"])), None)


def _delay(facts: dict) -> dict | None:
    path = main_path(facts)
    if path is None:
        return None
    found = {r["night"]: r["latency_us"].get(path, {}) for r in facts["nights"]}
    moves = facts["drift"]["latency_us"][path]
    what = delay_words.PATHS[path]
    return _drift(found, moves, f"Delay, {what}", "ms", 1e-3, "µs a week", "median delay", path=path)


def _recycle(facts: dict) -> dict | None:
    found = {r["night"]: r["recycle_s"] for r in facts["nights"]}
    moves = facts["drift"]["recycle_s"]
    return _drift(found, moves, "Recycle time", "s", 1.0, "s a week", "gap after which 95 % of flashes fire")


def _drift(found: dict, moves: dict, what: str, unit: str, scale: float, weekly: str, name: str, **more) -> dict | None:
    """A figure of one value a night and head, with what it did over the weeks."""
    heads = [h for h in moves if any(words.finite((row.get(h) or {}).get("value")) for row in found.values())]
    if not heads:
        return None
    told = {h: moves[h] for h in heads if words.finite(moves[h].get("value"))}
    sure = {h: e for h, e in told.items() if e["lo"] > 0 or e["hi"] < 0}
    if sure:
        title = f"{what} moves: " + "; ".join(f"{words.head_name(h)} {weekly_text(e, weekly)}" for h, e in sure.items())
    elif told:
        title = f"{what}: no change over the weeks can be told"
    else:
        title = f"{what}: too few nights to tell a change over the weeks"
    rows = [
        [night, words.head_name(h), words.estimate_text(row.get(h), unit, scale)]
        for night, row in found.items() for h in heads
    ]  # fmt: skip
    note = f"One mark is the {name} of one head on one night, with its 95 % interval; shapes part the heads."
    return _figure(title, f"{what} of each head by night. {title}.", note, f"{what} by night",
                   ["night", "head", name], rows, heads=heads, **more)  # fmt: skip


def weekly_text(e: dict, unit: str) -> str:
    """Change a week with its interval; n is nights."""
    return words.estimate_text(e, unit).replace(f"n = {words.number(e['n'])})", f"n = {words.count(e['n'], 'night')})")


def _compare(facts: dict) -> dict | None:
    c, by = facts["compare"], facts["by"]
    if not c or not c["hours"] or not facts["hours"][by]:
        return None
    names = rig_names(facts)
    ratio = c["same_hours"] or {}
    if words.finite(ratio.get("value")):
        d = 2 if ratio["hi"] < 10 else 1
        title = (f"{names[0]} had {words.number(ratio['value'], d)} times the visits per hour of {names[1]} "
                 f"({words.number(ratio['lo'], d)} to {words.number(ratio['hi'], d)}, same hours)")  # fmt: skip
    else:
        title = f"{names[0]} and {names[1]}: too few nights for a ratio"
    rows = [
        _rate_row(r, f"{name}, {hour_name(r['start_s'], r['end_s'], by)}")
        for name, part in zip(names, (facts["hours"][by], c["hours"]), strict=True) for r in part
    ]  # fmt: skip
    since = "hour after sunset" if by == "sunset" else "hour of the clock"
    note = f"Discs: {names[0]}. Diamonds: {names[1]}. Bars are 95 % intervals over nights; hollow: fewer than three."
    return _figure(title, f"Rates of both by {since}. {title}.", note, f"Rate of both by {since}",
                   [f"rig, {since}", *HOUR_COLUMNS], rows, names=names)  # fmt: skip


def rig_names(facts: dict) -> list[str]:
    """Short names of the two logbooks."""
    return short_names([str(facts["log"]["path"]), str(facts["compare"]["log"]["path"])])
