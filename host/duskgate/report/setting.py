"""Where and when: site, sky, span of the night, sight, best window and thresholds, as facts."""

from __future__ import annotations

import dataclasses
from typing import Any

from . import words

HOUR_US = words.HOUR_US
BEAM_SOURCE_WORDS = {
    "own": "The beam is this board's own: the delay is the way from its receiver's signal to the light; "
    "the receiver's own response comes before it.",
    "tap": "The beam is read at the trigger unit's output: the unit's own delay (receiver filter, "
    "relay) is not contained in the delay.",
    "beside": "The beam stands beside the rig's own: the delay also holds the animal's way between both beams.",
    "": "The site file does not say where the beam's signal is taken, so what the delay contains is not known.",
}
SUN_MARGIN_S = 1800.0  # before sunset and after sunrise, or the other way round: visitors of the dusk still count
TWILIGHTS = ("day", "civil twilight", "nautical twilight", "astronomical twilight", "night")


def night_span(tables: dict) -> tuple[int, int]:
    """First and last instant of the night in UTC microseconds, of what has a time of day; (0, 0) if nothing has."""
    starts, ends = [], []
    for name, lo, hi in (
        ("boots", "start_utc_us", "end_utc_us"),
        ("rates", "start_utc_us", "end_utc_us"),
        ("breaks", "start_utc_us", "start_utc_us"),
    ):
        table = tables[name]
        known = table[(table[lo] > words.KNOWN_FROM_US) & (table[hi] > words.KNOWN_FROM_US)]
        if len(known):
            starts.append(int(known[lo].min()))
            ends.append(int(known[hi].max()))
        if starts and name == "boots":
            break
    return (min(starts), max(ends)) if starts else (0, 0)


def site_facts(site: Any) -> dict:
    """Name, place, zone, beam source and heads of the site; plain words where there is no site file."""

    def get(name: str, default: Any) -> Any:
        value = getattr(site, name, default)
        return default if value is None else value

    heads = [_head_facts(h) for h in get("heads", ())]
    return {
        "name": words.clean(get("name", "a site without a site file")),
        "zone": str(get("zone", "UTC")),
        "active": str(get("active", "night")),
        "latitude_deg": get("latitude_deg", None),
        "longitude_deg": get("longitude_deg", None),
        "beam_source": str(get("beam_source", "")),
        "channels": [str(c) for c in get("channels", ())],
        "heads": heads,
    }


def _head_facts(head: Any) -> dict:
    if dataclasses.is_dataclass(head) and not isinstance(head, type):
        return dataclasses.asdict(head)
    return dict(head) if isinstance(head, dict) else {"name": str(head)}


def beam_source_facts(place: dict, site: Any) -> dict:
    """Where the beam's signal is taken, and so what a delay contains."""
    source = place["beam_source"]
    stated = getattr(site, "stated", None)
    assumed = stated is not None and "beam_source" not in stated
    text = BEAM_SOURCE_WORDS.get(source, BEAM_SOURCE_WORDS[""])
    return {
        "source": source,
        "assumed": assumed,
        "text": text + (" The site file does not say so; it is assumed." if assumed else ""),
    }


def sky_facts(sky: dict | None, local: words.LocalTime) -> dict:
    """Sun and moon of the night, in UTC microseconds, with their words.

    `sky` holds `bands` [{name, start_utc_us, end_utc_us}], `sunset_utc_us`, `sunrise_utc_us`, `moon_up` [[start, end],
    ...] and `moon_lit` (0..1); None where place or time of day are unknown.
    """
    if not sky:
        return {
            "known": False,
            "text": "Sun and moon are not known: the site file gives no place, or the log no time of day.",
            "bands": [],
            "moon_up": [],
        }
    out = {"known": True, **sky}
    sunset, sunrise = sky.get("sunset_utc_us"), sky.get("sunrise_utc_us")
    parts = []
    if sunset and sunrise and sunrise < sunset:
        parts.append(f"Sunrise {local.clock(sunrise)}, sunset {local.clock(sunset)}.")
    elif sunset and sunrise:
        out["dark_h"] = (sunrise - sunset) / HOUR_US
        parts.append(f"Sunset {local.clock(sunset)}, sunrise {local.clock(sunrise)}.")
    lit = sky.get("moon_lit")
    if words.finite(lit):
        up = [local.span(lo, hi) for lo, hi in _in_the_night(sky)]
        where = f"above the horizon {words.listed(up)}" if up else "below the horizon all night"
        parts.append(f"Moon {words.number(100 * lit)} % lit, {where}.")
    out["text"] = " ".join(parts)
    return out


def active_hours(site: Any, sky: dict | None) -> tuple[int, int] | None:
    """From when to when (us UTC) the site's visitor is about, by the sun; None: not known, or by day and night.

    A night visitor from SUN_MARGIN_S before sunset to as long after sunrise, a day visitor from before sunrise to after
    sunset.
    """
    active = getattr(site, "active", "night")
    begin, end = ("sunrise_utc_us", "sunset_utc_us") if active == "day" else ("sunset_utc_us", "sunrise_utc_us")
    lo, hi = ((sky or {}).get(key) for key in (begin, end))
    if active == "both" or not lo or not hi or hi <= lo:
        return None
    margin = int(SUN_MARGIN_S * 1e6)
    return lo - margin, hi + margin


def _in_the_night(sky: dict) -> list[tuple[int, int]]:
    """Spans with the moon up between sunset and sunrise; whole spans where the sun does not set or rise."""
    start, end = sky.get("sunset_utc_us"), sky.get("sunrise_utc_us")
    spans = [(lo, hi) for lo, hi in sky.get("moon_up", [])]
    if start and end and start < end:
        spans = [(max(lo, start), min(hi, end)) for lo, hi in spans]
    return [(lo, hi) for lo, hi in spans if hi > lo]


def exposure_facts(est: dict) -> dict:
    """How long the beam could be watched, and what took the rest."""
    e = est.get("exposure") or {}
    session, live = e.get("session_s") or 0.0, e.get("live_s") or 0.0
    losses = [
        (e.get("blocked_s"), "beam blocked"),
        (e.get("blind_s"), "logger blind"),
        (e.get("off_s"), "logger off or starting"),
    ]
    lost = [f"{what} {words.hours(s)}" for s, what in losses if s]
    if not session:
        text = "no session in the log"
    else:
        text = f"{words.hours(live)} of {words.hours(session)} ({words.number(100 * live / session)} %)" + (
            f"; {', '.join(lost)}" if lost else ""
        )
    return {**e, "text": text, "sentence": f"Time of sight: {text}. Rates are per hour of sight."}


WHEN_ACTIVE = "active in the site file says when the visitor comes: night, day or both"


def _hours_words(kept: bool, active: str) -> str:
    """What the sun had to do with the choice of the window."""
    margin = words.hours(SUN_MARGIN_S)
    ends = ("sunset", "sunrise") if active == "night" else ("sunrise", "sunset")
    span = f"from {margin} before {ends[0]} to {margin} after {ends[1]}"
    if kept:
        return f'Windows were sought {span} (active = "{active}" in the site file).'
    return f"The log holds no whole window {span}, so all its hours were searched; {WHEN_ACTIVE}."


def best_window_facts(est: dict, local: words.LocalTime, active: str = "night") -> dict | None:
    """The best window with its doubt: which windows it does not beat, and how many nights it rests on."""
    best = est.get("best_window") or {}
    start, end = best.get("start_utc_us"), best.get("end_utc_us")
    rate = best.get("rate_per_h") or {}
    if not best:
        return None
    placed = start is not None and (start > words.KNOWN_FROM_US or local.since_start)
    known = placed and words.finite(rate.get("value"))
    rate_text = words.estimate_text(rate, "per h")
    rivals = [local.span(s, e) for s, e in best.get("not_beaten", [])]
    nights = best.get("n_nights", 1)
    note = best.get("text", "")
    if known and not note:
        note = f"Rests on {words.count(nights, 'night')}."
    if best.get("hours_kept") is not None:
        stop = "." if note and not note.endswith((".", "!", "?")) else ""
        note = f"{note[:1].upper()}{note[1:]}{stop} {_hours_words(best['hours_kept'], active)}".strip()
        outside, n = best.get("n_outside", 0), (est.get("visits") or {}).get("n", 0)
        if outside * 2 > n:
            note += (
                f" But {words.number(outside)} of {words.count(n, 'visit')} came outside these hours: {WHEN_ACTIVE}."
            )
    if known and rivals and not best.get("text"):
        unbeaten = words.count(len(rivals), "window").capitalize()
        note = f"{note} {unbeaten} of this length cannot be told from the best one.".strip()
    span = local.span(start, end) if known else ""
    return {
        "span": span,
        "start_utc_us": start,
        "end_utc_us": end,
        "rate_text": rate_text,
        "n_nights": nights,
        "not_beaten": rivals,
        "note": note,
        "length_text": words.hours(best.get("length_s", 7200)),
        "text": f"{span}: {rate_text}, {words.count(nights, 'night')}" if known else (note or rate_text),
    }


def note_facts(notes, local: words.LocalTime) -> list[dict]:
    """Notes and button presses, in order of time."""
    out = []
    for n in notes.itertuples(index=False):
        head, text = int(n.head), words.clean(n.text or "")
        said = words.clean(n.what) + (f" in head {head}" if head > 0 else "") + (f": {text}" if text else "")
        if str(n.what) == "text" and text:
            said = text
        out.append(
            {
                "utc_us": int(n.utc_us),
                "time": local.clock(n.utc_us),
                "what": str(n.what),
                "head": head,
                "text": text,
                "said": said,
            }
        )
    return out


def settings_facts(settings: Any) -> list[dict]:
    """Every threshold in force with its value; the unit ends the name. `from` says who chose it."""
    out = []
    for f in dataclasses.fields(settings):
        value = getattr(settings, f.name)
        if f.name == "assumed" or value is None or value == ():
            continue
        default = f.default if f.default is not dataclasses.MISSING else None
        out.append({"name": f.name, "value": value, "from": "default" if value == default else "site file"})
    return out
