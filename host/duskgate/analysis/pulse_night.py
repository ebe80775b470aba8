"""The light pulses of one night: the table `pulses`, and what they say of each head that fired alone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from duskgate.analysis.pulse import SHAPES, UNSTATED, VERDICTS, PulseSensor, heads_in, measure_all, measure_one
from duskgate.analysis.pulse_heads import summary
from duskgate.analysis.pulse_outline import outline
from duskgate.analysis.tables import coded, table

SAME_FIRE_US = 20_000  # a fire's first light and a pulse's edge lie closer than this
# by the index of a reading `pulses_dropped`
DROP_CAUSES = ("commit_due", "storage_used_up", "one_before_still_read", "nothing_seen")
UNITS = {"t05_us": "us", "t01_us": "us", "rise_us": "us", "delay_us": "us", "peak": "codes", "energy": "code_us"}


def night_pulses(
    rec: Any,
    clock: Any,
    fires: pd.DataFrame,
    window_utc_us: tuple[int, int] | None = None,
    sensor: PulseSensor = UNSTATED,
):
    """(table `pulses` of fields.TABLES, estimates) of a recording; times inside the window only.

    estimates: {"n", "by_verdict", "heads": {"FLASH1": `pulse_heads.summary` | {"typical": outline}}, "dropped":
    {cause: count}, "blind_s"}.
    """
    pulses, utc = _inside(rec.pulses, clock, window_utc_us)
    rows = measure_all(pulses, sensor)
    heads: dict[str, dict] = {}
    for mask in np.unique(rows["flash"].to_numpy(int)):
        named = heads_in(int(mask))
        mine = rows["flash"].to_numpy(int) == mask
        if len(named) == 1 and (rows.loc[mine, "verdict"] == "good").any():
            heads[f"FLASH{named[0]}"] = summary(rows[mine]) | {"typical": _typical(pulses[mine], rows[mine], sensor)}
    counts = rows["verdict"].value_counts()
    drops = _totals(rec, "pulses_dropped", clock, window_utc_us)
    blind = _totals(rec, "pulse_blind_us", clock, window_utc_us)
    estimates = {
        "n": len(rows),
        "by_verdict": {v: int(counts.get(v, 0)) for v in VERDICTS},
        "heads": heads,
        "dropped": {cause: drops.get(k, 0) for k, cause in enumerate(DROP_CAUSES)},
        "blind_s": sum(blind.values()) / 1e6,
    }
    return _table(rows, pulses, utc, fires), estimates


def _inside(pulses: pd.DataFrame, clock: Any, window: tuple[int, int] | None) -> tuple[pd.DataFrame, np.ndarray]:
    """Pulses whose edge lies in the window, and the UTC of each (us)."""
    if not len(pulses):
        return pulses, np.zeros(0, np.int64)
    utc = np.asarray(clock.utc_us(pulses["boot"].to_numpy(), pulses["t_ns"].to_numpy()), np.int64)
    keep = np.ones(len(pulses), bool) if window is None else (utc >= window[0]) & (utc < window[1])
    return pulses[keep].reset_index(drop=True), utc[keep]


def _typical(pulses: pd.DataFrame, rows: pd.DataFrame, sensor: PulseSensor) -> dict:
    """Outline of the good pulse whose t0.1 is the middle one of its head's."""
    good = np.flatnonzero((rows["verdict"] == "good").to_numpy())
    middle = good[np.argsort(rows["t01_us"].to_numpy()[good], kind="stable")[(len(good) - 1) // 2]]
    one = pulses.iloc[int(middle)]
    return outline(one["codes"], int(one["start_ns"]), int(one["step_ns"]), measure_one(one, sensor))


def _totals(rec: Any, kind: str, clock: Any, window: tuple[int, int] | None) -> dict[int, int]:
    """How much a running total since boot grew inside the window, over all boots, by index."""
    seen = rec.readings[rec.readings["kind"] == kind]
    out: dict[int, int] = {}
    for (_, index), part in seen.groupby(["boot", "index"], observed=True):
        value = part["value"].to_numpy(np.int64)
        before = inside = np.zeros(0, np.int64)
        if window is None:
            inside = value
        else:
            utc = np.asarray(clock.utc_us(part["boot"].to_numpy(), part["t_ns"].to_numpy()), np.int64)
            before, inside = value[utc < window[0]], value[(utc >= window[0]) & (utc < window[1])]
        if len(inside):
            out[int(index)] = out.get(int(index), 0) + int(inside.max() - before.max(initial=0))
    return out


def _table(rows: pd.DataFrame, pulses: pd.DataFrame, utc: np.ndarray, fires: pd.DataFrame) -> pd.DataFrame:
    named = ["+".join(f"FLASH{k}" for k in heads_in(int(m))) for m in rows["flash"]]
    edge = rows["t_ns"].to_numpy(float) / 1000
    columns: dict[str, Any] = {
        "pulse_id": np.arange(len(rows)),
        "boot": rows["boot"],
        "t_us": edge,
        "utc_us": utc,
        "fire_id": _fire_of(rows["boot"].to_numpy(np.int64), edge, fires),
        "flash": pd.Categorical(named),
        "verdict": coded(np.array([VERDICTS.index(v) for v in rows["verdict"]], int), VERDICTS),
        "shape": coded(np.array([SHAPES.index(s) if s else -1 for s in rows["shape"]], int), SHAPES),
        "cut": pulses["cut"],
    }
    for name, unit in UNITS.items():
        stem = name.removesuffix("_us")
        columns |= {
            f"{stem}_{unit}": rows[name],
            f"{stem}_lo_{unit}": rows[f"{stem}_lo"],
            f"{stem}_hi_{unit}": rows[f"{stem}_hi"],
        }
    return table("pulses", len(rows), columns)


def _fire_of(boot: np.ndarray, edge_us: np.ndarray, fires: pd.DataFrame) -> np.ndarray:
    """The fire whose first light is nearest to each edge, -1 where none is near."""
    out = np.full(len(edge_us), -1, np.int64)
    for b in np.unique(boot):
        own = fires[fires["boot"] == b].sort_values("t_us")
        if not len(own):
            continue
        t, ids, mine = own["t_us"].to_numpy(float), own["fire_id"].to_numpy(np.int64), np.flatnonzero(boot == b)
        right = np.clip(np.searchsorted(t, edge_us[mine]), 1, max(len(t) - 1, 1))
        ends = np.column_stack([right - 1, np.minimum(right, len(t) - 1)])
        off = np.abs(t[ends] - edge_us[mine][:, None])
        near = ends[np.arange(len(mine)), off.argmin(axis=1)]
        out[mine] = np.where(off.min(axis=1) <= SAME_FIRE_US, ids[near], -1)
    return out
