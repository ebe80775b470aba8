"""What each figure says: a title that states its finding, a text for those who cannot see it, and its table."""

import numpy as np
import pandas as pd

from .. import fields
from . import pulse_said, words
from .answer import FALSE_KINDS, false_text

ORDER = ("visits", "rate", "delay", "pulse", "misses", "supply", "false", "blind")
CAUGHT_WORDS = {"yes": "all heads lit", "partly": "some heads lit", "no": "no light", "not_watched": "no light sensor"}
TABLE_ROWS = 120
HALF_FROM = 10  # with fewer visits "half of them" would say more than they can
MINUTE_US = 60_000_000
POINTS_AT_MOST = 1500  # marks drawn of one kind; above it every k-th is drawn, and the note says so


def figure_facts(facts: dict, tables: dict[str, pd.DataFrame], est: dict, local: words.LocalTime) -> dict[str, dict]:
    """Figures that the night can fill, by id: {title, alt, note, table: {caption, columns, rows}}."""
    makers = {
        "visits": _visits,
        "rate": _rate,
        "delay": _delay,
        "pulse": lambda facts, _tables, est, _local: pulse_said.pulse_figure(est, facts["numbers"]),
        "misses": _misses,
        "supply": _supply,
        "false": _false,
        "blind": _blind,
    }
    found = {name: makers[name](facts, tables, est, local) for name in ORDER}
    return {name: f for name, f in found.items() if f}


def _table(caption: str, columns: list[str], rows: list[list]) -> dict:
    total = len(rows)
    if total > TABLE_ROWS:
        caption += f" (the first {TABLE_ROWS} of {total} rows; `--tables` writes all)"
    return {"caption": caption, "columns": columns, "rows": [[str(c) for c in row] for row in rows[:TABLE_ROWS]]}


def _figure(title: str, alt: str, note: str, table: dict, *, points: int = 0, mark: str = "", **more) -> dict:
    """`points`: the largest number of marks of one kind; `draw_every` k means that every k-th of them is drawn."""
    step = -(-points // POINTS_AT_MOST) if points else 1
    if step > 1:
        note += (
            f" Of {words.number(points)} {mark} every {ordinal(step)} is drawn, as more than "
            f"{words.number(POINTS_AT_MOST)} would hide each other; all numbers use all of them."
        )
    return {"title": title, "alt": alt, "note": note, "table": table, "draw_every": max(1, step), **more}


def ordinal(n: int) -> str:
    """'2nd', '3rd', '4th' ... of a whole number."""
    ending = {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th") if n % 100 not in (11, 12, 13) else "th"
    return f"{n}{ending}"


def _visits(facts, tables, est, local):
    visits = tables["visits"]
    timed = visits[visits["start_utc_us"] > words.KNOWN_FROM_US]
    if not len(visits):
        return _empty_visits(facts, local)
    if not len(timed):
        return None
    caught = timed["caught"].astype(str).value_counts()
    shares = words.listed([f"{words.number(caught[k])} with {w}" for k, w in CAUGHT_WORDS.items() if caught.get(k)])
    note = (
        "One mark is one visit. Rows and shapes part visits by what the flashes did at them; hatched: no sight; the "
        "darker the ground, the darker the sky."
    )
    if any(n["utc_us"] > facts["known_from_utc_us"] for n in facts["notes"]):
        note += " Arrows along the top: what was noted, listed under the last question."
    if len(timed) < len(visits):
        note += f" Not drawn, for want of a time of day: {words.count(len(visits) - len(timed), 'visit')}."
    rows = _by_bin(tables, timed, local)
    columns = ["local time", "visits", *CAUGHT_WORDS.values(), "hours of sight"]
    alt = f"Visits over the local time of the night with twilight and moon: {shares}. {facts['sky']['text']}"
    return _figure(
        _visits_title(np.sort(timed["start_utc_us"].to_numpy()), local),
        alt,
        note,
        _table("Visits by time of night", columns, rows),
        points=int(caught.max()),
        mark="visits of a row",
    )


def _visits_title(starts: np.ndarray, local: words.LocalTime) -> str:
    """When they came: the shortest span that holds half of them, from HALF_FROM visits on."""
    n = len(starts)
    first, last = local.clock(int(starts[0])), local.clock(int(starts[-1]))
    if n == 1:
        return f"One visit, at {first}"
    if n < HALF_FROM:
        return f"{words.count(n, 'visit').capitalize()}, from {first} to {last}"
    lo, hi = densest_half(starts)
    return (
        f"Half of the {words.count(n, 'visit')} came between {local.clock(lo)} and {local.clock(hi + MINUTE_US - 1)}; "
        f"the first at {first}, the last at {last}"
    )


def densest_half(starts: np.ndarray) -> tuple[int, int]:
    """First and last instant of the shortest span that holds half (rounded up) of the sorted instants."""
    half = -(-len(starts) // 2)
    k = int(np.argmin(starts[half - 1 :] - starts[: len(starts) - half + 1]))
    return int(starts[k]), int(starts[k + half - 1])


def _empty_visits(facts, local):
    if facts["status"] != "empty" or not facts["night"]["start_utc_us"]:
        return None
    night = facts["night"]
    title = f"No visits from {local.clock(night['start_utc_us'])} to {local.clock(night['end_utc_us'])}"
    table = _table(
        "Visits by time of night",
        ["local time", "visits"],
        [[local.span(night["start_utc_us"], night["end_utc_us"]), 0]],
    )
    return _figure(
        title, f"An empty time axis with twilight and moon. {facts['sky']['text']}", "Hatched: no sight.", table
    )


def _by_bin(tables, timed, local):
    """Rows of the visits' table: one for each bin of the rates."""
    rates = tables["rates"]
    caught = timed["caught"].astype(str).to_numpy()
    start = timed["start_utc_us"].to_numpy()
    counts = {k: _in_bins(start[caught == k], rates) for k in CAUGHT_WORDS}
    total = sum(counts.values())
    sight = rates["exposure_s"].to_numpy() / 3600
    spans = [local.span(a, b) for a, b in zip(rates["start_utc_us"], rates["end_utc_us"], strict=True)]
    return [
        [span, int(total[k]), *(int(counts[c][k]) for c in CAUGHT_WORDS), words.number(sight[k], 2)]
        for k, span in enumerate(spans)
    ]


def _in_bins(instants, rates):
    """How many of the instants fall into each bin, end excluded."""
    ordered = np.sort(instants)
    lo, hi = (np.searchsorted(ordered, rates[c].to_numpy()) for c in ("start_utc_us", "end_utc_us"))
    return hi - lo


def _rate(facts, tables, est, local):
    rates = tables["rates"]
    if not ((rates["exposure_s"] > 0) & rates["rate_per_h"].notna()).any():
        return None  # no sight, or too short a log for one bin
    best = facts["best_window"]
    rate = facts["numbers"].get("rate")
    if best and best["span"] and facts["status"] == "visited":
        title = f"Most per hour from {best['span']}: {best['rate_text']}"
    elif rate:
        title = f"Over the whole night: {rate['text']}"
    else:
        title = "Visits per hour of sight through the night"
    note = (
        "Rates are per hour of sight. Bars are 95 % intervals of one night; hollow marks rest on fewer "
        "than 5 visits. No mark: no sight. Where an interval leaves the figure, its end is written there."
    )
    rows = [
        [local.span(r.start_utc_us, r.end_utc_us), int(r.n), words.number(r.exposure_s / 3600, 2), *_rate_cells(r)]
        for r in rates.itertuples(index=False)
    ]
    when = "time since the start" if local.since_start else "local time"
    columns = [when, "visits", "hours of sight", "visits per hour", "95 % from", "95 % to"]
    alt = (
        f"Visits per hour in {len(rates)} bins of {words.hours(est.get('rates', {}).get('bin_s', 1800))}, "
        f"with intervals. {best['text'] if best else ''}"
    )
    return _figure(title, alt.strip(), note, _table("Rate by time of night", columns, rows))


def _rate_cells(r):
    if not r.exposure_s > 0:
        return ["no sight", "", ""]
    return [words.number(x, 1) if words.finite(x) else "" for x in (r.rate_per_h, r.lo, r.hi)]


def _delay(facts, tables, est, local):
    lanes = [
        _lane(facts, path, head, len(found["heads"]) == 1)
        for path, found in (est.get("latency") or {}).items()
        for head in found.get("heads") or {}
    ]
    if not lanes:
        return None
    known = sorted(
        (lane["median"]["value"], words.head_name(lane["head"]))
        for lane in lanes
        if lane["median"]["value"] is not None
    )
    if not known:
        title = "Too few lights to tell the delay"
    elif len(known) == 1:
        title = f"Light of {known[0][1]} {words.number(known[0][0], 2)} ms after the break (median)"
    else:
        first, last = known[0], known[-1]
        title = (
            f"Heads light {words.number(first[0], 2)} to {words.number(last[0], 2)} ms after the break "
            f"(medians): {first[1]} first, {last[1]} last"
        )
    axis_ms = _delay_axis(lanes, tables["fires"])
    note = (
        "One mark is one firing of one head; diamond: median, upright bar: 95 % are below, both with 95 % intervals. "
        f"{_beyond(lanes, tables['fires'], axis_ms[1])}{facts['beam_source']['text']}"
    )
    rows = [
        [words.head_name(lane["head"]), lane["path"].replace("_", " to "), lane["median"]["text"], lane["p95"]["text"]]
        for lane in lanes
    ]
    table = _table("Delay by head", ["head", "way", "median", "95 % below"], rows)
    points = max((len(lane_values(tables["fires"], lane)) for lane in lanes), default=0)
    return _figure(
        title,
        f"Delays of each head in milliseconds. {title}.",
        note,
        table,
        points=points,
        mark="firings of a head",
        lanes=lanes,
        axis_ms=axis_ms,
    )


def lane_values(fires: pd.DataFrame, lane: dict):
    """Delays of one lane, in ms: firings that answer a break, over the lane's path and head."""
    if not lane["column"]:
        return np.zeros(0)
    found = fires.loc[(fires["path"] == lane["path"]) & (fires["kind"] == "answered"), lane["column"]]
    return found.dropna().to_numpy() / 1000.0


def _column(head: str, facts: dict, alone: bool) -> str | None:
    """Column of `fires` with a head's delays: that of its one sensor, or of the first light if it is the only head."""
    stated = {h.get("name"): h.get("sensors") or () for h in facts["site"]["heads"]}
    sensors = stated.get(head) or ((head,) if head in fields.CHANNELS else ())
    if len(sensors) == 1:
        return f"latency{sensors[0][-1]}_us"
    return "latency_us" if alone else None


def _lane(facts, path, head, alone):
    median, p95 = (facts["numbers"][f"delay_{path}_{head}_{q}"] for q in ("median", "p95"))
    short = {k: {x: q[x] for x in ("value", "lo", "hi", "n", "text")} for k, q in (("median", median), ("p95", p95))}
    if median["value"] is None:
        said = median["text"]
    else:
        below = f" (95 % under {words.number(p95['value'], 2)})" if p95["value"] is not None else ""
        said = f"{words.number(median['value'], 3)} ms{below}, n = {words.number(median['n'])}"
    return {
        "path": path,
        "head": head,
        "column": _column(head, facts, alone),
        **short,
        "text": f"{words.head_name(head)}: {said}",
    }


def _delay_axis(lanes, fires):
    """From 0.3 spreads below the fastest to 0.6 above the 95 % points: the bulk fills it, later ones are counted."""
    values = [v for lane in lanes for v in (lane_values(fires, lane),) if len(v)]
    if not values:
        return [0.0, 1.0]
    lo = min(float(pd.Series(v).quantile(0.002)) for v in values)
    tops = [lane["p95"]["hi"] or lane["p95"]["value"] or 0.0 for lane in lanes]
    hi = max([*tops, *(float(pd.Series(v).quantile(0.95)) for v in values)])
    spread = max(hi - lo, 0.02)
    return [lo - 0.3 * spread, hi + 0.6 * spread]


def _beyond(lanes, fires, hi_ms):
    """A sentence on the firings that lie beyond the axis; nothing where all are on it."""
    late = [(lane["head"], int((lane_values(fires, lane) > hi_ms).sum())) for lane in lanes]
    said = words.listed([f"{words.number(n)} of {head}" for head, n in late if n])
    return f"Later than this axis: {said}. " if said else ""


def _misses(facts, tables, est, local):
    shares, misses = facts["answered_by_gap"], est.get("misses") or {}
    if not shares or not misses.get("watched_breaks"):
        return None
    n, of = misses.get("n", 0), misses["watched_breaks"]
    title = f"{words.number(n)} of {words.number(of)} breaks by visitors missed in part or whole"
    slowest = _slowest(est)
    if slowest:
        title += f"; the slowest, {slowest[0]}, is ready in 95 % of cases after {words.number(slowest[1], 2)} s"
    elif not n:
        title = f"All heads lit at all {words.number(of)} breaks by visitors"
    note = (
        "Points: share of breaks that all heads answered, by time since the last light, with 95 % "
        "intervals and n; hollow: fewer than 5 breaks. Lines: chance that one head is ready (fit). "
        "Ticks at the bottom: breaks without light."
    )
    rows = [
        [
            _gap_words(s),
            s["n"],
            s["full"],
            s["dark"],
            f"{words.number(100 * s['share'])} %",
            f"{words.number(100 * s['lo'])} to {words.number(100 * s['hi'])} %",
        ]
        for s in shares
    ]
    columns = ["time since last light", "breaks", "all heads lit", "no light", "all heads", "95 % interval"]
    causes = words.listed([f"{v} {k}" for k, v in (misses.get("by_cause") or {}).items() if v])
    alt = f"Share of answered breaks against the time since the last light. {title}." + (
        f" Causes: {causes}." if causes else ""
    )
    return _figure(
        title,
        alt,
        note,
        _table("Answers by time since the last light", columns, rows),
        points=sum(row["dark"] for row in shares),
        mark="breaks without light",
    )


def _slowest(est):
    found = [
        (words.head_name(head), r["r95_s"]["value"])
        for head, r in (est.get("recycle") or {}).items()
        if words.finite((r.get("r95_s") or {}).get("value"))
    ]
    return max(found, key=lambda item: item[1]) if found else None


def _gap_words(s):
    return f"over {s['gap_lo_s']:g} s" if s["gap_hi_s"] is None else f"{s['gap_lo_s']:g} to {s['gap_hi_s']:g} s"


def _supply(facts, tables, est, local):
    supply = tables["supply"]
    seen = supply[(supply["utc_us"] > words.KNOWN_FROM_US) & supply["batt_mv"].notna()].sort_values("utc_us")
    if not len(seen):
        return None
    num, logger = facts["numbers"], (est.get("supply") or {}).get("logger") or {}
    start, end = num["logger_volts"]["text"].split(", ") if "logger_volts" in num else ("", "")
    title = "Logger's supply: " + (f"{start}, {end}" if start else "voltage through the night")
    if "logger_hours" in num:
        title += f"; left: {num['logger_hours']['text']}"
    basis = f"Forecast: {logger['text'].rstrip('.')}. " if logger.get("text") else ""
    note = f"{basis}Heads' cells are not measured: see recycle times and firings."
    rows = []
    utc, mv, temp = (seen[c].to_numpy(dtype=float) for c in ("utc_us", "batt_mv", "temp_degc"))
    for bin_ in tables["rates"].itertuples(index=False):
        part = slice(*np.searchsorted(utc, [bin_.start_utc_us, bin_.end_utc_us]))
        if len(utc[part]):
            warm = temp[part][np.isfinite(temp[part])]
            degrees = words.number(float(np.median(warm)), 1) if len(warm) else ""
            span = local.span(bin_.start_utc_us, bin_.end_utc_us)
            rows.append([span, words.number(float(np.median(mv[part]))), degrees, len(utc[part])])
    table = _table(
        "Logger's supply and temperature (medians)", ["local time", "supply, mV", "temperature, °C", "readings"], rows
    )
    return _figure(
        title,
        f"Supply voltage against local time with its forecast. {title}.",
        note,
        table,
        points=len(seen),
        mark="readings",
    )


def _false(facts, tables, est, local):
    kinds = est.get("kinds") or {}
    lights = (est.get("fires") or {}).get("interference", 0)
    n = sum(kinds.get(k, 0) for k in FALSE_KINDS)
    if (not n and not lights) or not facts["night"]["start_utc_us"]:
        return None
    title = (
        f"{words.count(n, 'break').capitalize()} not by visitors: {false_text(est)}"
        if n
        else f"False: {false_text(est)}"
    )
    rows = [[k, words.number(kinds.get(k, 0)), facts["kind_reasons"].get(k, "")] for k in ("visit", *FALSE_KINDS)]
    rows.append(
        ["light without a break", words.number(lights), "no break of the beam fell into the delay window before it"]
    )
    table = _table("Breaks by kind, with the commonest reason", ["kind", "breaks", "commonest reason"], rows)
    return _figure(
        title,
        f"False triggers by kind over the night. {title}.",
        "A mark's area is the number in that half hour; the mark's own text and the table give it.",
        table,
    )


def _blind(facts, tables, est, local):
    if not facts["night"]["start_utc_us"]:
        return None
    gaps = facts["log"]["gaps"]
    rows = [
        [
            local.clock(g["start_utc_us"], True),
            local.clock(g["end_utc_us"], True),
            words.hours(g["length_s"]),
            g["why_words"],
            g["detail"],
        ]
        for g in gaps
    ]
    title = f"The beam was watched for {facts['exposure']['text']}"
    note = (
        "Hatched bars: times of which nothing is known. The bars above them: the board's starts, with "
        "the clock's uncertainty."
    )
    table = _table("Blind times", ["from", "to", "length", "why", "detail"], rows)
    return _figure(title, f"{words.count(len(gaps), 'blind time').capitalize()} over the night. {title}.", note, table)
