"""The estimates of a night, from its parts and tables."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from duskgate.analysis import delay, forecast, kinds, supply, visits
from duskgate.analysis.night_tables import supply_readings
from duskgate.analysis.parts import Parts
from duskgate.analysis.stats import quantile_estimate, share
from duskgate.fields import BREAK_KINDS, CAUSES

OF_A_GROUP = (
    "the figure is the pause of all the heads seen together, from a light of all of them until the quickest lights "
    "again; each head alone takes as long or longer, and how much longer this log cannot tell"
)


def build(p: Parts, tables: dict[str, pd.DataFrame], template: dict | None) -> dict[str, Any]:
    """`Night.estimates` of a night taken apart, from its tables. template: `template_of` an earlier night, or None."""
    out: dict[str, Any] = {
        "visits": visits.summary(p.beams, p.kinds, p.settings),
        "kinds": dict(zip(BREAK_KINDS, np.bincount(p.kinds.kind, minlength=len(BREAK_KINDS)).tolist(), strict=True)),
        "beam": {"merged": p.beam.merged, "open_breaks": len(p.beam.open_start)},
        "supply": {
            "logger": _logger(p),
            "heads": _head_supplies(p, template),
            "template": forecast.template_of(p.recycle),
        },
    }
    if p.answers.wired:
        out |= _flash(p, tables)
    if len(p.answers.frames.open):
        out["frames"] = _frames(p, tables["frames"])
    return out


def _flash(p: Parts, tables: dict[str, pd.DataFrame]) -> dict[str, Any]:
    fires, a = tables["fires"], p.answers
    answered = a.break_of[a.kept] >= 0
    begun = p.beam.start[a.break_of[a.kept][answered]] if len(p.beam.start) else np.zeros(0, np.int64)
    rise = a.rise[a.kept][answered]
    per_head = np.where(rise >= 0, (rise - begun[:, None]) / 1000, np.nan)
    watched = int((p.kinds.kind == kinds.VISIT).sum())
    none = int((p.none & (p.kinds.kind == kinds.VISIT)).sum())
    loss = {"lost_edges": p.beam_loss(), "misses": none, "watched_breaks": watched}
    summary = delay.delay_summary(
        fires["latency_us"].to_numpy()[answered],
        per_head,
        [name for name, _ in a.heads],
        begun / 1e9,
        a.matching.window,
        loss,
    )
    summary |= _split(fires[answered])
    stranger = fires["kind"] == "interference"
    missed = tables["misses"]
    by_cause = missed["cause"].astype(object).value_counts().to_dict()
    return {
        "latency": {p.settings.path: summary},
        "heads": {"names": [name for name, _ in a.heads], "how": a.heads_how, "labels": _labels(p)},
        "fires": {
            "n": len(fires),
            "answered": int((~stranger).sum()),
            "interference": int(stranger.sum()),
            "pulses_dropped": a.lights.pulses_dropped,
        },
        "misses": {
            "n": len(missed),
            "watched_breaks": watched,
            "by_cause": {c: int(by_cause.get(c, 0)) for c in CAUSES},
            "share": share(len(missed), watched),
            "lost_command_share": float(p.recycle.lost_share) if p.recycle.fit else None,
        },
        "recycle": _recycle(p),
    }


def _split(fires: pd.DataFrame) -> dict[str, Any]:
    """Beam to sync and sync to light, where the camera's contact lies between them."""
    sync = fires["beam_to_sync_us"].dropna().to_numpy()
    if len(sync) == 0:
        return {}
    light = fires["sync_to_light_us"].dropna().to_numpy()
    return {
        "beam_to_sync_us": {"median": quantile_estimate(sync, 0.5), "p95": quantile_estimate(sync, 0.95)},
        "sync_to_light_us": {"median": quantile_estimate(light, 0.5), "p95": quantile_estimate(light, 0.95)},
    }


def _frames(p: Parts, frames: pd.DataFrame) -> dict[str, Any]:
    n = len(frames)
    kept = int(frames["kept"].sum())
    return {
        "n": n,
        "bounces": p.answers.frames.bounces,
        "kept": kept,
        "empty": int((frames["n_fires"] == 0).sum()),
        "crowded": int((frames["n_fires"] > 1).sum()),
        "kept_share": share(kept, n),
    }


def _logger(p: Parts) -> dict[str, Any]:
    x, _, mv, temp = supply_readings(p)
    ok = np.isfinite(mv)
    s = p.settings
    cells = s.logger_cells
    return supply.logger_supply(x[ok] / 1e9, mv[ok], temp[ok], s.cutoff_mv, s.chemistry, s.supply_curve, cells)


def _head_supplies(p: Parts, template: dict | None) -> dict[str, Any]:
    if not p.answers.wired:
        return {}
    names = [name for name, _ in p.answers.heads]
    return forecast.head_forecasts(p.recycle, names, p.settings.needed_gap_s, template)


def _labels(p: Parts) -> dict[str, str]:
    """The site file's own name of each head, by the name used here."""
    given = {tuple(sorted(columns)): name for name, columns in p.settings.heads or ()}
    found = {name: given.get(tuple(sorted(columns)), "") for name, columns in p.answers.heads}
    return {name: label for name, label in found.items() if label}


def _recycle(p: Parts) -> dict[str, Any]:
    """Recycle of each head; where several heads are seen as one, the note says whose pause the figure is."""
    out = {}
    for name, columns in p.answers.heads:
        report = dict(p.recycle.report[name])
        if len(columns) > 1 or p.trials.union:
            why = "lights came too soon for one head alone" if p.trials.union else "these sensors never differed"
            report["note"] += f"; {why}: {OF_A_GROUP}"
        out[name] = report
    return out
