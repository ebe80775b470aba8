"""What each figure of the delay's page says: title with its finding, text alternative, note and table."""

from __future__ import annotations

from typing import Any

from . import words
from .delay_words import PATHS


def figure_facts(facts: dict, names: list[str]) -> dict[str, dict]:
    """Figures by id; names: a short one for each rig."""
    out = {f"delay_{path}": _shapes(facts, path, names) for path in facts["shapes"]}
    out["delay_late"] = _late(facts, names)
    for k, rig in enumerate(facts["rigs"]):
        if rig["main_path"]:
            out[f"delay_time_{k}"] = _time(rig, k, names)
    return {name: figure for name, figure in out.items() if figure}


def _figure(draw: str, title: str, alt: str, note: str, caption: str, columns: list, rows: list, **more: Any) -> dict:
    table = {"caption": caption, "columns": columns, "rows": [[str(c) for c in row] for row in rows]}
    return {"draw": draw, "title": title, "alt": alt, "note": note, "table": table, **more}


def lane_name(names: list[str], k: int, head: str) -> str:
    """A head, with its rig where there are several."""
    return words.head_name(head) if len(names) == 1 else f"{names[k]}, {words.head_name(head)}"


def _shapes(facts: dict, path: str, names: list[str]) -> dict:
    lanes, rows = [], []
    for lane in facts["shapes"][path]["lanes"]:
        found = facts["rigs"][lane["rig"]]["paths"][path]
        q = found["heads"].get(lane["head"]) or found["first_us"]
        said = {key: words.estimate_text(q[key], "ms", 1e-3) for key in ("median", "p95")}
        name = lane_name(names, lane["rig"], lane["head"])
        text = f"{name}: median {said['median']}"
        ends = {key: {k: q[key].get(k) for k in ("value", "lo", "hi")} for key in ("median", "p95")}
        lanes.append({"name": name, "text": text, **ends} | {f"{key}_text": s for key, s in said.items()})
        rows.append([name, said["median"], said["p95"], words.number(lane["beyond"])])
    title = f"Delay, {PATHS.get(path, path)}: {_finding(lanes)}"
    late = [f"{words.number(lane['beyond'])} of {one['name']}"
            for lane, one in zip(facts["shapes"][path]["lanes"], lanes, strict=True) if lane["beyond"]]  # fmt: skip
    note = (
        "Height: how many firings had that delay, each lane to its own highest. Diamond: median; upright bar: 95 % are "
        "below; both with 95 % intervals."
    )
    note += f" Later than this axis: {words.listed(late)}." if late else ""
    return _figure("shapes", title, f"Firings by delay, a lane for each head. {title}.", note,
                   f"Delay, {PATHS.get(path, path)}", ["head", "median", "95 % below", "later than the axis"], rows,
                   path=path, lanes=lanes)  # fmt: skip


def _finding(lanes: list[dict]) -> str:
    known = sorted((lane["median"]["value"], lane["name"]) for lane in lanes if lane["median"]["value"] is not None)
    if not known:
        return "too few firings for a median"
    if len(known) == 1:
        return f"{words.number(known[0][0] / 1000, 2)} ms (median)"
    (a, first), (b, last) = known[0], known[-1]
    ends = f"{words.number(a / 1000, 2)} to {words.number(b / 1000, 2)} ms"
    return f"medians {ends}, {first} first, {last} last"


def _late(facts: dict, names: list[str]) -> dict | None:
    rigs = []
    for k, rig in enumerate(facts["rigs"]):
        found = rig["paths"].get(rig["main_path"] or "") or {}
        mode = next((m for m in found.get("modes") or [] if m["what"] == "late"), None)
        if mode and found["late"]:
            share, near = words.percent_text(mode["share"]), words.number(mode["seen_us"] / 1000, 1)
            rigs.append({"rig": k, "path": rig["main_path"], "name": names[k], "n": mode["share"]["n"],
                         "late": sum(found["late"]["n"]), "near": near, "share_text": share,
                         "text": f"{names[k]}: {share} late, near {near} ms"})  # fmt: skip
    if not rigs:
        return None
    said = [f"{one['share_text']} of answers come late, near {one['near']} ms" for one in rigs]
    title = "; ".join(
        text if len(names) == 1 else f"Rig {one['name']}: {text}" for one, text in zip(rigs, said, strict=True)
    )
    note = "Late answers only, by delay of the first light; a command that was sent twice looks like this."
    rows = [[one["name"], words.number(one["late"]), one["share_text"], f"{one['near']} ms"] for one in rigs]
    return _figure("late", title, f"Late answers by delay. {title}.", note, "Late answers",
                   ["rig", "late answers", "share", "median of the late ones"], rows, rigs=rigs)  # fmt: skip


def _time(rig: dict, k: int, names: list[str]) -> dict | None:
    found = rig["paths"][rig["main_path"]]
    rows = found["by_time"]
    heads = [h for h in dict.fromkeys(h for r in rows for h in r["heads"])
             if any(words.finite(r["heads"][h].get("value")) for r in rows)]  # fmt: skip
    if len(rows) < 2 or not heads:
        return None
    by_night = len(rig["nights"]) > 1
    over = "nights" if by_night else "night"
    title = f"Rig {names[k]}: " if len(names) > 1 else ""
    title += drift_said(found["drift"], over)
    note = f"Medians of the usual answers {'by night' if by_night else 'of six parts of the night'}, 95 % intervals."
    table = [[r["when"], words.head_name(h), words.estimate_text(r["heads"].get(h), "ms", 1e-3)]
             for r in rows for h in heads]  # fmt: skip
    title = title[:1].upper() + title[1:]
    return _figure("time", title, f"Median delay of each head over the {over}. {title}.", note,
                   f"Median delay over the {over}", ["night" if by_night else "time", "head", "median"], table,
                   rig=k, path=rig["main_path"], heads=heads, by_night=by_night)  # fmt: skip


def drift_said(drift: dict, over: str) -> str:
    """What the delay did from the first to the last third."""
    if not words.finite(drift.get("value")):
        return f"drift over the {over}: {drift['text']}"
    told = "" if drift["lo"] > 0 or drift["hi"] < 0 else ": no drift can be told"
    return f"last third of the {over} less the first third: {words.estimate_text(drift, 'µs')}{told}"
