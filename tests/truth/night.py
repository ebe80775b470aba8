"""A whole invented night: the recording that a logger would hand on, and the truth behind it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from .kinds import PLANS, Plan
from .rig import Shot, fire
from .scene import GLITCH, VISIT, Scene, draw

START_UTC_US = 1_784_399_400_000_000  # 2026-07-18T18:30:00Z
NAMES = ("visit", "insect", "rain", "leaf", "blocked", "glitch")
BEAM, BEAM2, SYNC, FLASH1 = 0, 1, 2, 3


@dataclass
class TrueNight:
    """rec: stand-in for a Recording. breaks, fires: truth. boots: (start, end) in true seconds."""

    plan: Plan
    rec: Tables
    clock: TrueClock
    scene: Scene
    shot: Shot
    breaks: pd.DataFrame
    fires: pd.DataFrame
    boots: np.ndarray
    latency_us: np.ndarray  # (fires, heads)


@dataclass
class Tables:
    """The tables of `fields.RECORDING`, without the reader's class."""

    edges: pd.DataFrame
    readings: pd.DataFrame
    notes: pd.DataFrame
    chatter: pd.DataFrame
    blind: pd.DataFrame
    boots: pd.DataFrame
    problems: pd.DataFrame
    headers: list
    source: list


class TrueClock:
    """The map from board time to UTC that the night was made with."""

    def __init__(self, boots: np.ndarray, plan: Plan):
        self.boots, self.plan = boots, plan
        self.state = ["anchored"] * len(boots)

    def board_ns(self, boot: int, t: np.ndarray) -> np.ndarray:
        """Board time (ns since boot) of true seconds: a crystal off by some ppm that swings with the temperature."""
        begin = self.boots[boot, 0]
        d = np.asarray(t, float) - begin
        warm = self.plan.swing_ppm * 1e-6 * 7000 * (np.sin((d + begin) / 7000) - np.sin(begin / 7000))
        return np.round((d * (1 + self.plan.ppm * 1e-6) + warm) * 1e9 / 72).astype(np.int64) * 72

    def utc_us(self, boot, t_ns) -> np.ndarray:
        boot, t_ns = np.broadcast_arrays(np.asarray(boot), np.asarray(t_ns, np.int64))
        out = np.zeros(t_ns.shape, np.int64)
        for k in np.unique(boot):
            grid = np.linspace(self.boots[k, 0] - 5, self.boots[k, 1] + 5, 4000)
            true = np.interp(t_ns[boot == k], self.board_ns(int(k), grid), grid)
            out[boot == k] = START_UTC_US + np.round(true * 1e6).astype(np.int64)
        return out

    def unc_us(self, boot, t_ns) -> np.ndarray:
        return np.full(np.shape(t_ns), 5_000.0)


def make(kind: str | Plan, seed: int) -> TrueNight:
    """The night of a kind and seed; the same ones give the same night."""
    plan = PLANS[kind] if isinstance(kind, str) else kind
    rng = np.random.default_rng([seed, sum(map(ord, plan.name))])
    scene = draw(plan, rng)
    shot = fire(plan, scene, rng)
    boots = _boots(plan, rng)
    clock = TrueClock(boots, plan)
    edges, on_air = _edges(plan, scene, shot, boots, rng)
    rec = _recording(plan, edges, boots, clock, rng)
    return TrueNight(plan, rec, clock, scene, shot, *_truth(plan, scene, shot, boots, on_air, clock))


def _boots(plan: Plan, rng) -> np.ndarray:
    cuts = np.sort(rng.uniform(0.03, 0.97, rng.poisson(plan.resets))) * plan.length
    cuts = cuts[np.concatenate([[True], np.diff(cuts) > 120])] if len(cuts) else cuts
    off = rng.uniform(2, 8, len(cuts))
    return np.column_stack([np.concatenate([[0.0], cuts + off]), np.concatenate([cuts, [plan.length]])])


def _edges(plan: Plan, scene: Scene, shot: Shot, boots: np.ndarray, rng):
    """(t, channel, level) of everything a wire did, and which breaks were logged whole."""
    cols = [_pairs(scene.start, scene.end, BEAM)]
    bounce = (scene.end - scene.start > 0.02) & (rng.random(len(scene.start)) < 0.02)
    lift = scene.start[bounce] + rng.uniform(1e-4, 9e-4, bounce.sum())
    cols.append(_pairs(lift, lift + rng.uniform(5e-5, 9e-4, bounce.sum()), BEAM, first=0))
    if plan.second:
        echo = scene.kind == VISIT
        lead = scene.lead[np.maximum(scene.visit, 0)][echo]
        first = np.concatenate([[True], np.diff(scene.visit[echo]) != 0]) if echo.any() else np.zeros(0, bool)
        side = np.where(first, lead, lead * rng.choice([-1, 1], len(lead)))
        cols.append(_pairs(scene.start[echo] + side, scene.end[echo] + side, BEAM2))
    lights = np.array(shot.lights.heads).reshape(-1, len(plan.heads))
    for h in range(len(plan.heads)):
        t = np.nanmin(lights, axis=1) + h * 2e-7 if plan.shared_sensors and len(lights) else lights[:, h]
        t = t[np.isfinite(t)]
        cols.append(_pairs(t, t + rng.uniform(3e-4, 9e-4, len(t)), FLASH1 + h))
    spikes = rng.random(rng.poisson(3)) * plan.length
    cols.append(_pairs(spikes, spikes + rng.uniform(1e-6, 6e-6, len(spikes)), FLASH1))
    if len(shot.sync):
        cols.append(_pairs(shot.sync, shot.sync + 0.004, SYNC))
        again = shot.sync[rng.random(len(shot.sync)) < 0.1]
        cols.append(_pairs(again + 0.005, again + 0.0052, SYNC))
    edges = np.concatenate(cols)
    edges = _alternating(edges[np.argsort(edges[:, 0], kind="stable")])
    keep = rng.random(len(edges)) >= plan.lost_edges
    on_air = _inside(scene.start, scene.end, boots)
    lost_t = edges[~keep & (edges[:, 1] == BEAM), 0]
    if len(lost_t):
        spoiled = np.isin(np.round(scene.start, 9), np.round(lost_t, 9)) | np.isin(
            np.round(scene.end, 9), np.round(lost_t, 9)
        )
        on_air &= ~spoiled
    return edges[keep], on_air


def _pairs(start: np.ndarray, end: np.ndarray, channel: int, first: int = 1) -> np.ndarray:
    n = len(start)
    return np.column_stack(
        [
            np.concatenate([start, end]),
            np.full(2 * n, channel),
            np.concatenate([np.full(n, first), np.full(n, 1 - first)]),
        ]
    )


def _alternating(edges: np.ndarray) -> np.ndarray:
    """Overlapping pulses of one channel as the wire shows them: a change only where the sum leaves or reaches zero."""
    keep = np.ones(len(edges), bool)
    for channel in range(7):
        at = np.flatnonzero(edges[:, 1] == channel)
        if channel == BEAM:
            level = edges[at, 2]
            keep[at[1:]] = level[1:] != level[:-1]
            continue
        depth = np.cumsum(np.where(edges[at, 2] == 1, 1, -1))
        before = np.concatenate([[0], depth[:-1]])
        keep[at] = (depth > 0) != (before > 0)
    return edges[keep]


def _inside(start: np.ndarray, end: np.ndarray, boots: np.ndarray) -> np.ndarray:
    k = np.clip(np.searchsorted(boots[:, 0], start, side="right") - 1, 0, None)
    return (start > boots[k, 0]) & (end < boots[k, 1])


def _recording(plan: Plan, edges: np.ndarray, boots: np.ndarray, clock: TrueClock, rng) -> Tables:
    from duskgate.fields import RECORDING

    k = np.searchsorted(boots[:, 0], edges[:, 0], side="right") - 1
    on = (k >= 0) & (edges[:, 0] < boots[np.maximum(k, 0), 1])
    levels, state = [], np.zeros(8, int)
    for lo in boots[:, 0]:
        before = edges[edges[:, 0] < lo]
        for c in range(7):
            mine = before[before[:, 1] == c]
            state[c] = int(mine[-1, 2]) if len(mine) else 0
        levels.append(int((state << np.arange(8)).sum()))
    edges, k = edges[on], k[on]
    t_ns = np.zeros(len(edges), np.int64)
    for b in range(len(boots)):
        t_ns[k == b] = clock.board_ns(b, edges[k == b, 0])
    order = np.lexsort((t_ns, k))
    frame = {"boot": k[order], "t_ns": t_ns[order], "channel": edges[order, 1], "level": edges[order, 2]}
    used = sum(1 << c for c in ([BEAM] + [BEAM2] * plan.second + [SYNC] * (plan.path == "beam_camera")))
    used += sum(1 << (FLASH1 + h) for h in range(len(plan.heads)))
    n = len(boots)
    boot = {
        "boot": np.arange(n),
        "boot_id": np.arange(n) + 1,
        "boot_no": np.arange(n),
        "cause": ["power-on"] + ["watchdog"] * (n - 1),
        "first_ns": np.zeros(n),
        "last_ns": [clock.board_ns(b, hi) for b, (_, hi) in enumerate(boots)],
        "levels": levels,
        "stopped": np.zeros(n),
        "firmware": ["0.1.0"] * n,
        "interpreter": [""] * n,
        "interpreter_version": [""] * n,
        "tick_fs": np.full(n, 72_000_000),
        "low_mask": np.zeros(n),
        "channel_mask": np.full(n, used),
        "board": ["made up"] * n,
    }
    return Tables(
        **{
            name: _typed(name, RECORDING, data)
            for name, data in (
                ("edges", frame),
                ("readings", _readings(plan, boots, clock, rng)),
                ("notes", {}),
                ("chatter", {}),
                ("blind", {}),
                ("boots", boot),
                ("problems", {}),
            )
        },
        headers=[],
        source=[],
    )


def _typed(name: str, shape: dict, data: dict) -> pd.DataFrame:
    n = len(next(iter(data.values()))) if data else 0
    return pd.DataFrame({c: pd.Series(data.get(c, [0] * n)).astype(d) for c, d in shape[name].items()})


def _readings(plan: Plan, boots: np.ndarray, clock: TrueClock, rng) -> dict:
    rows = []
    for b, (lo, hi) in enumerate(boots):
        seconds = np.arange(np.ceil(lo + 1), hi, 60.0)
        for t in seconds:
            at = int(clock.board_ns(b, t))
            late = rng.uniform(0.05, 1.0) if rng.random() < plan.rtc_bad else 0.0
            rows.append((b, at, "rtc_unix_ms", round(START_UTC_US / 1000 + t * 1000 + late * 1000)))
            rows.append((b, at, "battery_mv", round(4100 - 0.012 * t + rng.normal(0, 3))))
            rows.append((b, at, "temp_c100", round(2400 - 0.03 * t)))
    for t in (boots[0, 0] + 30, boots[-1, 1] - 5):
        b = int(np.searchsorted(boots[:, 0], t, side="right") - 1)
        rows.append(
            (b, int(clock.board_ns(b, t)), "host_unix_ms", round(START_UTC_US / 1000 + t * 1000 + rng.normal(0, 10)))
        )
    rows.sort(key=lambda r: (r[0], r[1]))
    return {c: [r[i] for r in rows] for i, c in enumerate(("boot", "t_ns", "kind", "value"))}


def _truth(plan: Plan, scene: Scene, shot: Shot, boots: np.ndarray, on_air: np.ndarray, clock: TrueClock):
    lights = np.array(shot.lights.heads).reshape(-1, len(plan.heads))
    t = np.array(shot.lights.t)
    of = np.array(shot.lights.of, int)
    row = np.full(len(scene.start), -1)
    row[of[of >= 0]] = np.flatnonzero(of >= 0)
    k = np.clip(np.searchsorted(boots[:, 0], scene.start, side="right") - 1, 0, None)
    breaks = pd.DataFrame(
        {
            "start_utc_us": START_UTC_US + np.round(scene.start * 1e6).astype(np.int64),
            "boot": k,
            "start_s": scene.start,
            "dur_us": (scene.end - scene.start) * 1e6,
            "kind": np.array(NAMES)[scene.kind] if len(scene.kind) else [],
            "visit": scene.visit,
            "outcome": shot.outcome,
            "cause": shot.cause,
            "charged": shot.charged,
            "commanded": shot.commanded,
            "fire": row,
            "logged": on_air,
        }
    )
    begun = np.where(of >= 0, scene.start[np.maximum(of, 0)] if len(scene.start) else 0.0, np.nan)
    fires = pd.DataFrame(
        {
            "t_s": t,
            "utc_us": START_UTC_US + np.round(t * 1e6).astype(np.int64),
            "of": of,
            "logged": _inside(t, t, boots) if len(t) else [],
            "latency_us": (t - begun) * 1e6,
        }
    )
    return breaks, fires, boots, (lights - begun[:, None]) * 1e6


def write_captures(night: TrueNight, folder: Path) -> None:
    """edges.csv and readings.csv as another instrument would hand them on."""
    e = night.rec.edges
    names = np.array(["BEAM", "BEAM2", "SYNC", "FLASH1", "FLASH2", "FLASH3", "FLASH4"])
    pd.DataFrame(
        {"boot": e["boot"], "t_us": e["t_ns"] / 1000, "channel": names[e["channel"]], "level": e["level"]}
    ).to_csv(folder / "edges.csv", index=False)
    r = night.rec.readings
    frame = pd.DataFrame(
        {"boot": r["boot"], "t_us": r["t_ns"] / 1000, "kind": r["kind"].astype(str), "value": r["value"]}
    )
    b = night.rec.boots
    said = pd.DataFrame({"boot": b["boot"], "t_us": 0.0, "kind": "levels", "value": b["levels"]})
    cause = pd.DataFrame(
        {"boot": b["boot"], "t_us": 0.0, "kind": "boot_cause", "value": np.where(b["boot"] == 0, 1, 2)}
    )
    pd.concat([said, cause, frame]).sort_values(["boot", "t_us"], kind="stable").to_csv(
        folder / "readings.csv", index=False
    )


__all__ = ["BEAM", "BEAM2", "GLITCH", "SYNC", "TrueNight", "make", "write_captures"]
