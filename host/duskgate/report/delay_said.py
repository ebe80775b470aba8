"""What the delay's page says around its figures: the answer, the verdict on the beam's place, and the questions."""

from __future__ import annotations

from . import delay_figures, delay_scene, methods, words
from .delay_words import CONTAINS, PATHS, depth_text, fits_text, missing_text
from .season_said import made_by, methods_table
from .told_apart import short_names

READING = "Numbers in brackets are 95 % intervals; n is the number of firings, or what is named there."
LIMITS = (
    "The way flown holds for the speed that is stated; a doubtful speed makes it doubtful in proportion.",
    "What lies before the beam's signal (the receiver's own response, or a trigger unit) is in the delay only where "
    "the page says so.",
    "A light sensor answers a little after the light begins; a flash goes on shining after that.",
    "The picture shows one way of flight; an animal that hovers moves little during the delay.",
)


def with_page(facts: dict) -> dict:
    """The facts with what the page says in words: title, answer, figures, scenes, sections, tables."""
    names = short_names([rig["label"] for rig in facts["rigs"]])
    for rig in facts["rigs"]:
        rig["scene"] = delay_scene.scene_facts(rig["space"])
        rig["verdict"] = verdict(rig)
    figures = delay_figures.figure_facts(facts, names)
    return facts | {
        "page_title": _title(facts), "names": names, "figures": figures, "answer": answer(facts, names),
        "sections": sections(facts, figures, names), "limits": list(LIMITS), "reading": READING,
        "partial": [f"{where}: damaged; the numbers rest on what could be read" for where in facts["damaged"]],
        "methods_table": methods_table(tuple(facts["methods"])), "cautions": [dict(c) for c in methods.CAUTIONS],
        "made_by": made_by(facts), "files_text": f"Read: {words.listed([r['label'] for r in facts['rigs']])}.",
    }  # fmt: skip


def _title(facts: dict) -> str:
    rigs = len(facts["rigs"])
    return "Delay of the rig" if rigs == 1 else f"Delay of {rigs} rigs"


def answer(facts: dict, names: list[str]) -> list[str]:
    """The first sentences: the delay of each rig, the beam's place, and whether the jitter matters."""
    out = []
    for name, rig in zip(names, facts["rigs"], strict=True):
        lead = f"Rig {name}: " if len(names) > 1 else ""
        out += [_capital(f"{lead}{text}.") for text in ([_delay_said(rig), *rig["verdict"][:2]] if len(names) == 1
                else [_delay_said(rig), *rig["verdict"][:1]])]  # fmt: skip
    return out


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _delay_said(rig: dict) -> str:
    if not rig["main_path"]:
        return f"the delay was not measured: {rig['why_none'] or 'only the trigger unit was'}"
    found = rig["paths"][rig["main_path"]]
    head, median = last_head(found)
    way = PATHS[rig["main_path"]]
    if head is None:
        return f"the first light comes {words.estimate_text(median, 'ms', 1e-3)} after the break ({way}, median)"
    return f"the last head, {head}, lights {words.estimate_text(median, 'ms', 1e-3)} after the break ({way}, median)"


def last_head(found: dict) -> tuple[str | None, dict]:
    """The head with the longest median; the first light where none is told apart."""
    known = {h: q["median"] for h, q in found["heads"].items() if words.finite(q["median"].get("value"))}
    if not known:
        return None, found["first_us"]["median"]
    head = max(known, key=lambda h: known[h]["value"])
    return words.head_name(head), known[head]


def verdict(rig: dict) -> list[str]:
    """Where the beam belongs and whether the rest matters, in sentences without an end."""
    space = rig["space"]
    led, field, fits = space["lead"], space["depth"], space["fits"]
    out = []
    if led and words.finite(led["way_mm"].get("value")):
        out.append(f"put the beam {words.estimate_text(led['way_mm'], 'mm')} ahead of the focus, on the side the "
                   f"animal comes from ({space['speed_m_s']:g} m/s, {space['speed_source']})")  # fmt: skip
    if fits:
        out.append(fits_text(fits))
    elif led and led["spread"]["width_mm"] is None:
        out.append(f"the jitter is not known: n = {led['spread']['n']}, need about 20")
    if led and led["late_mm"] is not None:
        out.append(_late(led, field))
    if field and field.get("diffraction_limits"):
        out.append("diffraction blurs more than two pixels at this aperture: a wider one is sharper in the focus")
    if space["missing"]:
        out.append(f"fill in {', '.join(space['missing'])} in site.toml; until then "
                   f"{missing_text(space['missing'])} not known")  # fmt: skip
    return out


def _late(led: dict, field: dict | None) -> str:
    share, at = words.percent_text(led["late_share"]), words.number(led["late_mm"], 1)
    said = f"{share} of answers come late and find the animal near {at} mm past the beam"
    if not field or field.get("problem") or field["total_mm"] is None:
        return said
    beyond, room = led["late_mm"] - led["way_mm"]["value"], field["far_mm"] - field["distance_mm"]
    nearer = field["distance_mm"] - field["near_mm"]
    where = "inside" if beyond <= min(room, nearer) else "outside"
    return f"{said}, {where} the depth of field if it flies along the lens's axis"


def sections(facts: dict, figures: dict, names: list[str]) -> list[dict]:
    """The page in the order of questions; `scenes` are indexes of rigs whose picture stands there."""
    made = [
        _section("delay", "How long is the delay?", _delay(facts, names), [n for n in figures if n.startswith("delay_")
                 and figures[n]["draw"] == "shapes"]),
        _section("late", "Do answers come late?", _late_said(figures), ["delay_late"]),
        _section("drift", "Does it drift?", _drift(facts, names), [n for n in figures if figures[n]["draw"] == "time"]),
    ]  # fmt: skip
    if facts["differences"]:
        made.append(_section("rigs", "How do the rigs differ?", _differ(facts, names), [], _differences(facts, names)))
    made.append(_section("beam", "Where does the beam belong?", _beam(facts, names), []))
    made[-1]["scenes"] = [k for k, rig in enumerate(facts["rigs"]) if rig["scene"]]
    made.append(_section("sound", "What is missing?", _sound(facts, names), []))
    for one in made:
        one["figures"] = [name for name in one["figures"] if name in figures]
    return made


def _section(name: str, question: str, says: list[str], figures: list[str], tables: list[dict] | None = None) -> dict:
    return {"id": name, "question": question, "says": [s for s in says if s], "figures": figures,
            "tables": tables or [], "scenes": []}  # fmt: skip


def _of(names: list[str], k: int, text: str) -> str:
    return text if len(names) == 1 else f"Rig {names[k]}: {text}"


def _delay(facts: dict, names: list[str]) -> list[str]:
    out = []
    for k, rig in enumerate(facts["rigs"]):
        if not rig["paths"]:
            out.append(_of(names, k, f"not measured: {rig['why_none']}"))
            continue
        out += [_of(names, k, f"{PATHS.get(path, path)}: {CONTAINS[path]}") for path in rig["paths"]]
        out.append(_of(names, k, rig["beam_source"]["text"]))
        for path, found in rig["paths"].items():
            pairs = [f"{pair.replace('-', ' after ') if ' after ' not in pair else pair} "
                     f"{words.estimate_text(e, 'µs')}" for pair, e in (found.get("skew_us") or {}).items()]  # fmt: skip
            if pairs:
                out.append(_of(names, k, f"head against head, {PATHS.get(path, path)}: {'; '.join(pairs)}"))
        out += [_of(names, k, f"with the trigger unit's own delay, {head}: {words.estimate_text(e, 'ms', 1e-3)}")
                for head, e in rig["with_unit"].items()]  # fmt: skip
    return out


def _late_said(figures: dict) -> list[str]:
    if "delay_late" in figures:
        return [figures["delay_late"]["title"]]
    return ["No answer came so late that it looks like a command sent twice"]


def _drift(facts: dict, names: list[str]) -> list[str]:
    out = []
    for k, rig in enumerate(facts["rigs"]):
        if rig["main_path"]:
            over = "nights" if len(rig["nights"]) > 1 else "night"
            out.append(_of(names, k, delay_figures.drift_said(rig["paths"][rig["main_path"]]["drift"], over)))
    return out


def _beam(facts: dict, names: list[str]) -> list[str]:
    out = []
    for k, rig in enumerate(facts["rigs"]):
        space = rig["space"]
        out += [_of(names, k, text) for text in rig["verdict"]]
        if space["depth"]:
            out.append(_of(names, k, f"depth of field: {depth_text(space['depth'])}"))
        seen = space["measured_speed"]
        if seen:
            lo, hi = (words.number(q, 2) for q in seen["quartiles_m_s"])
            out.append(_of(names, k, f"the second beam saw {words.number(seen['median_m_s'], 2)} m/s in the middle "
                                     f"(half of them {lo} to {hi}, n = {words.number(seen['n'])})"))  # fmt: skip
    return out


def _differ(facts: dict, names: list[str]) -> list[str]:
    return [f"Differences are of each rig less {names[0]}; an interval that holds zero tells no difference"]


def _differences(facts: dict, names: list[str]) -> list[dict]:
    rows = []
    for name, diff in zip(names[1:], facts["differences"], strict=True):
        for path, found in diff["paths"].items():
            heads = found["heads"] or {"first light": found["first_us"]}
            rows += [[name, PATHS.get(path, path), words.head_name(head), words.estimate_text(q["median"], "µs"),
                      words.estimate_text(q["p95"], "µs")] for head, q in heads.items()]  # fmt: skip
    return [{"caption": f"Delay less that of {names[0]}", "rows": rows,
             "columns": ["rig", "path", "head", "median", "95 % point"]}]  # fmt: skip


def _sound(facts: dict, names: list[str]) -> list[str]:
    out = []
    for k, rig in enumerate(facts["rigs"]):
        out += [_of(names, k, text) for text in rig["remarks"]]
        if rig["site_file"] is None:
            out.append(_of(names, k, "no site file was found: default thresholds hold"))
        if rig["lost_edges"]:
            lost = words.count(rig["lost_edges"], "edge")
            out.append(_of(names, k, f"lost from the log: {lost} of the beam; some lights may lack their break"))
        if rig["shared_sensors"]:
            heads = words.listed(rig["shared_sensors"])
            out.append(_of(names, k, f"{heads}: not proved to see one head each, so no delay by head for them"))
    return [*out, *(["Damaged logs are named at the top of this page"] if facts["damaged"] else [])] or [
        "Nothing: every log was read whole"]  # fmt: skip
