"""What crosses the beam in one night: intervals of true time with kind and visit, merged as a beam merges them."""

from dataclasses import dataclass

import numpy as np

from .kinds import Plan

VISIT, INSECT, RAIN, LEAF, BLOCKED, GLITCH = range(6)
RANK = np.array([5, 1, 0, 3, 4, 0])  # which kind names a break that several things made together


@dataclass
class Scene:
    """start, end (s), kind, visit (-1 none) of every break; dark: spans; visit_start: of all visits, seen or not."""

    start: np.ndarray
    end: np.ndarray
    kind: np.ndarray
    visit: np.ndarray
    dark: np.ndarray
    visit_start: np.ndarray
    lead: np.ndarray  # per visit: BEAM2 after BEAM (s)


def draw(plan: Plan, rng: np.random.Generator) -> Scene:
    visit_start = _visit_starts(plan, rng)
    parts = [_visits(plan, rng, visit_start), _small(plan, rng)]
    parts += [_shower(plan, rng, k) for k in range(plan.showers)] + [_leaf(plan, rng) for _ in range(plan.leaves)]
    dark = []
    for _ in range(plan.dew):
        part, span = _dew(plan, rng)
        parts.append(part)
        dark.append(span)
    for k in range(max(plan.chatter_spells, plan.dark_spells)):
        part, span = _loose(plan, rng, k)
        parts.append(part)
        dark += span
    start, end, kind, visit = (np.concatenate([p[i] for p in parts]) for i in range(4))
    start, end, kind, visit = _merge(start, end, kind.astype(int), visit.astype(int))
    speed = rng.lognormal(np.log(0.9), 0.3, max(len(visit_start), 1))  # m/s over 40 mm between the beams
    lead = 0.04 / speed * rng.choice([-1.0, 1.0], len(speed))
    return Scene(start, end, kind, visit, np.array(dark).reshape(-1, 2), visit_start, lead)


def _visit_starts(plan: Plan, rng) -> np.ndarray:
    n_bouts = rng.poisson(plan.visits / plan.per_bout)
    where = rng.random(n_bouts)
    hump = rng.choice(3, n_bouts, p=[0.45, 0.3, 0.25])
    at = np.where(
        hump == 0, rng.normal(0.18, 0.07, n_bouts), np.where(hump == 1, rng.normal(0.8, 0.08, n_bouts), where)
    )
    at = np.clip(at, 0.01, 0.97) * plan.length
    out = []
    for t in at:
        n = 1 + rng.poisson(plan.per_bout - 1)
        # an animal returns some seconds after it left; a visit itself lasts about a second
        gaps = rng.lognormal(np.log(plan.bout_gap), plan.bout_gap_sd, n) + 1.2
        out.append(t + np.cumsum(gaps) - gaps[0])
    starts = np.sort(np.concatenate(out)) if out else np.zeros(0)
    return starts[starts < plan.length - 30]


def _visits(plan: Plan, rng, starts: np.ndarray):
    """Breaks of all visits. One animal is at the flowers at a time: who comes too early waits till they are free."""
    cols, free = [[], [], [], []], -np.inf
    for v in range(len(starts)):
        n = 1 + rng.poisson(plan.more_breaks)
        hover = np.clip(rng.lognormal(np.log(plan.hover_ms), plan.hover_sd, n), 20, 900) / 1000
        pause = np.clip(rng.lognormal(np.log(plan.pause), plan.pause_sd, n), 0.02, plan.pause_max)
        starts[v] = max(starts[v], free + rng.lognormal(np.log(plan.wait), 0.55))
        begin = starts[v] + np.cumsum(hover + pause) - (hover + pause)
        free = begin[-1] + hover[-1]
        for col, values in zip(cols, (begin, begin + hover, np.full(n, VISIT), np.full(n, v)), strict=True):
            col.append(values)
    return [np.concatenate(c) if c else np.zeros(0) for c in cols]


def _plain(start, length, kind):
    return [start, start + length, np.full(len(start), kind), np.full(len(start), -1)]


def _small(plan: Plan, rng):
    n, m = rng.poisson(plan.insects), rng.poisson(plan.glitches)
    insects = _plain(rng.random(n) * plan.length, np.clip(rng.lognormal(np.log(4.5), 0.4, n), 1.5, 15) / 1000, INSECT)
    glitch = _plain(rng.random(m) * plan.length, rng.uniform(2e-6, 8e-5, m), GLITCH)
    return [np.concatenate([a, b]) for a, b in zip(insects, glitch, strict=True)]


def _shower(plan: Plan, rng, k: int):
    length = rng.uniform(240, 1200)
    at = rng.uniform(0.05, 0.9) * plan.length
    n = rng.poisson(length * rng.uniform(0.25, 0.8))
    return _plain(at + rng.random(n) * length, np.clip(rng.lognormal(np.log(1.1), 0.45, n), 0.25, 9) / 1000, RAIN)


def _leaf(plan: Plan, rng):
    n = int(rng.integers(25, 70))
    period = rng.uniform(0.8, 1.8)
    swing = period * rng.lognormal(0, 0.1, n)
    at = rng.uniform(0.05, 0.9) * plan.length
    return _plain(at + np.cumsum(swing), rng.uniform(0.08, 0.25) * rng.lognormal(0, 0.25, n), LEAF)


def _dew(plan: Plan, rng):
    at, length = rng.uniform(0.45, 0.75) * plan.length, rng.normal(3000, 300)
    n = int(rng.integers(20, 60))
    before, after = at - rng.exponential(50, n).clip(0.1, 170), at + length + rng.exponential(50, n).clip(0.1, 170)
    flicker = _plain(
        np.concatenate([before, after]), rng.lognormal(np.log(60), 1.0, 2 * n).clip(1, 1500) / 1000, BLOCKED
    )
    dark = _plain(np.array([at]), np.array([length]), BLOCKED)
    return [np.concatenate([a, b]) for a, b in zip(flicker, dark, strict=True)], (at, at + length)


def _loose(plan: Plan, rng, k: int):
    """A spell of flicker, now and then with a darkness in it."""
    at = rng.uniform(0.02, 0.95) * plan.length
    cols, dark = [], []
    if k < plan.chatter_spells:
        n = int(rng.integers(120, 340))
        gaps = rng.exponential(1 / rng.uniform(9, 30), n) + 0.002
        cols.append(
            _plain(at + np.cumsum(gaps), np.minimum(rng.lognormal(np.log(15), 0.9, n) / 1000, gaps * 0.9), BLOCKED)
        )
        at = at + gaps.sum() + 0.5
    if k < plan.dark_spells:
        length = rng.lognormal(np.log(25), 0.9)
        cols.append(_plain(np.array([at]), np.array([max(length, 2.5)]), BLOCKED))
        dark.append((at, at + max(length, 2.5)))
    return [np.concatenate(c) for c in zip(*cols, strict=True)], dark


def _merge(start, end, kind, visit):
    """One row per time the beam is broken: overlapping things, and clear times under 1.2 ms, make one break."""
    if len(start) == 0:
        return start, end, kind.astype(int), visit.astype(int)
    order = np.argsort(start, kind="stable")
    start, end, kind, visit = start[order], end[order], kind[order], visit[order]
    reach = np.maximum.accumulate(end)
    first = np.flatnonzero(np.concatenate([[True], start[1:] > reach[:-1] + 0.0012]))
    last = np.concatenate([first[1:], [len(start)]]) - 1
    group = np.repeat(np.arange(len(first)), last - first + 1)
    # the strongest cause of each group names it; nobody is seen to pass a beam that is dark for seconds
    rank = np.where((kind == BLOCKED) & (end - start >= 2.0), RANK.max() + 1, RANK[kind])
    best = np.lexsort((-rank, group))
    lead = best[np.searchsorted(group[best], np.arange(len(first)))]
    return start[first], reach[last], kind[lead], visit[lead]
