"""Bench measurements: fires that the board itself asked for, their delays, and which sensor answers which head.

SHOT also drives BEAM2 (a jumper), so that start and light come from one stamper. Where the emitter is darkened by SHOT
instead and a fast receiver on BEAM2 stamps the true break, BEAM minus BEAM2 is the trigger unit's own delay.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from duskgate.analysis.stats import quantile_estimate, wilson
from duskgate.analysis.tables import coded, table
from duskgate.fields import BEAM, BEAM2, FIRE_KINDS, FLASHES, PATHS

START_WITHIN_NS = 1_000_000_000  # BEAM2 rises this soon after the board says that it fires
LIGHT_WITHIN_NS = 500_000_000
ANSWERS, SILENT = 0.9, 0.05  # lower limit of a sensor's answers to its head, upper limit of those to others


def shot_fires(rec: Any, clock: Any) -> pd.DataFrame:
    """Table of fires, a row per shot; latencies count from BEAM2's rise and are NaN where no light came."""
    shots = rec.readings[rec.readings["kind"] == "shot"]
    boot, t = shots["boot"].to_numpy(np.int64), shots["t_ns"].to_numpy(np.int64)
    start = _next_rise(rec.edges, BEAM2, boot, t, START_WITHIN_NS)
    begun = np.where(start >= 0, start, t)
    light = np.column_stack([_next_rise(rec.edges, c, boot, begun, LIGHT_WITHIN_NS) for c in FLASHES]).reshape(-1, 4)
    lag = np.where((light >= 0) & (start >= 0)[:, None], (light - begun[:, None]) / 1000, np.nan)
    n = len(t)
    utc = np.concatenate([clock.utc_us(int(b), begun[boot == b]) for b in np.unique(boot)]) if n else t
    first = np.where(np.isfinite(lag).any(axis=1), np.nanmin(np.where(np.isfinite(lag), lag, np.inf), axis=1), np.nan)
    columns = {f"latency{k + 1}_us": lag[:, k] for k in range(4)}
    kind, path = coded(np.zeros(n, int), FIRE_KINDS), coded(np.full(n, PATHS.index("shot_flash")), PATHS)
    head = {"fire_id": np.arange(n), "boot": boot, "t_us": begun / 1000, "utc_us": utc, "kind": kind, "path": path}
    return table("fires", n, head | {"latency_us": first} | columns)


def unit_delays(rec: Any) -> np.ndarray:
    """Delay of the trigger unit (us) at each shot: rise of BEAM after that of BEAM2; NaN where either is lacking."""
    shots = rec.readings[rec.readings["kind"] == "shot"]
    boot, t = shots["boot"].to_numpy(np.int64), shots["t_ns"].to_numpy(np.int64)
    start = _next_rise(rec.edges, BEAM2, boot, t, START_WITHIN_NS)
    beam = _next_rise(rec.edges, BEAM, boot, np.where(start >= 0, start, t), LIGHT_WITHIN_NS)
    return np.where((start >= 0) & (beam >= 0), (beam - start) / 1000, np.nan)


def chain_fires(rec: Any, clock: Any) -> pd.DataFrame:
    """Shots as fires, each under the path that it measured: from SHOT to the light, or the trigger unit alone.

    Where SHOT darkens the emitter, BEAM breaks after BEAM2 and before any light: such a shot is of path break_unit, its
    latency is BEAM's rise after BEAM2's, and no head's. A flash may blind the beam's receiver: BEAM after the light
    says nothing of the unit.
    """
    fires, unit = shot_fires(rec, clock), unit_delays(rec)
    light = fires["latency_us"].to_numpy()
    mine = np.isfinite(unit) & ~(light <= unit)
    path = np.where(mine, PATHS.index("break_unit"), PATHS.index("shot_flash"))
    heads = {f"latency{k}_us": np.where(mine, np.nan, fires[f"latency{k}_us"].to_numpy()) for k in range(1, 5)}
    return fires.assign(path=coded(path, PATHS), latency_us=np.where(mine, unit, light), **heads)


def delay_summary(fires: pd.DataFrame) -> dict:
    """Median and 95 % point of the first light and of each sensor, as in the estimates of a night."""
    out: dict = {"first_us": _two(fires["latency_us"].to_numpy()), "heads": {}}
    for k in range(1, 5):
        lag = fires[f"latency{k}_us"].to_numpy()
        if np.isfinite(lag).any():
            out["heads"][f"FLASH{k}"] = _two(lag)
    return out


def _two(lag: np.ndarray) -> dict:
    lag = lag[np.isfinite(lag)]
    return {"median": quantile_estimate(lag, 0.5), "p95": quantile_estimate(lag, 0.95)}


def sensor_answers(fires: pd.DataFrame, asked: list[str]) -> dict:
    """Which sensor speaks for which head, from shots that asked one head at a time (`asked`: a head's name a shot).

    {"heads": {name: [sensors proved to see it alone]}, "share": {name: {sensor: (seen, shots)}}}.
    """
    asked_of = np.array(asked, object)
    heads = list(dict.fromkeys(asked))
    seen = {k: np.isfinite(fires[f"latency{k}_us"].to_numpy()) for k in range(1, 5)}
    share = {
        h: {f"FLASH{k}": (int(s[asked_of == h].sum()), int((asked_of == h).sum())) for k, s in seen.items()}
        for h in heads
    }
    proved: dict[str, list[str]] = {h: [] for h in heads}
    for k in range(1, 5):
        name = f"FLASH{k}"
        own = [h for h in heads if share[h][name][0] >= ANSWERS * share[h][name][1] and share[h][name][1] > 0]
        others = [share[h][name] for h in heads if h not in own]
        if len(own) == 1 and all(wilson(x, n)[1] <= SILENT or (x == 0 and n >= 10) for x, n in others):
            proved[own[0]].append(name)
    return {"heads": proved, "share": share}


def _next_rise(edges: pd.DataFrame, channel: int, boot: np.ndarray, t: np.ndarray, within_ns: int) -> np.ndarray:
    """Board time (ns) of the channel's first rise at or after t within the time; -1 none."""
    up = edges[(edges["channel"] == channel) & (edges["level"] == 1)]
    ub, ut = up["boot"].to_numpy(np.int64), up["t_ns"].to_numpy(np.int64)
    out = np.full(len(t), -1, np.int64)
    for b in np.unique(boot):
        rises = ut[ub == b]
        mine = boot == b
        if len(rises) == 0:
            continue
        k = np.searchsorted(rises, t[mine])
        at = rises[np.minimum(k, len(rises) - 1)]
        out[mine] = np.where((k < len(rises)) & (at - t[mine] <= within_ns), at, -1)
    return out
