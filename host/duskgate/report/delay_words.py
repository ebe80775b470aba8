"""Delays in words: the lines for the terminal, and the methods with their sources."""

from __future__ import annotations

from . import words

PATHS = {
    "beam_flash": "beam to flash",
    "beam_camera": "beam to flash, through the camera",
    "shot_flash": "test shot to flash",
    "break_unit": "break to the unit's output",
}
CHAIN = {"beam_to_sync_us": "beam to camera", "sync_to_light_us": "SYNC to flash"}
CONTAINS = {
    "beam_flash": "from the signal on BEAM to the light at the sensor; where BEAM comes from is said below",
    "beam_camera": "the same with the camera in the chain: its shutter lag is part of it",
    "shot_flash": "from SHOT's own pulse (on BEAM2) to the light: optocoupler, transmitter, radio, receiver, flash "
    "start and light sensor; no beam receiver and no trigger unit",
    "break_unit": "from the true break (fast watcher on BEAM2) to the trigger unit's output (BEAM): its receiver, "
    "filter and relay or transistor, less the watcher's own lateness; no camera, radio or flash",
}
METHODS = (
    {"what": "delay: median and 95 % point", "how": "order statistics; lights matched one to one with breaks in time",
     "source": "Hahn & Meeker 1991, Statistical Intervals, section 5.2"},
    {"what": "difference of rigs", "how": "difference of quantiles; interval from those of both",
     "source": "Zou & Donner 2008, Stat. Med. 27:1693"},
    {"what": "delay with the trigger unit's own", "how": "sum of medians; interval from those of both",
     "source": "Zou & Donner 2008, Stat. Med. 27:1693"},
    {"what": "way flown", "how": "speed x delay, at the speed stated", "source": "kinematics"},
    {"what": "depth of field", "how": "thin lens, hyperfocal relation; circle of confusion of two pixels",
     "source": "Ray 2002, Applied Photographic Optics, 3rd ed. (any textbook of photographic optics)"},
    {"what": "diffraction", "how": "Airy disc, 2.44 x 0.55 um x working f-number",
     "source": "Airy 1835, Trans. Camb. Phil. Soc. 5:283"},
)  # fmt: skip


def why_none(watched: bool, lights: int) -> str:
    """Why a log tells no delay."""
    if not watched:
        return "no light sensor is wired, or none saw light: wire one to FLASH1 to measure the delay"
    return f"{words.count(lights, 'light')}, none of them could be matched with a break"


def lines(facts: dict) -> list[str]:
    """The terminal's lines: rigs one after the other, then their differences."""
    out: list[str] = []
    for rig in facts["rigs"]:
        out += _rig(rig)
    for diff in facts["differences"]:
        out += _difference(diff)
    return out


def _rig(rig: dict) -> list[str]:
    nights = rig["nights"]
    span = "no night" if not nights else nights[0]
    if len(nights) > 1:
        span += f" to {nights[-1]}, {len(nights)} nights"
    out = [f"Rig      {rig['label']} ({rig['site']}), {span}"]
    if not rig["paths"]:
        return [*out, f"Delay    not measured: {rig['why_none']}", *_remarks(rig)]
    for path, found in rig["paths"].items():
        out += _unit(found) if path == "break_unit" else _path(path, found, rig["shared_sensors"])
    for head, e in rig["with_unit"].items():
        out.append(f"{'':<9}{f'with the unit, {head}':<24} median {words.estimate_text(e, 'ms', 1e-3)}")
    out.append(f"Contains {rig['beam_source']['text']}")
    return [*out, *_space(rig["space"]), *_remarks(rig)]


def _unit(found: dict) -> list[str]:
    """The trigger unit alone, and what that delay contains."""
    nights = "" if found["nights"] == 1 else f", {found['nights']} nights"
    return [f"Unit     {PATHS['break_unit']:<24} {_two(found['first_us'])}{nights}",
            f"{'':<9}{CONTAINS['break_unit']}"]  # fmt: skip


def _path(path: str, found: dict, shared: list[str]) -> list[str]:
    first = {"first light": found["first_us"]}
    rows = [(name, q) for name, q in (found["heads"] or first).items()]
    way = PATHS.get(path, path)
    out = [f"{'' if k else 'Delay':<9}{f'{way}, {name}':<24} {_two(q)}" for k, (name, q) in enumerate(rows)]
    if shared:
        out.append(f"{'':<9}{', '.join(shared)}: not proved to see one head each, so no delay by head for them")
    for key, name in CHAIN.items():
        if key in found:
            out.append(f"{'':<9}{name:<24} {_two(found[key])}")
    skews = [f"{pair.replace('-', ' after ') if ' after ' not in pair else pair} {words.estimate_text(e, 'µs')}"
             for pair, e in (found.get("skew_us") or {}).items()]  # fmt: skip
    if skews:
        out.append(f"Skew     {'; '.join(skews)}")
    late = next((m for m in found.get("modes") or [] if m["what"] == "late"), None)
    if late:
        out.append(f"Late     {words.percent_text(late['share'])} of answers come late, near "
                   f"{words.number(late['seen_us'] / 1000, 1)} ms (a command sent twice)")  # fmt: skip
    over = "nights" if found["nights"] > 1 else "night"
    out.append(f"Drift    {words.estimate_text(found['drift'], 'µs')}: last third of the {over} less the first third")
    return out


def _two(q: dict) -> str:
    median, p95 = (words.estimate_text(q[k], "ms", 1e-3) for k in ("median", "p95"))
    return f"median {median}; 95 % below {p95}"


def _space(space: dict) -> list[str]:
    out = []
    led, field = space["lead"], space["depth"]
    if led:
        speed = f"{space['speed_m_s']:g} m/s ({space['speed_source']})"
        way = words.estimate_text(led["way_mm"], "mm")
        out.append(f"Lead     {way} at {speed}, light of {led['head']}: put the beam that far ahead of the focus, "
                   "on the side the animal comes from; twice the speed, twice the way")  # fmt: skip
        out += _spread(led)
    if field:
        out.append(f"Depth    {depth_text(field)}")
    if space["fits"]:
        out.append(f"{'':<9}{fits_text(space['fits'])}")
    measured = space["measured_speed"]
    if measured:
        lo, hi = measured["quartiles_m_s"]
        out.append(f"Speed    the second beam saw {words.number(measured['median_m_s'], 2)} m/s in the middle "
                   f"(half of them {words.number(lo, 2)} to {words.number(hi, 2)}, n = {measured['n']})")  # fmt: skip
    if space["missing"]:
        out.append(f"Fill in  {', '.join(space['missing'])} in site.toml; {missing_text(space['missing'])} not known")
    return out


def _spread(led: dict) -> list[str]:
    s = led["spread"]
    if s["width_mm"] is None:
        return [f"Jitter   not enough data, n = {s['n']}, need about 20"]
    d = words.decimals_for(s["to_mm"], s["width_mm"] / 2)
    text = (f"in {words.number(100 * s['share'])} % of the firings it is {words.number(s['from_mm'], d)} to "
            f"{words.number(s['to_mm'], d)} mm past the beam (n = {words.number(s['n'])})")  # fmt: skip
    if led["late_mm"] is not None:
        text += f"; at late answers near {words.number(led['late_mm'], 1)} mm"
    return [f"Jitter   {text}"]


def depth_text(field: dict) -> str:
    """The depth of field with what it rests on."""
    lens = f"{field['focal_length_mm']:g} mm at f/{field['aperture_f']:g}, {field['distance_mm'] / 1000:g} m, "
    lens += f"blur up to {field['pixels']:g} pixels, {field['circle_um']:.1f} µm"
    if field.get("problem"):
        return f"not known: {field['problem']}"
    if field["total_mm"] is None:
        return f"sharp from {words.number(field['near_mm'])} mm to any distance ({lens})"
    disc = f"; diffraction alone blurs over {field['diffraction_um']:.0f} µm" if field["diffraction_limits"] else ""
    ends = f"{field['near_mm']:.1f} to {field['far_mm']:.1f} mm from the lens"
    return f"{words.number(field['total_mm'], 1)} mm, {ends} ({lens}){disc}"


def fits_text(fits: dict) -> str:
    """Whether the jitter matters for sharpness."""
    if fits["depth_mm"] is None:
        return "the jitter lies within the depth of field whatever the way of flight"
    width, total = words.number(fits["width_mm"], 2), words.number(fits["depth_mm"], 1)
    depth = f"the depth of field ({total} mm)"
    if fits["fits"]:
        return f"the jitter ({width} mm) lies within {depth}, even where the animal flies along the lens's axis"
    return f"the jitter ({width} mm) is wider than {depth}: flying along the lens's axis, an animal is often not sharp"


def _difference(diff: dict) -> list[str]:
    head = f"Compare  {diff['of']} less {diff['less']}"
    if not diff["paths"]:
        return [f"{head}: no path that both measured"]
    out = [head]
    for path, found in diff["paths"].items():
        rows = found["heads"] or {"first light": found["first_us"]}
        rows = {f"{PATHS.get(path, path)}, {name}": q for name, q in rows.items()}
        rows |= {CHAIN[key]: found[key] for key in CHAIN if key in found}
        for name, q in rows.items():
            out.append(f"{'':<9}{name:<24} median {words.estimate_text(q['median'], 'µs')}{_told(q['median'])}; "
                       f"95 % point {words.estimate_text(q['p95'], 'µs')}")  # fmt: skip
    return out


def _told(e: dict) -> str:
    if not words.finite(e.get("value")):
        return ""
    return "" if e["lo"] > 0 or e["hi"] < 0 else ", no difference can be told"


def _remarks(rig: dict) -> list[str]:
    out = [f"Remark   {text}" for text in rig["remarks"]]
    if rig["site_file"] is None:
        out.append("Remark   No site file was found: default thresholds hold, and speed and camera are not known.")
    if rig["lost_edges"]:
        lost = words.count(rig["lost_edges"], "edge")
        out.append(f"Remark   Lost from the log: {lost} of the beam; some lights may lack their break.")
    return out + [f"Partial  {night}: damaged; the numbers rest on what could be read" for night in rig["damaged"]]


def missing_text(keys: list[str]) -> str:
    """What stays unknown without those keys."""
    out = ["the way flown"] if "animal.speed_m_s" in keys else []
    out += ["the depth of field"] if any(k.startswith("camera.") for k in keys) else []
    return f"{words.listed(out)} {'is' if len(out) == 1 else 'are'}"
