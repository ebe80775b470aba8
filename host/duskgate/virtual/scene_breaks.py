"""Broken-beam intervals of an invented night, in true seconds since the scene's start.

Each cause draws its own intervals; `united` then lays them over each other as one beam sees them. Shapes are our own
choice: log-normal lengths and pauses, bouts of visits whose times follow two peaks and a floor.
"""

import numpy as np

from .. import fields
from .scene_plan import Moths, NightPlan, Nuisance

KIND = {word: n for n, word in enumerate(fields.BREAK_KINDS)}
BREAKS = np.dtype([("start", "f8"), ("end", "f8"), ("kind", "i1"), ("visit", "i4"), ("beam", "i1")])
# when intervals overlap, the break is what matters most of what lies under it
WEIGHT = {"blocked": 6, "visit": 5, "leaf": 4, "rain": 3, "insect": 2, "glitch": 1}
RANK = np.array([WEIGHT[k] for k in fields.BREAK_KINDS])


def intervals(start, length, kind: str, visit=-1, beam: int = 0) -> np.ndarray:
    """(n,) array of dtype BREAKS from starts and lengths in seconds."""
    start = np.atleast_1d(np.asarray(start, dtype=float))
    out = np.zeros(len(start), BREAKS)
    out["start"], out["end"] = start, start + length
    out["kind"], out["visit"], out["beam"] = KIND[kind], visit, beam
    return out


def log_normal(
    rng: np.random.Generator, median: float, sigma: float, size: int, limits: tuple[float, float]
) -> np.ndarray:
    """Log-normal draws, clipped to the range that the cause can have."""
    return np.clip(median * np.exp(sigma * rng.standard_normal(size)), *limits)


def bout_times(moths: Moths, hours: float, n: int, rng: np.random.Generator) -> np.ndarray:
    """(n,) start times of bouts in seconds: two peaks and a floor, redrawn until inside the night."""
    last = hours - 0.01
    out = np.empty(0)
    while len(out) < n:
        pick = rng.random(n)
        t = rng.uniform(0.0, last, n)
        dusk, dawn = pick < moths.dusk_share, pick >= 1.0 - moths.dawn_share
        t[dusk] = rng.normal(moths.dusk_h, moths.dusk_width_h, dusk.sum())
        t[dawn] = rng.normal(moths.dawn_h, moths.dawn_width_h, dawn.sum())
        out = np.concatenate([out, t[(t > 0.02 * min(hours, 1.0)) & (t < last)]])
    return np.sort(out[:n]) * 3600.0


def visit_starts(plan: NightPlan, rng: np.random.Generator) -> np.ndarray:
    """Wished-for start of every visit, in seconds, sorted: a bout is one animal that comes back."""
    moths = plan.moths
    n_bouts = rng.poisson(moths.visits / moths.per_bout)
    starts = bout_times(moths, plan.hours, n_bouts, rng)
    sizes = rng.geometric(1.0 / moths.per_bout, n_bouts)
    back = log_normal(rng, moths.return_s, 0.6, int(sizes.sum()), (0.2 * moths.return_s, 8.0 * moths.return_s))
    first = np.cumsum(sizes) - sizes
    run = np.cumsum(back)
    since = run - np.repeat(run[first], sizes) if n_bouts else run
    return in_the_dry(plan, np.sort(np.repeat(starts, sizes) + since), rng)


def in_the_dry(plan: NightPlan, wished: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The visits that come: most moths stay away during a shower."""
    wet = np.zeros(len(wished), bool)
    for start_h, minutes, _ in plan.nuisance.showers:
        wet |= (wished >= start_h * 3600.0 - 60.0) & (wished < start_h * 3600.0 + minutes * 60.0)
    return wished[~wet | (rng.random(len(wished)) < plan.moths.in_rain)]


def one_visit(moths: Moths, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Starts since the first break and lengths of one visit's breaks, both (n,) in seconds."""
    n = int(rng.geometric(1.0 / (1.0 + moths.more_breaks)))
    length = log_normal(rng, moths.hover_ms / 1e3, moths.hover_sigma, n, (0.020, 0.900))
    pause = log_normal(rng, moths.pause_s, moths.pause_sigma, n, (0.04, 1.4))
    rest = rng.random(n) < moths.rest_share
    pause[rest] = log_normal(rng, moths.rest_s, 0.25, int(rest.sum()), (0.5, 1.9))
    start = np.concatenate([[0.0], np.cumsum(length[:-1] + pause[:-1])])
    return start, length


def visit_breaks(plan: NightPlan, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Breaks of all visits, and (n, 2) start and end of each in seconds. A newcomer waits for its turn."""
    moths, end_s = plan.moths, plan.hours * 3600.0
    parts, spans, free_at = [], [], 0.0
    for wish in visit_starts(plan, rng):
        start, length = one_visit(moths, rng)
        wait = moths.wait_s * np.exp(moths.wait_sigma * rng.standard_normal())
        begin = max(float(wish), free_at + wait) if parts else float(wish)
        free_at = begin + start[-1] + length[-1]
        if free_at > end_s - 2.0:
            break
        parts.append(intervals(begin + start, length, "visit", visit=len(spans)))
        spans.append((begin, free_at))
    breaks = np.concatenate(parts) if parts else np.zeros(0, BREAKS)
    return breaks, np.array(spans, dtype=float).reshape(-1, 2)


def insects(plan: NightPlan, rng: np.random.Generator) -> np.ndarray:
    """Small insects pass at any time: short single breaks."""
    n = rng.poisson(plan.nuisance.insects)
    start = rng.uniform(5.0, plan.hours * 3600.0 - 5.0, n)
    return intervals(start, log_normal(rng, plan.nuisance.insect_ms / 1e3, 0.45, n, (0.0006, 0.014)), "insect")


def drops(start_h: float, minutes: float, per_s: float, drop_ms: float, rng: np.random.Generator) -> np.ndarray:
    """One shower: it swells and fades, so drops gather in its middle."""
    n = rng.poisson(per_s * minutes * 60.0)
    start = start_h * 3600.0 + minutes * 60.0 * rng.beta(1.6, 1.6, n)
    return intervals(start, log_normal(rng, drop_ms / 1e3, 0.4, n, (0.00025, 0.0042)), "rain")


def leaf(start_h: float, swings: int, swing_s: float, rng: np.random.Generator) -> np.ndarray:
    """A swaying leaf: even swings, each about as long as the one before."""
    period = swing_s * np.exp(0.1 * rng.standard_normal(swings))
    start = start_h * 3600.0 + np.cumsum(period)
    return intervals(start, log_normal(rng, 0.24, 0.2, swings, (0.06, 0.6)), "leaf")


def flicker(begin_s: float, n: int, rng: np.random.Generator) -> np.ndarray:
    """A beam about to fail: irregular breaks over about two minutes from `begin_s`."""
    gap = log_normal(rng, 2.2, 0.9, n, (0.15, 14.0))
    start = begin_s + np.minimum(np.cumsum(gap), 150.0 - 0.3 * np.arange(n, 0, -1))
    return intervals(np.sort(start), log_normal(rng, 0.16, 0.9, n, (0.015, 1.5)), "blocked")


def dew(start_h: float, minutes: float, n: int, rng: np.random.Generator) -> tuple[np.ndarray, tuple[float, float]]:
    """Dew on the receiver: flicker, a long darkness, flicker again as it dries. Gives the dark span too."""
    begin = start_h * 3600.0
    end = begin + minutes * 60.0
    dark = intervals(begin, end - begin, "blocked")
    return np.concatenate([flicker(begin - 155.0, n, rng), dark, flicker(end + 0.5, n, rng)]), (begin, end)


def knocked(start_h: float, hours: float, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A beam out of line: dark spells of seconds to minutes, (n, 2), each begun and ended by fast chatter."""
    begin = np.sort(rng.uniform(start_h, start_h + hours, n)) * 3600.0
    length = log_normal(rng, 24.0, 0.8, n, (4.0, 180.0))
    parts = []
    for at, dark in zip(begin, length, strict=True):
        m = rng.integers(60, 110)
        gaps = log_normal(rng, 0.035, 0.5, m, (0.006, 0.3))
        short = log_normal(rng, 0.006, 0.8, m, (0.0006, 0.08))
        run = np.cumsum(gaps + short)
        parts += [
            intervals(at - run[-1] - 0.02 + run - short, short, "blocked"), intervals(at, dark, "blocked"),
            intervals(at + dark + run - short, short, "blocked"),
        ]
    return np.concatenate(parts), np.column_stack([begin, begin + length])


def buzz(start_h: float, seconds: float, edges_per_s: float, rng: np.random.Generator) -> np.ndarray:
    """Chatter too fast to be stored edge by edge."""
    n = int(seconds * edges_per_s / 2.0)
    period = seconds / n
    start = start_h * 3600.0 + period * (np.arange(n) + rng.uniform(0.0, 0.3, n))
    return intervals(start, period * rng.uniform(0.2, 0.6, n), "blocked")


def nuisance_breaks(plan: NightPlan, rng: np.random.Generator) -> tuple[np.ndarray, list[dict]]:
    """Breaks of everything that is no moth, and the spells it came in (dicts with what, start_s, end_s)."""
    parts: list[np.ndarray] = [insects(plan, rng)]
    spells: list[dict] = []
    part: Nuisance = plan.nuisance

    def add(what: str, rows: np.ndarray, start: float | None = None, end: float | None = None) -> None:
        parts.append(rows)
        if len(rows):
            spells.append({
                "what": what, "start_s": float(rows["start"].min()) if start is None else start,
                "end_s": float(rows["end"].max()) if end is None else end,
            })

    for start_h, minutes, per_s in part.showers:
        add("shower", drops(start_h, minutes, per_s, part.drop_ms, rng))
    for start_h, swings in part.leaves:
        add("leaf", leaf(start_h, swings, part.swing_s, rng))
    for start_h, minutes, n in part.dew:
        rows, (begin, end) = dew(start_h, minutes, n, rng)
        add("dew", rows, begin, end)
    for start_h, seconds in part.blocks:
        add("blocked", intervals(start_h * 3600.0, seconds, "blocked"))
    for start_h, hours, n in part.knock:
        rows, spans = knocked(start_h, hours, n, rng)
        parts.append(rows)
        spells += [{"what": "misaligned", "start_s": a, "end_s": b} for a, b in spans.tolist()]
    for start_h, seconds, per_s in part.buzz:
        add("buzz", buzz(start_h, seconds, per_s, rng))
    return np.concatenate(parts), spells


def glitches(plan: NightPlan, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Electrical noise: breaks of the beam of some microseconds (dtype BREAKS) and pulses of a head's channel, (n, 3):
    channel, start, end in seconds, within 20 us of them."""
    n = plan.nuisance.glitches
    start = rng.uniform(20.0, plan.hours * 3600.0 - 20.0, n)
    beam = intervals(start, rng.uniform(5e-6, 60e-6, n), "glitch")
    hit = rng.random(n) < 0.7
    channel = rng.integers(0, len(plan.heads), n) + fields.FLASH1
    at = start + rng.uniform(2e-6, 12e-6, n)
    pulses = np.column_stack([channel, at, at + rng.uniform(2e-6, 6e-6, n)])[hit]
    return beam, pulses


def united(rows: np.ndarray) -> np.ndarray:
    """Overlapping intervals of one beam as it sees them: one break each, sorted, named after the weightiest cause."""
    if not len(rows):
        return rows
    rows = rows[np.argsort(rows["start"], kind="stable")]
    reach = np.maximum.accumulate(rows["end"])
    first = np.concatenate([[True], rows["start"][1:] > reach[:-1]])
    group = np.cumsum(first) - 1
    heavy = np.lexsort((rows["start"], -RANK[rows["kind"]], group))
    out = rows[heavy[np.searchsorted(group[heavy], np.arange(group[-1] + 1))]].copy()
    out["start"] = rows["start"][first]
    out["end"] = np.maximum.reduceat(rows["end"], np.flatnonzero(first))
    return out


def second_beam(plan: NightPlan, first: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """What a beam `spacing_mm` further in sees of visits and insects; and (n, 3) visit, speed mm/s, inward (1 or 0)."""
    part = plan.second_beam
    if part is None:
        return np.zeros(0, BREAKS), np.zeros((0, 3))
    n_visits = int(first["visit"].max(initial=-1)) + 1
    speed = log_normal(rng, part.speed_mm_s, part.speed_sigma, n_visits, (150.0, 2500.0))
    inward = rng.random(n_visits) < part.inward_share
    moth = first[(first["kind"] == KIND["visit"]) & (rng.random(len(first)) < part.echo_share)].copy()
    shift = np.where(inward, 1.0, -1.0) * part.spacing_mm / speed
    moth["start"] += shift[moth["visit"]]
    moth["end"] += shift[moth["visit"]]
    small = first[(first["kind"] == KIND["insect"]) & (rng.random(len(first)) < 0.4)].copy()
    lag = rng.uniform(0.01, 0.08, len(small)) * rng.choice([-1.0, 1.0], len(small))
    small["start"] += lag
    small["end"] += lag
    both = np.concatenate([moth, small])
    both["beam"] = 1
    return united(both), np.column_stack([np.arange(n_visits), speed, inward])
