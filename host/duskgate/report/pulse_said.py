"""What the night page says of light pulses: sentences, numbers, table, figure, method and limits."""

from . import words
from .numbers import counted, labelled

FIGURES = (
    ("t05_us", "light above half of its peak (t0.5)", "µs", 1.0),
    ("t01_us", "light above a tenth of its peak (t0.1)", "µs", 1.0),
    ("rise_us", "rise from 10 to 90 %", "µs", 1.0),
    ("delay_us", "half of the peak reached after the light sensor's edge", "µs", 1.0),
    ("peak", "peak of the light", "codes", 1.0),
)
COLUMNS = {"t05_us": "t0.5", "t01_us": "t0.1", "rise_us": "rise 10 to 90 %"}
VERDICT_WORDS = {
    "good": "of one head, measured",
    "several": "of several lights at once",
    "weak": "too weak",
    "saturated": "clipped at the top",
    "cut": "cut by the window kept",
    "none": "without usable samples",
}
DROP_WORDS = {
    "commit_due": "because a commit was due",
    "storage_used_up": "because the room for pulses, which is spread over the night, was used up",
    "one_before_still_read": "because the one before was still being read",
    "nothing_seen": "because the photodiode saw nothing, time after time",
}
CHANGES = {
    "several": "Fire one head alone (`duskgate bench --pulse`) to measure each head.",
    "weak": "Weak pulses: bring the photodiode nearer, or take grey film away.",
    "saturated": "Clipped pulses: move the photodiode away, or add grey film.",
}
METHOD = {
    "what": "Light pulses",
    "how": "Peak and crossings by parabolas fitted to as many samples as their noise allows; t0.5 and t0.1 are the "
    "times above a half and a tenth of the peak. Intervals hold noise, place of the samples and the converter's long "
    "codes. The photodiode's bandwidth is undone where the site file states it (photodiode_khz), else left out.",
    "source": "common practice for t0.5 and t0.1; the converter's data sheet, its erratum of long codes",
}
LIMITS = (
    "A light pulse is measured where one head fires alone: one photodiode cannot part the lights of several heads.",
    "The photodiode sees the light at its own place: nothing is known of other angles, nor of colours it is blind to.",
)


def pulse_numbers(est: dict) -> dict[str, dict]:
    """Counts and figures of each head, labelled; empty where the night holds no pulses."""
    found = est.get("pulse") or {}
    if not found.get("n"):
        return {}
    out = {"pulses": counted("Light pulses kept", found["n"], "pulses", group="light")}
    for head, figures in found["heads"].items():
        for key, label, unit, scale in FIGURES:
            text = f"{words.head_name(head)}: {label}"
            out[f"pulse_{head}_{key}"] = labelled(text, figures.get(key), unit, scale, "light")
    return out


def pulse_words(est: dict) -> list[str]:
    """Sentences: how many pulses of which kind, what was dropped, how long nothing was watched."""
    found = est["pulse"]
    kinds = {v: n for v, n in found["by_verdict"].items() if n}
    said = [f"Of {words.count(found['n'], 'light pulse')}: "
            f"{words.listed([f'{words.number(n)} {VERDICT_WORDS[v]}' for v, n in kinds.items()])}."]  # fmt: skip
    lost = [f"{words.number(n)} {DROP_WORDS[k]}" for k, n in found["dropped"].items() if n]
    if lost:
        said.append(f"Not kept: {words.listed(lost)}.")
    if found["blind_s"]:
        said.append(f"The converter did not watch the light for {words.number(found['blind_s'], 1)} s of the night.")
    return said + [text for verdict, text in CHANGES.items() if kinds.get(verdict) and not kinds.get("good")]


def pulse_table(numbers: dict, est: dict) -> list[dict]:
    """One table with a row per head, or none."""
    heads = (est.get("pulse") or {}).get("heads") or {}
    rows = [
        [words.head_name(h), *(numbers[f"pulse_{h}_{key}"]["text"] for key in COLUMNS), words.number(found["n"])]
        for h, found in heads.items()
    ]
    caption = "Light pulse by head, one head alone"
    return [{"caption": caption, "columns": ["head", *COLUMNS.values(), "pulses"], "rows": rows}] if rows else []


def pulse_figure(est: dict, numbers: dict) -> dict | None:
    """Title, words, table and lines of the figure; None where no head was measured alone."""
    heads = (est.get("pulse") or {}).get("heads") or {}
    if not heads:
        return None
    lines = [
        found["typical"]
        | {
            "name": words.head_name(h),
            "texts": {"50": numbers[f"pulse_{h}_t05_us"]["text"], "10": numbers[f"pulse_{h}_t01_us"]["text"]},
        }
        for h, found in heads.items()
    ]
    title = _finding({words.head_name(h): found["t01_us"] for h, found in heads.items()})
    note = (
        "One line is the pulse of the middle t0.1 of a head that fired alone, as share of its own peak. Marks: where "
        "it crosses a half (t0.5) and a tenth (t0.1) of the peak. Time counts from the edge of the light sensor."
    )
    table = pulse_table(numbers, est)[0]
    return {
        "title": title, "alt": f"Light against time, one line a head. {title}.", "note": note, "table": table,
        "draw_every": 1, "lines": lines,
    }  # fmt: skip


def _finding(t01: dict[str, dict]) -> str:
    """What the figure shows: how long, and whether the heads' intervals lie apart. t01: estimates in us by head."""
    names = sorted(t01, key=lambda name: t01[name]["value"])
    first, last = t01[names[0]], t01[names[-1]]
    ends = [words.number(one["value"]) for one in (first, last)]
    long = f"{ends[0]} µs" if ends[0] == ends[1] else f"{ends[0]} to {ends[1]} µs"
    if len(names) == 1:
        return f"Light of {names[0]} lasts {long} above a tenth of its peak (t0.1)"
    apart = None not in (first["hi"], last["lo"]) and first["hi"] < last["lo"]
    which = f"{names[0]} shortest, {names[-1]} longest" if apart else "no head told apart"
    return f"Lights last {long} above a tenth of their peak (t0.1): {which}"
