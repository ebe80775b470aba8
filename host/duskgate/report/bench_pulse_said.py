"""What a bench run on light pulses says: a line for each step, tables, whether heads are alike, how they charge."""

from __future__ import annotations

from typing import Any

from .. import __version__, fields
from ..plan.power_table import fraction_words
from . import bench_pulse_figures, words
from .season_said import made_by

COLUMNS = (
    ("t05_us", "t0.5", "µs"), ("t01_us", "t0.1", "µs"), ("peak", "peak", "codes"), ("energy", "energy", "codes x µs"),
)  # fmt: skip
ALSO = (("rise_us", "rise, 10 to 90 %", "µs"), ("delay_us", "edge to half rise", "µs"))
WHAT = {
    "good": "good", "weak": "weak", "saturated": "saturated", "cut": "longer than the record", "none": "dark",
    "several": "several lights in it", "no light": "no light", "no pulse": "no pulse recorded",
}  # fmt: skip
ADVICE = {  # of steps without pulses; every pulse carries its own
    "no light": "no light sensor answered: is the head on and charged, the receiver on, the sensor at its place?",
    "no pulse": "lights came and pulses did not: is the photodiode on PULSE, is the gap 0.5 s or more?",
}
CAUTIONS = (
    {"about": "Heat", "text": "Shots in a row heat a flash head. Keep to the count and the rest that its maker states; "
     "stop when its window smells or browns."},
    {"about": "Eyes", "text": "Nobody looks into a head that is on, and no head points at people or animals."},
    {"about": "Flash", "text": "Never open a flash head: its capacitor holds a deadly charge, also switched off. The "
     "photodiode looks at its light from outside."},
    {"about": "Photodiode", "text": "Its output stays within 0 to 3.3 V, or it harms the board: see "
     "hardware_notes/pulse.md."},
)  # fmt: skip
READING = (
    "Numbers in brackets are 95 % intervals; n is the number of pulses. t0.5 and t0.1: time above a half and above a "
    "tenth of the peak. Peak and energy are in steps of the board's converter: they compare pulses only while the "
    "photodiode keeps its place."
)
METHODS = (
    {"what": "t0.5 and t0.1", "how": "time for which the light is above a half and a tenth of its peak, baseline taken "
     "away; the interval holds scatter between pulses, samples 2 µs apart, noise and the converter's uneven steps. "
     "The photodiode's bandwidth is undone where the site file states it (photodiode_khz), else left out",
     "source": "definition: common practice, no source; uneven steps: erratum of long codes in the converter's data "
     "sheet"},
    {"what": "Alike", "how": "two one-sided tests at 5 % on the ratio of the means",
     "source": "Schuirmann 1987, Journal of Pharmacokinetics and Biopharmaceutics 15:657"},
    {"what": "Energy against gap", "how": "a capacitor charged through a resistor, or by constant power, whichever "
     "fits better; interval by the F test of the residuals",
     "source": "energy C V² / 2: maths; Seber and Wild 1989, Nonlinear Regression, section 5.4"},
)  # fmt: skip
FACTS_VERSION = 1
LIMITS = (
    "The photodiode sees the head from one side: a diffuser, an angle or a wall changes peak and energy, not t0.5 and "
    "t0.1.",
    "Heads whose durations are alike freeze alike; whether they light the flower alike is for the exposure to say.",
    "A recycle time by energy says when the light is whole again; the head's ready lamp may say it sooner or later.",
)


def step_name(step: dict) -> str:
    """'left at 1/16', 'left at full power'."""
    power = fraction_words(step["power"])
    return f"{step['head']} at {'full power' if power == 'full' else power}"


def left_out(step: dict) -> str:
    """'weak 2, saturated 1', 'none'."""
    absent = step["shots"] - step["pulses"]
    said = [f"{WHAT.get(verdict, verdict)} {n}" for verdict, n in step["left_out"].items()]
    return ", ".join(said + ([f"no pulse {absent}"] if absent > 0 else [])) or "none"


def step_line(step: dict) -> str:
    """What one step gave, in one line; what to change where it was not good."""
    good = f"{step['good']} of {words.count(step['shots'], 'shot')} good"
    if step["verdict"] == "good":
        two = ", ".join(f"{name} {words.estimate_text(step[key], unit)}" for key, name, unit in COLUMNS[:2])
        return f"{step_name(step)}: {good}; {two}"
    return f"{step_name(step)}: {WHAT.get(step['verdict'], step['verdict'])}, {good}. {sentence(advice(step))}"


def sentence(text: str) -> str:
    """Text with a capital at its beginning."""
    return text[:1].upper() + text[1:]


def advice(step: dict) -> str:
    """What to change before the step is repeated; "" where it was good."""
    return step["advice"] or ADVICE.get(step["verdict"], "")


def pair_text(pair: dict) -> str:
    """'left and right at 1/16: alike; why'."""
    return f"{pair['heads'][0]} and {step_name({'head': pair['heads'][1], 'power': pair['power']})}"


def alike_rows(facts: dict) -> list[list[str]]:
    """Rows heads, what of them, whether alike and why."""
    return [[pair_text(pair), name, pair[name]["what"], pair[name]["text"]]
            for pair in facts["alike"] for name in ("duration", "light")]  # fmt: skip


def criterion(facts: dict) -> str:
    """When two heads count as alike."""
    factor = facts["alike_within"]
    return (
        f"Alike in duration: their t0.1 differ by less than a factor of {factor['t01_us']:.2f}; in light: their energy "
        f"by less than {factor['energy']:.2f}, a sixth of a stop, which holds only if the photodiode stood at the same "
        "distance and angle before each. Not known: these pulses do not decide it, fire more."
    )


def lines(facts: dict) -> list[str]:
    """The answer for a terminal."""
    out = [f"Log      {facts['log']}"]
    for step in facts["steps"]:
        out.append(f"Pulse    {step_line(step)}")
        if step["good"]:
            rest = ", ".join(f"{name} {words.estimate_text(step[key], unit)}" for key, name, unit in COLUMNS[2:])
            out.append(f"         {rest}; left out: {left_out(step)}")
        if step["charge"]:
            out.append(f"Charge   {step_name(step)}: {step['charge']['text']}")
    out += [f"Heads    {pair}, {name}: {text}" for pair, name, _, text in alike_rows(facts)]
    if facts["alike"]:
        out.append(f"         {facts['criterion']}")
    if facts.get("site_file"):
        out.append(f"Saved    {facts['site_file']}")
    return out


def why_nothing(facts: dict) -> str:
    """One line for a run without one good pulse."""
    step = facts["steps"][0]
    return f"no pulse was good: {advice(step) or 'repeat it'}"


def rows_to_save(facts: dict) -> list[dict[str, Any]]:
    """Rows for [[power_steps]] of the steps that were good; recycle_s only where the charge curve tells it."""
    out = []
    for step in facts["steps"]:
        if step["verdict"] != "good" or step["t05_us"]["value"] is None or step["t01_us"]["value"] is None:
            continue
        ready = (step["charge"] or {}).get("ready_s") or {}
        out.append({
            "head": step["head"], "power": step["power"], "t05_us": round(step["t05_us"]["value"], 1),
            "t01_us": round(step["t01_us"]["value"], 1), "fires": step["t01_us"]["n"],
            "recycle_s": round(ready["value"], 3) if ready.get("value") is not None else None,
        })  # fmt: skip
    return out


def worded(facts: dict) -> dict:
    """The facts with everything that the page says in words."""
    good = [step for step in facts["steps"] if step["verdict"] == "good"]
    facts = facts | {
        "facts_version": FACTS_VERSION, "versions": {"duskgate": __version__, "tables": fields.TABLES_VERSION},
    }  # fmt: skip
    return facts | {
        "figures": bench_pulse_figures.figure_facts(facts), "methods": [dict(one) for one in METHODS],
        "made_by": made_by(facts), "site_file": "",
        "page_title": "Light pulses of the heads", "answer": answer(facts, good), "reading": READING,
        "partial": [f"{step_line(step)}" for step in facts["steps"] if step["verdict"] != "good"],
        "criterion": criterion(facts), "tables": tables(facts), "limits": list(LIMITS),
        "cautions": [dict(one) for one in CAUTIONS],
    }  # fmt: skip


def answer(facts: dict, good: list[dict]) -> list[str]:
    """The first sentences: how many steps were good, the shortest and longest light, whether heads are alike."""
    out = [f"{words.count(len(good), 'step')} of {len(facts['steps'])} gave good pulses."]
    known = sorted((s for s in good if s["t01_us"]["value"] is not None), key=lambda s: s["t01_us"]["value"])
    names = ("Light",) if len(known) == 1 else ("Shortest light", "Longest")
    ends = zip(names, (known[0], known[-1]), strict=False) if known else ()
    out += [f"{name}: {step_name(s)}, t0.1 {words.estimate_text(s['t01_us'], 'µs')}." for name, s in ends]
    for what in ("not alike", "not known", "alike"):
        pairs = [pair_text(pair) for pair in facts["alike"] if pair["duration"]["what"] == what]
        if pairs:
            told = "not known whether alike" if what == "not known" else what
            out.append(f"{sentence(told)} in duration: {words.listed(pairs)}.")
    return out


def tables(facts: dict) -> dict[str, dict]:
    """Tables {caption, columns, rows} of text."""
    steps = [
        [step_name(step), *(words.estimate_text(step.get(key), unit) for key, _, unit in COLUMNS[:2]),
         f"{WHAT.get(step['verdict'], step['verdict'])}: {step['good']} of {step['shots']}", left_out(step)]
        for step in facts["steps"]
    ]  # fmt: skip
    also = [[step_name(step), *(words.estimate_text(step.get(key), unit) for key, _, unit in (*COLUMNS[2:], *ALSO))]
            for step in facts["steps"]]  # fmt: skip
    pairs = [[f"{pair}, {name}", what, text] for pair, name, what, text in alike_rows(facts)]
    charge = [[step_name(step), step["charge"]["text"]] for step in facts["steps"] if step["charge"]]
    return {
        "steps": _table("Duration of the light, each head alone", ["head and power", *(name for _, name, _ in
                        COLUMNS[:2]), "pulses", "left out"], steps),
        "also": _table("Peak, energy, rise and delay", ["head and power", *(name for _, name, _ in
                       (*COLUMNS[2:], *ALSO))], also),
        "alike": _table("Heads set beside each other", ["heads", "result", "why"], pairs),
        "charge": _table("Energy against the gap between shots", ["head and power", "charge"], charge),
    }  # fmt: skip


def _table(caption: str, columns: list[str], rows: list[list[str]]) -> dict:
    return {"caption": caption, "columns": columns, "rows": rows}

