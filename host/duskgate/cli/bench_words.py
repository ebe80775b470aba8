"""What the bench measured: numbers from the analysis, and the words for them."""

import math
from pathlib import Path
from typing import Any

from ..errors import UsageError


def measure(rec: Any, clock: Any, site: Any, window: tuple[int, int], asked: list[str], by_hand: bool) -> dict:
    """Estimates of one run, JSON-able. `asked`: the head that each shot asked alone, or empty."""
    if by_hand:
        return _of_hands(rec, clock, site, window)
    from ..analysis.bench import chain_fires, delay_summary, sensor_answers, shot_fires
    from ..analysis.bench_recycle import recycle_summary, sensors, skew_summary

    fires = shot_fires(rec, clock)
    if asked and len(fires) != len(asked):
        raise UsageError(f"{len(fires)} of {len(asked)} shots are in the log: measure the heads again")
    started = _starts(rec, fires)
    chain = chain_fires(rec, clock)
    unit = (chain["path"] == "break_unit").to_numpy()  # of those shots the light comes through the unit as well
    lit = fires[[f"latency{k}_us" for k in range(1, 5)]].notna().any(axis=1)
    facts: dict = {
        "path": "break_unit" if len(unit) and unit.all() else "shot_flash",
        "shots": len(fires), "started": started, "answered": int(lit.sum()),
        "sensors": sensors(fires), "delay": delay_summary(chain[~unit]), "skew_us": skew_summary(fires), "recycle": {},
    }  # fmt: skip
    if asked:
        facts["heads"] = sensor_answers(fires, asked)
    else:
        facts["recycle"] = recycle_summary(fires)
    if unit.any():
        facts["unit"] = delay_summary(chain[unit])["first_us"]
    return _plain(facts)


def _starts(rec: Any, fires: Any) -> int:
    """Shots whose jumper to BEAM2 was seen: without it no delay can be told."""
    from ..fields import BEAM2

    up = rec.edges[(rec.edges["channel"] == BEAM2) & (rec.edges["level"] == 1)]
    return int(fires["t_us"].round(3).isin((up["t_ns"] / 1000).round(3)).sum())


def _of_hands(rec: Any, clock: Any, site: Any, window: tuple[int, int]) -> dict:
    from ..analysis.night import analyse

    night = analyse(rec, clock, site, window)
    path = site.path if site else "beam_flash"
    found = (night.estimates.get("latency") or {}).get(path) or {}
    breaks = night.tables["breaks"]
    # of the breaks that ended in time: one still open at the end may have its light already
    answered = int(breaks["outcome"].isin(["partial", "all"]).sum())
    return _plain(
        {
            "path": path, "shots": len(breaks), "started": len(breaks),
            "answered": answered, "sensors": list(found.get("heads") or {}),
            "delay": {key: found.get(key) or {} for key in ("first_us", "heads")},
            "skew_us": found.get("skew_us") or {}, "recycle": night.estimates.get("recycle") or {},
        }
    )  # fmt: skip


def _plain(value: Any) -> Any:
    """Numpy numbers as Python's, not-a-number as None."""
    if isinstance(value, dict):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    if hasattr(value, "item"):
        value = value.item()
    return None if isinstance(value, float) and math.isnan(value) else value


def lines(facts: dict) -> list[str]:
    """The same for a person."""
    what = "Fired   " if facts["path"] in ("shot_flash", "break_unit") else "Broken  "
    out = [f"{what}{facts['shots']} times, {facts['answered']} with light", f"Log     {facts['log']}"]
    delay = facts["delay"]
    first = {} if facts["path"] == "break_unit" else delay.get("first_us") or {}
    rows = {"first light": first, **(delay.get("heads") or {})}
    for name, found in rows.items():
        if found:
            out.append(
                f"Delay   {name:<11} {est_text(found['median'], 'median')}; {est_text(found['p95'], '95 % under')}"
            )
    if facts.get("unit"):
        out += unit_lines(facts["unit"])
    out += [f"Skew    {pair:<15} {est_text(found, 'median', 1.0, 'us', 1)}" for pair, found in facts["skew_us"].items()]
    out += [f"Recycle {name:<11} {recycle_text(found)}" for name, found in facts["recycle"].items()]
    if facts.get("heads"):
        out += heads_lines(facts["heads"])
    if facts.get("site_file"):
        out.append(f"Saved   {facts['site_file']}")
    if facts["path"] == "shot_flash" and facts["answered"]:
        out.append("        Contains transmitter, radio, receiver and the flash's own start; not the beam's receiver.")
    return out


def unit_lines(found: dict) -> list[str]:
    """The trigger unit's own delay, from shots that darken the emitter (us), and what that delay contains."""
    from ..report.delay_words import CONTAINS

    said = f"{est_text(found['median'], 'median')}; {est_text(found['p95'], '95 % under')}"
    return [f"Unit    {'alone':<11} {said}", f"        {CONTAINS['break_unit']}"]


def est_text(found: dict, name: str, scale: float = 1000.0, unit: str = "ms", digits: int = 3) -> str:
    """A number with its 95 % interval and n, or what is lacking."""
    if found.get("value") is None:
        return f"{name}: {found.get('text', 'not known')}"
    value, lo, hi = (f"{found[key] / scale:.{digits}f}" for key in ("value", "lo", "hi"))
    return f"{name} {value} {unit} ({lo} to {hi}, n = {found['n']})"


def recycle_text(found: dict) -> str:
    """Recycle time of one sensor's head, or why it is not known."""
    r50, r95 = found.get("r50_s") or {}, found.get("r95_s") or {}
    if r50.get("value") is None:
        return f"not known: {found.get('note') or r50.get('text', 'these gaps do not show it')}"
    return f"{est_text(r50, 'half fire after', 1.0, 's', 2)}; {est_text(r95, '95 % after', 1.0, 's', 2)}"


def heads_lines(heads: dict) -> list[str]:
    """Which sensor answered which head, in counts."""
    out = []
    for name, share in heads["share"].items():
        counts = ", ".join(f"{sensor} {seen} of {n}" for sensor, (seen, n) in share.items())
        proved = heads["heads"].get(name) or []
        verdict = f"seen alone by {', '.join(proved)}" if proved else "no sensor proved to see it alone"
        out.append(f"Head    {name}: {verdict} ({counts})")
    if not all(heads["heads"].values()):
        out.append("        Tubes part the heads; ten shots or more of each prove it (hardware_notes/sensors.md).")
    return out


def why_nothing(facts: dict, by_hand: bool) -> str:
    """One line for a run without light."""
    if not by_hand and not facts["started"]:
        return "no start was seen on BEAM2: set the jumper from SHOT to BEAM2 (hardware_notes/bench.md), then try again"
    return "no light sensor answered: heads on and charged, receiver on, sensors at their place? then try again"


def save_sensors(path: Path, proved: dict[str, list[str]]) -> str:
    """Write the key `sensors` of each proved head into the site file; nothing else of it changes."""
    from .. import sitefile
    from ..tables import write_whole

    text = path.read_text(encoding="utf-8")
    site = sitefile.parse(text, str(path))
    names = [head.name for head in site.heads]
    new = with_sensors(text, {names.index(n): found for n, found in proved.items() if n in names and found})
    if new == text:
        return f"{path}: nothing to write"
    sitefile.parse(new, str(path))  # a file that cannot be read again is not written
    write_whole(path.resolve(), new.encode("utf-8"), force=True)  # --save asks for it; a link stays a link
    return f"{path}: sensors of {', '.join(n for n, found in proved.items() if found)}"


def with_sensors(text: str, sensors: dict[int, list[str]]) -> str:
    """The file's text with `sensors = [...]` in the blocks [[heads]] of these numbers (from 0)."""
    from ..sitefile import toml

    out: list[str] = []
    head, written = -1, False
    for line in text.splitlines():
        bare = line.strip()
        if bare.startswith("["):
            head, written = (head + 1, False) if bare.startswith("[[heads]]") else (-2 if head >= 0 else head, False)
        if head in sensors and not bare.startswith("[") and bare.lstrip("# ").startswith("sensors"):
            continue  # the old line, stated or a remark
        out.append(line)
        if head in sensors and bare.startswith("[[heads]]") and not written:
            out.append(f"sensors = {toml(sensors[head])}")
            written = True
    return "\n".join(out) + "\n"
