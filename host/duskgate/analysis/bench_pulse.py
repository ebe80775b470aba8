"""Light pulses on the bench: each head fired alone at each power, measured from the pulses of one run.

A step is one head at one power; its shots may come at several gaps. Duration and energy are summed up over the pulses
of the longest gap, before which the head had most time to charge; all gaps together give the charge curve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from duskgate.analysis.pulse import UNSTATED, PulseSensor, measure, measure_all
from duskgate.analysis.pulse_charge import charge_curve
from duskgate.analysis.pulse_heads import ALIKE, alike, summary
from duskgate.analysis.stats import estimate, lacking
from duskgate.fields import FLASHES

ONE_LIGHT_NS = 50_000_000  # rises closer than this are one light: the sensors of the same flash
ENOUGH = 0.8  # share of the shots that must give a good pulse: our own choice
LEAST = 3  # and never fewer pulses than this
LONGEST = 0.9  # gaps above this share of the longest count as the longest: the board's timer and the first shot
NEAR = 0.1  # gaps off by less than this share are the gap that was asked for
SAME = 1e-6  # powers this close, relatively, are one
SHOWN_AFTER, SHOWN_POINTS = 0.6, 300  # of t0.1 after the light, and points at most (about) of a drawn pulse
ALIKE_BY = {"duration": "t01_us", "light": "energy"}


@dataclass(frozen=True)
class Step:
    """One head at one power: its shots at the gaps asked for, and the board time (ns, of one boot) that holds them."""

    head: str
    power: float
    gaps_s: tuple[float, ...]
    shots: int
    boot: int
    from_ns: int
    to_ns: int


def lights_ns(rec: Any, step: Step) -> np.ndarray:
    """Board times of the lights in a step, whichever sensors saw them; int64, rising."""
    edges = rec.edges
    up = edges["channel"].isin(FLASHES) & (edges["level"] == 1) & (edges["boot"] == step.boot)
    t = np.sort(edges.loc[up & edges["t_ns"].between(step.from_ns, step.to_ns), "t_ns"].to_numpy(np.int64))
    return t[np.diff(t, prepend=t[:1] - 2 * ONE_LIGHT_NS) > ONE_LIGHT_NS]


def step_pulses(rec: Any, step: Step) -> pd.DataFrame:
    """The recording's pulses of a step, as `fields.RECORDING["pulses"]`."""
    found = rec.pulses
    inside = (found["boot"] == step.boot) & found["t_ns"].between(step.from_ns, step.to_ns)
    return found[inside].reset_index(drop=True)


def step_rows(rec: Any, step: Step, sensor: PulseSensor = UNSTATED) -> pd.DataFrame:
    """A row for each pulse of a step, as `measure_all` gives it, and gap_s: since the light before, NaN for the first.

    The first light of a step has no gap: the head stood ready for as long as the hand took.
    """
    pulses, lit = step_pulses(rec, step), lights_ns(rec, step)
    rows = measure_all(pulses, sensor).reset_index(drop=True)
    t = pulses["t_ns"].to_numpy(np.int64)
    before = np.searchsorted(lit, t - ONE_LIGHT_NS, side="right") - 1
    gap = np.full(len(t), np.nan)
    known = before >= 0
    gap[known] = (t[known] - lit[before[known]]) / 1e9
    return rows.assign(gap_s=gap)


def step_facts(rec: Any, step: Step, sensor: PulseSensor = UNSTATED) -> tuple[dict[str, Any], pd.DataFrame]:
    """What one step gave, JSON-able, and its good pulses at the longest gap (rows of `step_rows`).

    verdict: good; no light; no pulse; else what most of the pulses suffer from (weak, saturated, cut, several, none).
    """
    rows = step_rows(rec, step, sensor)
    good = rows[rows["verdict"] == "good"]
    full = rested(good, step)
    found = {
        "head": step.head, "power": step.power, "gaps_s": list(step.gaps_s), "shots": step.shots,
        "lights": len(lights_ns(rec, step)), "pulses": len(rows), "good": len(good),
        "left_out": {str(k): int(n) for k, n in rows["verdict"].value_counts().items() if k != "good" and n},
        "at_gap_s": max(step.gaps_s),
    }  # fmt: skip
    found["verdict"] = _verdict(found)
    found["advice"] = _advice(rows, found["verdict"])
    found |= {key: e for key, e in summary(full).items() if key not in ("n", "left_out")}
    found["charge"] = _charge(good, step)
    found["typical"] = typical(step_pulses(rec, step), full, sensor)
    return found, full


def typical(pulses: pd.DataFrame, full: pd.DataFrame, sensor: PulseSensor = UNSTATED) -> dict[str, Any] | None:
    """The pulse whose t0.1 is in the middle, for a figure: t_us since the edge, share of the peak; None without one.

    marks_us: where its light crosses a half and a tenth of the peak, rising and falling.
    """
    if not len(full):
        return None
    number = full.sort_values("t01_us", kind="stable")["number"].iloc[(len(full) - 1) // 2]
    row = pulses[pulses["number"] == number].iloc[0]
    found = measure(row["codes"], int(row["start_ns"]), int(row["step_ns"]), sensor)
    t_us = (row["start_ns"] + np.arange(len(row["codes"])) * row["step_ns"]) / 1000
    share = (np.asarray(row["codes"], float) - found.baseline["value"]) / found.peak["value"]
    shown = t_us <= found.marks_us["fall10"] + SHOWN_AFTER * found.t01_us["value"]
    step = slice(None, None, max(1, int(shown.sum()) // SHOWN_POINTS))
    return {
        "number": int(number), "t_us": t_us[shown][step].tolist(),
        "share": np.round(share[shown][step], 4).tolist(), "marks_us": dict(found.marks_us),
    }  # fmt: skip


def rested(good: pd.DataFrame, step: Step) -> pd.DataFrame:
    """The good pulses at the longest gap; with the first of the step, of unknown gap, only where the rest are few."""
    longest = good[good["gap_s"] >= LONGEST * max(step.gaps_s)]
    return longest if len(longest) >= LEAST else good[~(good["gap_s"] < LONGEST * max(step.gaps_s))]


def _verdict(found: dict[str, Any]) -> str:
    if found["good"] >= max(LEAST, math.ceil(ENOUGH * found["shots"])):
        return "good"
    if not found["lights"] and not found["pulses"]:
        return "no light"
    absent = found["shots"] - found["pulses"]
    worst = max(found["left_out"].items(), key=lambda one: one[1], default=("", 0))
    return worst[0] if worst[1] and worst[1] >= absent else "no pulse"


def _advice(rows: pd.DataFrame, verdict: str) -> str:
    told = rows.loc[rows["verdict"] == verdict, "advice"]
    return str(told.iloc[0]) if len(told) and verdict != "good" else ""


def _charge(good: pd.DataFrame, step: Step) -> dict[str, Any] | None:
    """Energy against gap, with the points that it rests on; None where only one gap was asked for."""
    if len(step.gaps_s) < 2:
        return None
    known = good[np.isfinite(good["gap_s"].to_numpy(float))]
    gap, energy = known["gap_s"].to_numpy(float), known["energy"].to_numpy(float)
    each = [{"gap_s": g, "energy": _mean(energy[np.abs(gap - g) < NEAR * g])} for g in sorted(step.gaps_s)]
    return charge_curve(gap, energy) | {"gap_s": gap.tolist(), "energy": energy.tolist(), "by_gap": each}


def _mean(values: np.ndarray) -> dict[str, Any]:
    """Mean with its 95 % interval (Student's t); lacking below LEAST values."""
    from scipy.special import stdtrit

    n = len(values)
    if n < LEAST:
        return lacking(n, LEAST)
    mean, half = float(values.mean()), float(stdtrit(n - 1, 0.975) * values.std(ddof=1) / math.sqrt(n))
    return estimate(mean, mean - half, mean + half, n)


def bench_facts(rec: Any, steps: Sequence[Step], sensor: PulseSensor = UNSTATED) -> dict[str, Any]:
    """Every step and, for each power, whether each two heads are alike; JSON-able but for numpy numbers."""
    both = [step_facts(rec, step, sensor) for step in steps]
    found = [facts for facts, _ in both]
    pairs = [
        _pair(a, b)
        for a, b in combinations(both, 2)
        if a[0]["head"] != b[0]["head"] and math.isclose(a[0]["power"], b[0]["power"], rel_tol=SAME)
    ]
    return {
        "what": "bench pulse", "steps": found, "alike": pairs, "alike_within": ALIKE,
        "n_good": sum(one["good"] for one in found),
    }  # fmt: skip


def _pair(a: tuple[dict, pd.DataFrame], b: tuple[dict, pd.DataFrame]) -> dict[str, Any]:
    """Two heads at one power: their duration (t0.1), and their light, which hangs on the photodiode's place as well."""
    out = {"heads": [a[0]["head"], b[0]["head"]], "power": a[0]["power"]}
    found = {name: alike(a[1], b[1], {figure: ALIKE[figure]}) for name, figure in ALIKE_BY.items()}
    return out | {name: {key: one[key] for key in ("what", "figure", "text")} for name, one in found.items()}
