"""Rates and windows on nights drawn from a known law: what `truth_table.py` prints for them.

The law is that of the invented nights of `tests/truth`: bouts of visits, their times drawn from a fixed course of the
night, nights more or less busy as a whole. The true rate of an hour is the mean over many nights.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from duskgate.analysis import rates, season
from duskgate.analysis.settings import Settings

from tests.truth.kinds import CALM, PLANS, Plan
from tests.truth.scene import _visit_starts

HOUR = 3600.0
SLOW_BOUTS = replace(CALM, name="slow bouts", bout_gap=120.0)  # an animal that returns after minutes, not seconds
LIFT_SHAPE = 6.0  # nights differ as a whole by a gamma factor of this shape (standard deviation 0.41)


class Law(NamedTuple):
    plan: Plan
    per_hour: np.ndarray
    per_window: np.ndarray  # mean rate of every 2 h window, starts every half hour


def law(kind: str | Plan, nights: int = 1500) -> Law:
    """Mean rates of a kind of night."""
    plan, rng = PLANS[kind] if isinstance(kind, str) else kind, np.random.default_rng(1)
    at = np.concatenate([_visit_starts(plan, rng) for _ in range(nights)])
    per_hour = np.histogram(at, np.arange(0, plan.length + 1, HOUR))[0] / nights
    starts = np.arange(0, plan.length - 7200 + 1, 1800)
    per_window = np.array([((at >= s) & (at < s + 7200)).sum() for s in starts]) / nights / 2
    return Law(plan, per_hour, per_window)


def night(plan: Plan, rng, dark_share: float = 0.0, lift: float = 1.0) -> season.NightView:
    """Visits of one night; some hours partly dark."""
    at = _visit_starts(replace(plan, visits=plan.visits * lift), rng)
    closed = []
    for hour in range(int(plan.length // HOUR)):
        if rng.random() < dark_share:
            lo = hour * HOUR + rng.uniform(0, 0.5) * HOUR
            closed.append((lo, lo + rng.uniform(0.1, 0.5) * HOUR))
    shut = np.array(closed).reshape(-1, 2)
    for lo, hi in shut:
        at = at[(at < lo) | (at > hi)]
    return season.NightView("", 0, at, (0.0, plan.length), shut)


def coverage_over_nights(known: Law, nights: int, trials: int, first_seed: int, dark: float = 0.4) -> tuple[float, int]:
    held = total = 0
    for k in range(trials):
        rng = np.random.default_rng([first_seed + k, nights])
        lifts = rng.gamma(LIFT_SHAPE, 1 / LIFT_SHAPE, nights)
        table = season.rate_by_time([night(known.plan, rng, dark, lift) for lift in lifts])
        held += int(((table["lo"] <= known.per_hour) & (known.per_hour <= table["hi"])).sum())
        total += len(table)
    return held / total, total


def coverage_one_night(
    known: Law, trials: int, first_seed: int, bin_s: float = Settings.dispersion_bin_s
) -> tuple[float, int]:
    held = total = 0
    for k in range(trials):
        view = night(known.plan, np.random.default_rng([first_seed + k, 77]))
        starts, none = np.round(view.visits_s * 1e6).astype(np.int64), np.zeros((0, 2), np.int64)
        columns, _ = rates.night_rates(starts, none, 0, int(known.plan.length * 1e6), HOUR, bin_s)
        held += int(((columns["lo"] <= known.per_hour) & (known.per_hour <= columns["hi"])).sum())
        total += len(known.per_hour)
    return held / total, total


def windows(known: Law, nights: int, trials: int, first_seed: int) -> tuple[float, float, float]:
    """Mean regret (share of the best window's rate), share of sets that hold the best window, mean size of the set."""
    best = int(np.argmax(known.per_window))
    regret, holds, size = [], [], []
    for k in range(trials):
        rng = np.random.default_rng([first_seed + k, nights, 5])
        lifts = rng.gamma(LIFT_SHAPE, 1 / LIFT_SHAPE, nights)
        found = season.best_window([night(known.plan, rng, 0.0, lift) for lift in lifts])
        chosen = round(found["start_s"] / 1800)
        regret.append(1 - known.per_window[chosen] / known.per_window[best])
        holds.append(any(round(a / 1800) == best for a, _ in found["not_beaten"]))
        size.append(len(found["not_beaten"]))
    return float(np.mean(regret)), float(np.mean(holds)), float(np.mean(size))


def lines(trials: int, first_seed: int) -> list[tuple]:
    """Rows of the table: number, what, value, target, n."""
    out = []
    for kind, worst in (("calm", 8), ("busy", 1)):
        known = law(kind)
        for n in (4, 6, 10, 20):
            share, total = coverage_over_nights(known, n, trials, first_seed)
            out.append(("5a", f"{kind}: hourly rate over {n} nights, coverage", share, "0.92 - 0.97", total))
        share, total = coverage_one_night(known, 2 * trials, first_seed)
        out.append(("5b", f"{kind}: hourly rate of one night, coverage", share, "0.93 - 0.98", total))
        for n in (1, 3, 5, 10):
            regret, holds, size = windows(known, n, trials, first_seed)
            target = f"<= {worst}" if n == 5 else ""
            out.append(("5c", f"{kind}: best window after {n} nights, regret %", 100 * regret, target, trials))
            out.append(("5c", f"{kind}: set of windows holds the best", holds, ">= 0.95", trials))
            out.append(("5c", f"{kind}: size of that set", size, "", trials))
    share, total = coverage_one_night(law(SLOW_BOUTS), 2 * trials, first_seed)
    out.append(("5b", "bouts of minutes: hourly rate of one night, coverage", share, "0.93 - 0.98", total))
    return out
