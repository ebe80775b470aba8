"""What to change tonight: advice drawn from the estimates, each with the number it rests on."""

from ..faults import INPUT_CHATTER, INPUT_HUM, INPUT_NEW, INPUT_SILENT, INPUT_TWINS
from ..fields import BEAM
from . import words

NIGHT_H = 10.0  # longest night to plan for where the sky is not known


def advice(
    est: dict, boots: list[dict], problems: dict, numbers: dict, night_hours: float | None,
    faults: list[dict] | None = None,
) -> list[dict]:
    """Rows {what, why}, most pressing first; empty where the log asks for no change."""
    found = [
        *_log(problems),
        *_clock(boots),
        *_wiring(faults or []),
        *_beam(est),
        *_heads(est, numbers),
        *_supply(est, numbers, night_hours or NIGHT_H),
        *_misses(est, numbers),
        *_lights(est),
        *_leaf(est),
    ]
    return [{"what": what, "why": why} for what, why in found]


MISWIRED = (INPUT_NEW, INPUT_TWINS, INPUT_HUM, INPUT_CHATTER)  # dew is the verdict's, a dark head the estimates'


def _wiring(faults):
    for fault in faults:
        if fault["number"] in MISWIRED or (fault["number"] == INPUT_SILENT and fault["detail"] >> BEAM & 1):
            yield f"Look at an input: {fault['todo']}.", f"The board noted: {fault['text']} ({fault['time']})."


def _beam(est):
    verdict = est.get("verdict") or {}
    what = verdict.get("what", "clear")
    if what == "misaligned":
        yield "Align the beam again and fix its parts against wind.", verdict.get("text", "")
    elif what == "dew":
        yield "Keep dew off the beam's windows (hood, mild warmth).", verdict.get("text", "")
    elif what != "clear" and verdict.get("text"):
        yield "Look at the beam before dusk.", verdict["text"]


def _leaf(est):
    if (est.get("kinds") or {}).get("leaf", 0) >= 7:
        yield (
            "Tie back or cut what sways through the beam.",
            f"{words.count(est['kinds']['leaf'], 'break')} came in the steady rhythm of a leaf.",
        )


def _supply(est, numbers, night_hours):
    left = (est.get("supply") or {}).get("logger", {}).get("hours_left") or {}
    next_night = f"the next night takes {words.hours(night_hours * 3600)}"
    if words.finite(left.get("lo")) and left["lo"] < night_hours:
        yield "Change or charge the logger's cells.", f"They last {numbers['logger_hours']['text']}; {next_night}."
    elif words.finite(left.get("at_least_h")) and left["at_least_h"] < night_hours:
        yield (
            "Make sure of the logger's cells: measure, charge or change them.",
            f"The log vouches for no more than {numbers['logger_hours']['text']}; {next_night}.",
        )


def _heads(est, numbers):
    slow = []
    for head, found in (est.get("recycle") or {}).items():
        growth = found.get("growth") or {}
        if words.finite(growth.get("lo")) and growth["lo"] > 1.1:
            slow.append(head)
    if slow:
        named = words.listed([words.head_name(h) for h in slow])
        worst = max(slow, key=lambda h: est["recycle"][h]["growth"]["value"])
        yield (
            f"Fresh cells in {named}.",
            f"Recycling at the night's end took up to {numbers[f'recycle_{worst}_growth']['text']} that of its start. "
            "A sudden end of a cell cannot be foreseen from one night.",
        )
    for head in _dark_heads(est):
        yield (
            f"Check {head}: cells, receiver and light sensor.",
            f"{head} is wired but was not seen to light while others did.",
        )


def _dark_heads(est):
    for found in (est.get("latency") or {}).values():
        heads = found.get("heads") or {}
        counts = {h: (q.get("median") or {}).get("n", 0) for h, q in heads.items()}
        if max(counts.values(), default=0) >= 10:
            yield from (h for h, n in counts.items() if n == 0)


def _misses(est, numbers):
    misses = est.get("misses") or {}
    cause, n = misses.get("by_cause") or {}, misses.get("n", 0)
    if n < 5:
        return
    ready = [v for k, v in numbers.items() if k.startswith("recycle_") and k.endswith("_r95_s") and v["value"]]
    plan = max(ready, key=lambda v: v["value"])["text"] if ready else None
    if cause.get("recycling", 0) * 2 > n:
        until = f" The slowest head is ready in 95 % of cases after {plan}." if plan else ""
        yield (
            "Lower the heads' power, or accept one picture a visit.",
            f"{cause['recycling']} of {n} misses came while the heads recycled.{until}",
        )
    if cause.get("battery", 0) * 4 > n:
        yield (
            "Bring a second set of cells for the heads.",
            f"{cause['battery']} of {n} misses would have fired on fresh cells.",
        )
    if cause.get("radio", 0) * 4 > n:
        yield (
            "Move the radio transmitter or its receivers closer, or clear the line between them.",
            f"{cause['radio']} of {n} misses look like commands that never arrived.",
        )
    if cause.get("camera", 0) * 4 > n:
        yield (
            "Shorten the shutter or add a camera.",
            f"{cause['camera']} of {n} misses came while the camera was busy with a frame.",
        )


def _lights(est):
    n = (est.get("fires") or {}).get("interference", 0)
    if n >= 3:
        yield (
            "Shade the light sensors, or find the other light.",
            f"{words.count(n, 'light')} came without a break of the beam.",
        )


def _clock(boots):
    if any(b["clock"] == "unknown" for b in boots):
        yield (
            "Set the board's clock before dusk, and check the clock chip's cell.",
            "A start of the board carries no time of day.",
        )


def _log(problems):
    if problems["n"]:
        yield (
            "Pull the log again before the board is used.",
            f"{problems['text'].capitalize()}; the board may still hold the whole of it.",
        )
