"""What really happened in an invented night, kept apart from what the board could see of it.

Tables are dicts of columns of equal length. Times: `_ns` board nanoseconds since the scene's start, `_utc_us` true UTC.
"""

import json
import math
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from .. import fields
from . import scene_chain as chains
from .scene_air import SceneTime, supply_mv, temperature_degc
from .scene_plan import NightPlan, as_json

RESTART_S = 3.0  # board time between a reset and the next boot
UNSAVED_S = 10.0  # a break in power loses at most what came in this long before


@dataclass(frozen=True)
class Drawn:
    """What was drawn: breaks of both beams (first beam first), (n, 2) visits' start and end in true seconds, (n, 3) how
    they passed the second beam, commands in time order, the heads' state at the end, and strangers' light."""

    rows: np.ndarray
    spans: np.ndarray
    passing: np.ndarray
    commands: list[chains.Command]
    chain: chains.Chain
    torches: np.ndarray  # start of every light that came from no head of ours, in true seconds


def utc_us(plan: NightPlan, true_s) -> np.ndarray:
    """True UTC in microseconds, int64."""
    return int(plan.start.timestamp()) * 1_000_000 + np.rint(
        plan.start.microsecond + 1e6 * np.asarray(true_s, dtype=float)
    ).astype(np.int64)


def spells(plan: NightPlan, time: SceneTime, found: list[dict]) -> list[dict]:
    """Spells in which the beam or the board could not see, or saw something else than moths."""
    out = [dict(s) for s in found]
    for hour, cause in plan.resets:
        at = hour * 3600.0
        out.append({"what": "reset", "start_s": at, "end_s": at + RESTART_S, "cause": fields.BOOT_CAUSES[cause]})
        out.append({"what": "unsaved", "start_s": at - UNSAVED_S, "end_s": at})
    for hour, lost in plan.losses:
        out.append({"what": "loss", "start_s": hour * 3600.0, "end_s": hour * 3600.0, "edges": lost})
    for spell in out:
        a, b = spell.pop("start_s"), spell.pop("end_s")
        start_ns, end_ns = time.board([a, b])
        start_us, end_us = utc_us(plan, [a, b])
        spell.update(start_ns=int(start_ns), end_ns=int(end_ns), start_utc_us=int(start_us), end_utc_us=int(end_us))
    return sorted(out, key=lambda s: s["start_ns"])


def seen(start_ns: np.ndarray, end_ns: np.ndarray, found: list[dict]) -> list[str]:
    """Whether the log can hold each break: yes, no, perhaps (not yet stored at a reset), summed (chatter too fast)."""
    out = np.full(len(start_ns), "yes", dtype=object)
    for what, word in (("unsaved", "perhaps"), ("buzz", "summed"), ("reset", "no")):
        for spell in found:
            if spell["what"] == what:
                out[(end_ns >= spell["start_ns"]) & (start_ns < spell["end_ns"])] = word
    return out.tolist()


def breaks_table(plan: NightPlan, time: SceneTime, drawn: Drawn, found: list[dict]) -> dict:
    """One row per break of either beam; the first beam's come first, and break_id counts them in that order."""
    rows = drawn.rows
    by_break = {c.break_id: c for c in drawn.commands if c.break_id >= 0}
    fire_of = {id(c): n for n, c in enumerate(c for c in drawn.commands if c.fired)}
    start_ns, end_ns = time.board(rows["start"]), time.board(rows["end"])
    out: dict[str, Any] = {
        "break_id": list(range(len(rows))), "beam": [f"BEAM{'2' if b else ''}" for b in rows["beam"]],
        "start_ns": start_ns.tolist(), "end_ns": end_ns.tolist(), "start_utc_us": utc_us(plan, rows["start"]).tolist(),
        "dur_us": (1e6 * (rows["end"] - rows["start"])).tolist(), "kind": [fields.BREAK_KINDS[k] for k in rows["kind"]],
        "visit_id": rows["visit"].tolist(), "seen": seen(start_ns, end_ns, found),
    }
    n_heads = len(plan.heads)
    told = [by_break.get(n) for n in range(len(rows))]
    out["outcome"] = [chains.outcome(c, n_heads) if c else "not_watched" for c in told]
    out["cause"] = [chains.cause(c, n_heads) if c else "" for c in told]
    out["fate"] = [c.fate if c else "" for c in told]
    out["retried"] = [bool(c and c.retried) for c in told]
    out["charged"] = [c.charged if c else 0 for c in told]
    out["fresh"] = [c.fresh if c else 0 for c in told]
    out["gap_s"] = [c.gap_s if c else float("nan") for c in told]
    out["fire_id"] = [fire_of.get(id(c), -1) if c else -1 for c in told]
    return out


def fires_table(plan: NightPlan, time: SceneTime, commands: list[chains.Command]) -> dict:
    """One row per command that brought light; latencies in true microseconds from the beam's break, NaN without one."""
    lit = [c for c in commands if c.fired]
    first = np.array([np.nanmin(c.light_s) for c in lit], dtype=float)
    start = np.array([c.start_s if c.break_id >= 0 else np.nan for c in lit], dtype=float)
    out = {
        "fire_id": list(range(len(lit))), "t_ns": time.board(first).tolist(),
        "utc_us": utc_us(plan, first).tolist(), "break_id": [c.break_id for c in lit],
        "kind": ["answered" if c.break_id >= 0 else "interference" for c in lit],
        "latency_us": (1e6 * (first - start)).tolist(), "retried": [c.retried for c in lit],
        "sync_us": (1e6 * (np.array([c.sync_s for c in lit], dtype=float) - start)).tolist(),
    }
    for k in range(len(plan.heads)):
        out[f"latency{k + 1}_us"] = (1e6 * (np.array([c.light_s[k] for c in lit], dtype=float) - start)).tolist()
    return out


def visits_table(plan: NightPlan, drawn: Drawn, told: dict) -> dict:
    """One row per visit, with how many of its breaks one beam could tell apart, and how many of those brought light."""
    spans, mine = drawn.spans, drawn.rows[drawn.rows["beam"] == 0]["visit"]
    fired = np.array(told["fire_id"], dtype=np.int64)[: len(mine)] >= 0
    held = np.array(told["seen"], dtype=object)[: len(mine)] == "yes"
    n = len(spans)
    inside = mine >= 0
    out = {
        "visit_id": list(range(n)), "start_utc_us": utc_us(plan, spans[:, 0]).tolist(),
        "end_utc_us": utc_us(plan, spans[:, 1]).tolist(),
        "n_breaks": np.bincount(mine[inside], minlength=n).tolist(),
        "n_seen": np.bincount(mine[inside & held], minlength=n).tolist(),
        "n_fires": np.bincount(mine[inside & fired], minlength=n).tolist(),
    }
    if len(drawn.passing):
        out["speed_mm_s"] = drawn.passing[:, 1].tolist()
        out["direction"] = ["in" if d else "out" for d in drawn.passing[:, 2]]
    return out


def heads_table(plan: NightPlan, chain: chains.Chain, commands: list[chains.Command]) -> list[dict]:
    """Per head: how often it gave light, and its recycle time (50 % point) through the night."""
    out = []
    for k, head in enumerate(plan.heads):
        at = np.array([c.light_s[k] for c in commands if c.fired >> k & 1])
        r50 = chains.recycle_s(head, np.arange(len(at) + 1))
        out.append({
            "channel": f"FLASH{k + 1}", "n_fires": chain.fires[k],
            "r50_start_s": float(r50[0]), "r50_end_s": float(r50[-1]),
            "sigma": head.sigma, "lapse": head.lapse, "skew_us": head.skew_us,
            "fire_utc_us": utc_us(plan, at).tolist(), "r50_s": r50[1:].tolist(),
        })
    return out


def air_table(plan: NightPlan, time: SceneTime) -> dict:
    """Board time against true UTC, temperature and supply (without the reading's noise), every five minutes."""
    at = np.arange(0.0, plan.hours * 3600.0 + 1.0, 300.0)
    quiet = np.random.default_rng(0)
    still = replace(plan, air=replace(plan.air, supply_noise_mv=0.0))
    return {
        "t_ns": time.board(at).tolist(), "utc_us": utc_us(plan, at).tolist(),
        "temp_degc": temperature_degc(plan.air, plan.hours, at).tolist(),
        "supply_mv": supply_mv(still, at, quiet).tolist(),
    }


def head_of_truth(plan: NightPlan, seed: int) -> dict:
    """What says which night this is, and that it is made up."""
    return {
        "truth": 1, "invented": "every figure of this night was made up by a random generator; nothing was measured",
        "preset": plan.name, "seed": seed, "start_utc_us": int(utc_us(plan, 0.0)),
        "end_utc_us": int(utc_us(plan, plan.hours * 3600.0)), "expected_visits_if_dry": plan.moths.visits,
        "plan": as_json(plan),
    }


def save(path: Path, truth: dict) -> None:
    """Write the truth as JSON (an unknown number is null), whole or not at all."""
    text = json.dumps(_plain(truth), allow_nan=False)
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8")
    os.replace(part, path)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float) and math.isnan(value):
        return None
    return value
