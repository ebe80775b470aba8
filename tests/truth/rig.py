"""What the rig makes of the breaks: commands, lost commands, second sendings, charged and empty heads, lights."""

from dataclasses import dataclass, field

import numpy as np

from .kinds import Plan
from .scene import Scene

HOLD_OFF = 0.05  # s: the trigger unit does not look again this soon
FILTER = 0.00025  # s: shorter breaks leave no command


@dataclass
class Lights:
    """Per light event: first light (s), break (-1 stranger), light of each head (s, NaN dark)."""

    t: list = field(default_factory=list)
    of: list = field(default_factory=list)
    heads: list = field(default_factory=list)


@dataclass
class Shot:
    """What happened at each break. cause: recycling, battery, radio, camera or "" ; charged: heads able to fire."""

    outcome: np.ndarray
    cause: np.ndarray
    charged: np.ndarray
    commanded: np.ndarray
    lights: Lights
    sync: np.ndarray  # s
    recycle: list  # per head: (time, R) at each of its fires


def ln_recycle(plan: Plan, head, u: float) -> float:
    if plan.knee:
        sag = 0.1 * u + max(u - plan.knee, 0.0) * 3.0
        return float(np.log(head.recycle_s) + sag)
    return float(np.log(head.recycle_s * (1 + plan.growth * u**plan.power)))


def fire(plan: Plan, scene: Scene, rng: np.random.Generator) -> Shot:
    n, h = len(scene.start), len(plan.heads)
    outcome, cause = np.full(n, "none", object), np.full(n, "", object)
    charged, commanded = np.zeros(n, int), np.zeros(n, bool)
    last, spent = np.full(h, -1e9), np.zeros(h, int)
    lights, sync = Lights(), []
    track = [[(0.0, np.exp(ln_recycle(plan, head, 0.0)))] for head in plan.heads]
    strangers = np.sort(rng.random(rng.poisson(plan.strangers)) * plan.length)
    events = sorted([(t, k) for k, t in enumerate(scene.start)] + [(t, -1) for t in strangers])
    command_at, frame_at = -1e9, -1e9
    normal, uniform = rng.standard_normal((len(events), 2 * h + 2)), rng.random((len(events), 2 * h + 3))
    for row, (t, k) in enumerate(events):
        z, u = normal[row], uniform[row]
        if k >= 0:
            if scene.end[k] - t < FILTER or t - command_at < HOLD_OFF:
                cause[k] = "unknown"
                continue
            command_at, commanded[k] = t, True
            if plan.path == "beam_camera" and t - frame_at < plan.frame_s:
                cause[k] = "camera"
                continue
        arrive = t + (plan.unit_us + plan.jitter_us * z[-1]) / 1e6
        if k >= 0 and plan.path == "beam_camera":
            arrive += (plan.lag_us + plan.lag_sd_us * z[-2]) / 1e6
        if k >= 0 and u[-1] < plan.retry:
            arrive += 0.006 + 0.003 * u[-2]
        ready = [_ready(plan, head, arrive - last[i], spent[i], z[i]) for i, head in enumerate(plan.heads)]
        if k >= 0:
            charged[k] = sum(ready)
            if u[-3] < plan.radio_miss:
                cause[k] = "radio"
                continue
            if plan.path == "beam_camera":
                frame_at = t
                sync.append(arrive - 0.0001)
        lit = np.array(
            [r and u[2 * i] >= head.lapse for i, (r, head) in enumerate(zip(ready, plan.heads, strict=True))]
        )
        times = np.where(
            lit, arrive + np.array([hd.skew_us + 12 * z[h + i] for i, hd in enumerate(plan.heads)]) / 1e6, np.nan
        )
        if k >= 0:
            outcome[k] = "all" if lit.all() else "partial" if lit.any() else "none"
            if not lit.all():
                cause[k] = _why(plan, [i for i in range(h) if not lit[i]], ready, arrive, last, z)
        if lit.any():
            lights.t.append(np.nanmin(times))
            lights.of.append(k)
            lights.heads.append(times)
        for i in np.flatnonzero(lit):
            last[i] = times[i]
            spent[i] += 1
            track[i].append((arrive, np.exp(ln_recycle(plan, plan.heads[i], spent[i] / 1000))))
    return Shot(outcome, cause, charged, commanded, lights, np.array(sync), track)


def _ready(plan: Plan, head, gap: float, spent: int, z: float) -> bool:
    return bool(np.log(gap) > ln_recycle(plan, head, spent / 1000) + head.sigma * z)


def _why(plan: Plan, dark: list[int], ready: list[bool], arrive: float, last: np.ndarray, z: np.ndarray) -> str:
    """Why most of the dark heads stayed dark.

    "battery" is counterfactual: fresh cells would have fired at that gap; "recycling": even these would not. A break is
    laid to the cells only if more than half of its dark heads would have fired with fresh ones; a tie is not enough.
    """
    votes = {"recycling": 0, "battery": 0, "radio": 0}
    for i in dark:
        if ready[i]:
            votes["radio"] += 1
        elif _ready(plan, plan.heads[i], arrive - last[i], 0, z[i]):
            votes["battery"] += 1
        else:
            votes["recycling"] += 1
    if 2 * votes["battery"] > len(dark):
        return "battery"
    del votes["battery"]
    return max(votes, key=lambda w: votes[w])
