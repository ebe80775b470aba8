"""The tables of a night, from its parts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from duskgate.analysis import frames, kinds, second_beam, spans, visits
from duskgate.analysis.parts import Parts
from duskgate.analysis.tables import coded, table
from duskgate.fields import BREAK_KINDS, CAUGHT, CAUSES, CHANNELS, FIRE_KINDS, OUTCOMES, PATHS

NONE, PARTIAL, ALL, NOT_WATCHED = range(4)
assert OUTCOMES == ("none", "partial", "all", "not_watched")


def build(p: Parts, rec: Any) -> dict[str, pd.DataFrame]:
    """All tables but `rates`; `pulses` is without rows (analysis/pulse_night.py fills it where a log holds any)."""
    out = {"edges": _edges(p)}
    out["breaks"], fire_of_event = _breaks(p)
    out["visits"] = _visits(p, out["breaks"])
    out["fires"] = _fires(p, out["breaks"], fire_of_event)
    out["frames"] = _frames(p, out["fires"], out["breaks"])
    out["misses"] = _misses(out["breaks"], p)
    out["notes"] = _notes(p)
    out["supply"] = _supply(p)
    out["boots"] = _boots(p, rec)
    out["gaps"] = _gaps(p)
    out["pulses"] = table("pulses", 0, {})
    return out


def _edges(p: Parts) -> pd.DataFrame:
    t = p.traces
    return table(
        "edges",
        len(t.x),
        {
            "boot": t.boot[t.bi] if len(t.x) else t.bi,
            "t_ns": t.t_ns(t.x, t.bi),
            "utc_us": t.utc_us(t.x, t.bi),
            "channel": pd.Categorical.from_codes(t.channel, list(CHANNELS)),
            "level": t.level,
        },
    )


def outcomes(p: Parts) -> np.ndarray:
    """Outcome of each break of BEAM (index into OUTCOMES)."""
    if not p.answers.wired:
        return np.full(len(p.beam.start), NOT_WATCHED, np.int8)
    return np.where(p.none, NONE, np.where(p.partial, PARTIAL, ALL)).astype(np.int8)


def _breaks(p: Parts) -> tuple[pd.DataFrame, np.ndarray]:
    """Breaks of both beams in time order, and the fire number of each light event (-1: folded into another)."""
    t, a, b = p.traces, p.answers, p.beam
    n = len(b.start)
    fire_of_event = np.full(len(a.lights.x), -1, np.int64)
    fire_of_event[a.kept] = np.arange(len(a.kept))
    hit = a.event_of >= 0
    fire, latency = np.full(n, -1, np.int64), np.full(n, np.nan)
    fire[hit] = fire_of_event[a.event_of[hit]]
    latency[hit] = (a.lights.x[a.event_of[hit]] - b.start[hit]) / 1000
    gap = _gap_since_light(p)
    missed = (p.none | p.partial) & bool(a.wired)
    cause = np.where(missed, p.misses.cause, -1)
    two = second_beam.rows(p)
    start = np.concatenate([b.start, p.second.start])
    order = np.argsort(start, kind="stable")
    bi = np.concatenate([b.bi, p.second.bi])[order]
    start = start[order]
    m = len(p.second.start)
    frame = table(
        "breaks",
        n + m,
        {
            "break_id": np.arange(n + m),
            "boot": t.boot[bi] if len(bi) else bi,
            "t_us": t.t_ns(start, bi) / 1000,
            "start_utc_us": t.utc_us(start, bi),
            "dur_us": np.concatenate([b.duration, p.second.duration])[order] / 1000,
            "beam": pd.Categorical.from_codes((order >= n).astype(np.int8), list(CHANNELS[:2])),
            "visit_id": np.concatenate([p.visit, two.visit])[order],
            "kind": coded(np.concatenate([p.kinds.kind, two.kind])[order], BREAK_KINDS),
            "reason": coded(np.concatenate([p.kinds.reason, two.reason])[order], two.reasons),
            "outcome": coded(np.concatenate([outcomes(p), np.full(m, NOT_WATCHED, np.int8)])[order], OUTCOMES),
            "fire_id": np.concatenate([fire, np.full(m, -1)])[order],
            "latency_us": np.concatenate([latency, np.full(m, np.nan)])[order],
            "cause": coded(np.concatenate([cause, np.full(m, -1)])[order], CAUSES),
            "gap_s": np.concatenate([gap, np.full(m, np.nan)])[order],
        },
    )
    return frame, fire_of_event


def _gap_since_light(p: Parts) -> np.ndarray:
    """Seconds from the last light of any head, in the same boot, to each break; NaN before the first."""
    x, bi, start = p.answers.lights.x, p.answers.lights.bi, p.beam.start
    if len(x) == 0 or len(start) == 0:
        return np.full(len(start), np.nan)
    k = np.searchsorted(x, start) - 1
    at = np.maximum(k, 0)
    return np.where((k >= 0) & (bi[at] == p.beam.bi), (start - x[at]) / 1e9, np.nan)


def break_ids(p: Parts) -> np.ndarray:
    """break_id of each break of BEAM."""
    order = np.argsort(np.concatenate([p.beam.start, p.second.start]), kind="stable")
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    return place[: len(p.beam.start)]


def _visits(p: Parts, breaks: pd.DataFrame) -> pd.DataFrame:
    n = int(p.visit.max()) + 1 if len(p.visit) else 0
    at = np.flatnonzero(p.visit >= 0)
    v, out = p.visit[at], outcomes(p)[at]
    order = np.argsort(v, kind="stable")
    first = np.searchsorted(v[order], np.arange(n))
    start = p.beam.start[at[order]][first] if n else at
    end = np.full(n, np.iinfo(np.int64).min)
    np.maximum.at(end, v, p.beam.end[at])
    best = np.full(n, -1, np.int8)
    np.maximum.at(best, v, np.where(out == NOT_WATCHED, -1, out))
    caught = np.array([CAUGHT.index("no"), CAUGHT.index("partly"), CAUGHT.index("yes"), CAUGHT.index("not_watched")])[
        best
    ]
    lead, _ = visits.crossings(p.beam.start / 1e9, p.visit, p.second.start / 1e9, p.settings)
    speed, direction = visits.speed_and_direction(lead, p.settings)
    bi = p.beam.bi[at[order]][first] if n else at
    return table(
        "visits",
        n,
        {
            "visit_id": np.arange(n),
            "start_utc_us": p.traces.utc_us(start, bi),
            "end_utc_us": p.traces.utc_us(end, bi),
            "n_breaks": np.bincount(v, minlength=n),
            "n_fires": np.bincount(v[p.answers.event_of[at] >= 0], minlength=n),
            "caught": coded(caught, CAUGHT),
            "speed_mm_s": speed,
            "direction": pd.Categorical(direction, categories=["in", "out", ""]),
        },
    )


def _fires(p: Parts, breaks: pd.DataFrame, fire_of_event: np.ndarray) -> pd.DataFrame:
    t, a = p.traces, p.answers
    x, bi, of = a.lights.x[a.kept], a.lights.bi[a.kept], a.break_of[a.kept]
    n = len(x)
    ids = break_ids(p)
    begun = p.beam.start[of] if len(ids) else np.zeros(n, np.int64)
    got = of >= 0
    columns = {f"latency{k + 1}_us": v for k, v in _per_sensor(p, begun, got).items()}
    opened, frame = _chain(p, x, begun, got)
    return table(
        "fires",
        n,
        {
            "fire_id": np.arange(n),
            "boot": t.boot[bi] if n else bi,
            "t_us": t.t_ns(x, bi) / 1000,
            "utc_us": t.utc_us(x, bi),
            "kind": coded(np.where(a.answered[a.kept], 0, 1), FIRE_KINDS),
            "break_id": np.where(got, ids[of] if len(ids) else -1, -1),
            "latency_us": np.where(got, (x - begun) / 1000, np.nan),
            **columns,
            "sync_us": np.where(opened >= 0, t.t_ns(opened, bi) / 1000, np.nan) if n else np.zeros(0),
            "beam_to_sync_us": np.where(opened >= 0, (opened - begun) / 1000, np.nan),
            "sync_to_light_us": np.where(opened >= 0, (x - opened) / 1000, np.nan),
            "frame_id": frame,
            "path": coded(np.where(a.answered[a.kept], PATHS.index(p.settings.path), -1), PATHS),
        },
    )


def _per_sensor(p: Parts, begun: np.ndarray, got: np.ndarray) -> dict[int, np.ndarray]:
    """Lag of each head that has a sensor of its own; heads that share sensors get no column of their own."""
    a = p.answers
    out = {}
    for _, columns in a.heads:
        if len(columns) == 1:
            rise = a.lights.rise[a.kept, columns[0]]
            out[columns[0]] = np.where(got & (rise >= 0), (rise - begun) / 1000, np.nan)
    return out


def _chain(p: Parts, x: np.ndarray, begun: np.ndarray, got: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sync moment (ns, -1 none) between break and light, and the frame that each light fell into."""
    f = p.answers.frames
    frame = frames.fires_in_frames(f, x)
    if len(f.open) == 0 or len(x) == 0:
        return np.full(len(x), -1, np.int64), frame
    k = np.searchsorted(f.open, x + frames.EARLY_NS, side="right") - 1
    opened = f.open[np.maximum(k, 0)]
    inside = got & (k >= 0) & (opened >= begun)
    return np.where(inside, opened, -1), np.where(inside & (frame < 0), k, frame)


def _frames(p: Parts, fires: pd.DataFrame, breaks: pd.DataFrame) -> pd.DataFrame:
    f = p.answers.frames
    of = p.answers.break_of[p.answers.kept]
    visit = np.where(of >= 0, p.visit[of], -1) if len(p.visit) else np.full(len(of), -1)
    n_fires, n_visits, kept = frames.contents(f, fires["frame_id"].to_numpy(np.int64), visit)
    return table(
        "frames",
        len(f.open),
        {
            "frame_id": np.arange(len(f.open)),
            "open_utc_us": p.traces.utc_us(f.open, f.bi),
            "exposure_s": f.exposure,
            "n_fires": n_fires,
            "n_visits": n_visits,
            "kept": kept,
        },
    )


def _misses(breaks: pd.DataFrame, p: Parts) -> pd.DataFrame:
    ids = break_ids(p)
    at = np.flatnonzero((p.kinds.kind == kinds.VISIT) & (p.none | p.partial))
    row = ids[at]
    return table(
        "misses",
        len(at),
        {
            "break_id": row,
            "cause": coded(p.misses.cause[at], CAUSES),
            "gap_s": breaks["gap_s"].to_numpy()[row],
            "reason": pd.Categorical(p.misses.reason[at]),
        },
    )


def _notes(p: Parts) -> pd.DataFrame:
    n = p.traces.notes
    return table(
        "notes",
        len(n),
        {
            "utc_us": p.traces.utc_us(n["x"].to_numpy(np.int64), n["bi"].to_numpy(np.int64)),
            "head": n["head"].to_numpy(),
            "what": pd.Categorical(n["what"].astype(object)),
            "text": n["text"].to_numpy(object),
        },
    )


def supply_readings(p: Parts) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Moments (ns), boots, supply (mV) and temperature (degrees C, NaN where not read) of the logger's readings."""
    r = p.traces.readings
    kind = r["kind"].astype(object).to_numpy() if len(r) else np.zeros(0, object)
    x, bi, value = (r[c].to_numpy(np.int64) for c in ("x", "bi", "value"))
    volts, warm = kind == "battery_mv", kind == "temp_c100"
    moments, first = np.unique(np.concatenate([x[volts], x[warm]]), return_index=True)
    both = np.concatenate([bi[volts], bi[warm]])[first]
    mv, temp = np.full(len(moments), np.nan), np.full(len(moments), np.nan)
    mv[np.searchsorted(moments, x[volts])] = value[volts]
    temp[np.searchsorted(moments, x[warm])] = value[warm] / 100
    return moments, both, mv, temp


def _supply(p: Parts) -> pd.DataFrame:
    x, bi, mv, temp = supply_readings(p)
    return table("supply", len(x), {"utc_us": p.traces.utc_us(x, bi), "batt_mv": mv, "temp_degc": temp})


def _boots(p: Parts, rec: Any) -> pd.DataFrame:
    t = p.traces
    rows = rec.boots.set_index("boot").loc[t.boot.tolist()] if len(t.boot) else rec.boots.iloc[:0]
    k = np.arange(len(t.boot))
    unc = [
        float(np.max(t.clock.unc_us(int(b), np.array([a, z], np.int64))))
        for b, a, z in zip(t.boot, t.t0, t.t1, strict=True)
    ]
    return table(
        "boots",
        len(k),
        {
            "boot": t.boot,
            "boot_no": rows["boot_no"].to_numpy(),
            "cause": pd.Categorical(t.cause),
            "start_utc_us": t.utc_us(t.x0, k),
            "end_utc_us": t.utc_us(t.x1, k),
            "clock": pd.Categorical([_clock_state(t.clock, int(b)) for b in t.boot]),
            "clock_unc_us": unc,
            "firmware": rows["firmware"].to_numpy(object),
            "interpreter": rows["interpreter"].to_numpy(object),
        },
    )


def _clock_state(clock: Any, boot: int) -> str:
    state = getattr(clock, "state", None)
    return "anchored" if state is None else str(state(boot) if callable(state) else state[boot])


def _gaps(p: Parts) -> pd.DataFrame:
    gaps = p.exposure.gaps
    lo, hi = (
        np.array([round(v * 1e9) for v in side], np.int64) for side in ([g.start for g in gaps], [g.end for g in gaps])
    )
    return table(
        "gaps",
        len(gaps),
        {
            "start_utc_us": p.traces.utc_us(lo),
            "end_utc_us": p.traces.utc_us(hi),
            "why": pd.Categorical([g.why for g in gaps]),
            "detail": np.array([g.detail for g in gaps], object),
        },
    )


def utc_exposure(p: Parts) -> tuple[int, int, np.ndarray]:
    """First and last microsecond of the session and the spans (us) in which no visit could be told."""
    t = p.traces
    if len(t.boot) == 0:
        return 0, 0, np.zeros((0, 2), np.int64)
    k = np.arange(len(t.boot))
    # where no boot's time is known, their own times one after the other still give rates, if not the hour
    shown = t.known if t.known.any() else ~t.known
    starts, ends = t.utc_us(t.x0, k)[shown], t.utc_us(t.x1, k)[shown]
    lo, hi = int(starts.min()), int(ends.max())
    closed = np.round(p.exposure.closed * 1e9).astype(np.int64)
    closed = np.column_stack([t.utc_us(closed[:, 0]), t.utc_us(closed[:, 1])])
    away = spans.outside(np.column_stack([starts, ends]), lo, hi)
    return lo, hi, spans.union(np.concatenate([spans.clip(closed, lo, hi), away]))


def time_of_day(p: Parts) -> str:
    """Whether the boots' time of day is "known", known "partly", or "unknown"."""
    known = p.traces.known
    return "known" if known.all() else "partly" if known.any() else "unknown"


def axis_exposure(p: Parts) -> tuple[np.ndarray, np.ndarray, int, int]:
    """Starts of visits, spans without sight, first and last moment of the session in board time, us of the axis.

    All boots stand on this axis, those without a time of day too, one after the other.
    """
    at = np.flatnonzero(p.visit >= 0)
    _, first = np.unique(p.visit[at], return_index=True)
    lo, hi = (round(v * 1e6) for v in p.exposure.bounds)
    return p.beam.start[at[first]] // 1000, np.round(p.exposure.closed * 1e6).astype(np.int64), lo, hi


def rates_table(columns: dict) -> pd.DataFrame:
    """Table of rates (fields.TABLES["rates"]) from its columns, a row a bin."""
    return table("rates", len(columns["n"]), columns)
