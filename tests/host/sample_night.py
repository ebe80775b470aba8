"""An invented night in the shape that the analysis hands to the report: tables, estimates, site, sky, log facts.

Nothing here is measured. The garden, the heads and every number are made up from a seed.
"""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
from duskgate import fields

START = 1_784_399_400_000_000  # 2026-07-18T18:30:00Z
HOUR = 3_600_000_000
END = START + 10 * HOUR
HEADS = (1, 2, 3)


def table(name: str, columns: dict) -> pd.DataFrame:
    """A frame with the columns, order and types of fields.TABLES; absent columns are filled with 'none' values."""
    shape = fields.TABLES[name]
    n = len(next(iter(columns.values()))) if columns else 0
    filled = {}
    for column, dtype in shape.items():
        default = np.nan if dtype.startswith("float") else "" if dtype in ("object", "category") else -1
        filled[column] = pd.Series(columns.get(column, [default] * n)).astype(dtype)
    return pd.DataFrame(filled, columns=list(shape))


def est(value: float, half: float, n: int) -> dict:
    return {"value": value, "lo": value - half, "hi": value + half, "n": n, "level": 0.95}


def lacking(n: int, need: int) -> dict:
    return {"value": None, "n": n, "need": need, "text": f"not enough data, n = {n}, need about {need}"}


def _visits(rng, n, flash):
    start = np.sort(START + (rng.beta(2, 2.5, n) * 9 * HOUR).astype("int64") + HOUR // 2)
    caught = rng.choice(["yes", "partly", "no"], n, p=[0.85, 0.06, 0.09]) if flash else np.array(["not_watched"] * n)
    n_breaks = rng.integers(1, 6, n)
    return table(
        "visits",
        {
            "visit_id": np.arange(n),
            "start_utc_us": start,
            "end_utc_us": start + rng.integers(80_000, 1_500_000, n),
            "n_breaks": n_breaks,
            "n_fires": np.where(caught == "no", 0, n_breaks) if flash else np.zeros(n, int),
            "caught": caught,
            "speed_mm_s": rng.normal(900, 200, n),
            "direction": rng.choice(["in", "out"], n),
        },
    )


def _breaks(rng, visits, flash):
    v = visits.loc[visits.index.repeat(visits["n_breaks"])]
    n = len(v)
    others = {"insect": 60, "rain": 25, "leaf": 12, "blocked": 9, "glitch": 3} if n else {}
    kinds = np.array(["visit"] * n + [k for k, c in others.items() for _ in range(c)])
    m = len(kinds)
    start = (
        np.concatenate([v["start_utc_us"] + rng.integers(0, 900_000, n), rng.integers(START, END, m - n)]) if m else []
    )
    order = np.argsort(start)
    gap = np.exp(rng.normal(0.4, 1.2, m))
    fired = rng.random(m) < 0.5 * (1 + np.vectorize(math.erf)(np.log(gap / 0.9) / 0.15)) if m else np.array([], bool)
    outcome = (
        np.where(fired, np.where(rng.random(m) < 0.04, "partial", "all"), "none")
        if flash
        else np.array(["not_watched"] * m)
    )
    frame = pd.DataFrame(
        {
            "break_id": np.arange(m),
            "boot": 0,
            "t_us": 0.0,
            "start_utc_us": np.asarray(start, "int64")[order],
            "dur_us": rng.integers(20_000, 900_000, m).astype(float),
            "beam": "BEAM",
            "visit_id": -1,
            "kind": kinds[order],
            "reason": "longest break at least 18 ms",
            "outcome": outcome,
            "fire_id": np.where(outcome == "all", np.arange(m), -1),
            "latency_us": np.where(outcome == "all", rng.normal(3840, 40, m), np.nan),
            "cause": np.where(
                outcome == "none",
                np.where(gap < 1.0, "recycling", "radio"),
                np.where(outcome == "partial", "recycling", ""),
            ),
            "gap_s": np.where(rng.random(m) < 0.02, np.nan, gap),
        }
    )
    return table("breaks", {c: frame[c].to_numpy() for c in frame})


def _fires(rng, breaks, heads):
    b = breaks[breaks["outcome"].isin(["all", "partial"])]
    n, extra = len(b), 4 if len(b) else 0
    lat = {f"latency{h}_us": np.concatenate([rng.normal(3800 + 60 * h, 30, n), np.full(extra, np.nan)]) for h in heads}
    return table(
        "fires",
        {
            "fire_id": np.arange(n + extra),
            "boot": np.zeros(n + extra, int),
            "t_us": np.zeros(n + extra),
            "utc_us": np.concatenate([b["start_utc_us"], START + HOUR * np.arange(1, extra + 1)]).astype("int64"),
            "kind": ["answered"] * n + ["interference"] * extra,
            "break_id": np.concatenate([b["break_id"], np.full(extra, -1)]).astype("int64"),
            "latency_us": np.concatenate(
                [np.nanmin([lat[f"latency{h}_us"][:n] for h in heads], axis=0) if n else [], np.full(extra, np.nan)]
            ),
            **lat,
            "path": ["beam_flash"] * (n + extra),
        },
    )


def _rates(visits):
    edges = np.arange(START, END + 1, HOUR // 2)
    n = np.histogram(visits["start_utc_us"], edges)[0]
    hours = np.full(len(n), 0.5)
    hours[6] = 0.0
    n[6] = 0
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(hours > 0, n / hours, np.nan)
    return table(
        "rates",
        {
            "start_utc_us": edges[:-1],
            "end_utc_us": edges[1:],
            "exposure_s": hours * 3600,
            "n": n,
            "rate_per_h": rate,
            "lo": rate * 0.6,
            "hi": rate * 1.6 + 2,
        },
    )


def _supply(rng):
    t = np.arange(START, END, 60_000_000)
    k = np.arange(len(t))
    return table(
        "supply", {"utc_us": t, "batt_mv": 4050 - k * 0.4 + rng.normal(0, 3, len(t)), "temp_degc": 24 - k * 0.015}
    )


def estimates(n_visits: int, n_breaks: int, n_fires: int, heads=HEADS, flash=True) -> dict:
    head = {
        f"FLASH{h}": {"median": est(3800 + 60 * h, 3, n_fires), "p95": est(3860 + 60 * h, 12, n_fires)} for h in heads
    }
    recycle = {
        f"FLASH{h}": {
            "r50_s": est(0.9, 0.02, 240),
            "r95_s": est(1.15, 0.06, 240),
            "r50_start_s": est(0.86, 0.02, 120),
            "r50_end_s": est(1.12, 0.03, 120),
            "growth": est(1.3, 0.05, 240),
            "lapse": est(0.01, 0.005, 240),
            "note": "",
        }
        for h in heads
    }
    kinds = {"visit": n_breaks, "insect": 60, "rain": 25, "leaf": 12, "blocked": 9, "glitch": 3} if n_breaks else {}
    found = {
        "visits": {
            "n": n_visits,
            "n_narrow": n_visits + 4,
            "n_wide": n_visits - 3,
            "criterion_s": 0.62,
            "criterion_source": "fitted",
            "criterion_default_s": 0.8,
            "n_gaps": 310,
        },
        "kinds": kinds,
        "verdict": {"what": "clear", "text": "The beam was clear: no long darkness, no chatter."},
        "exposure": {"session_s": 36000.0, "live_s": 34000.0, "blind_s": 200.0, "blocked_s": 1800.0, "off_s": 0.0},
        "rates": {"bin_s": 1800, "session_per_h": est(n_visits / 9.4, 3.0, n_visits), "dispersion": 2.6},
        "best_window": {
            "length_s": 7200,
            "start_utc_us": START + 3 * HOUR,
            "end_utc_us": START + 5 * HOUR,
            "rate_per_h": est(24.0, 9.0, 48),
            "n_nights": 1,
            "not_beaten": [[START + 2 * HOUR, START + 4 * HOUR], [START + 3 * HOUR, START + 5 * HOUR]],
            "text": "One night cannot rank windows with certainty.",
        },
        "supply": {
            "logger": {
                "start_mv": 4050,
                "end_mv": 3810,
                "cutoff_mv": 3300,
                "hours_left": est(20.0, 4.0, 600),
                "text": "straight line through the last hours",
            },
            "heads": {},
        },
    }
    if flash:
        found |= {
            "latency": {
                "beam_flash": {
                    "first_us": {"median": est(3848, 6, n_fires), "p95": est(3930, 14, n_fires)},
                    "heads": head,
                    "skew_us": {"FLASH2-FLASH1": est(60, 3, n_fires), "FLASH3-FLASH1": est(120, 4, n_fires)},
                    "window_us": [3400, 24000],
                }
            },
            "fires": {"n": n_fires + 4, "answered": n_fires, "interference": 4},
            "misses": {
                "n": 31,
                "watched_breaks": n_breaks,
                "by_cause": {"recycling": 24, "radio": 5, "unknown": 2},
                "share": est(0.07, 0.02, n_breaks),
            },
            "recycle": recycle,
        }
    return found


def boots(clock="anchored") -> pd.DataFrame:
    return table(
        "boots",
        {
            "boot": [0],
            "boot_no": [17],
            "cause": ["power-on"],
            "start_utc_us": [START],
            "end_utc_us": [END],
            "clock": [clock],
            "clock_unc_us": [21_000.0],
            "firmware": ["0.1.0"],
            "interpreter": ["MicroPython on a PC 1.28.0"],
        },
    )


def sample_night(n_visits=140, seed=11, flash=True, clock="anchored", heads=HEADS) -> SimpleNamespace:
    """Tables and estimates of one invented night. n_visits 0 gives an empty but sound night."""
    rng = np.random.default_rng(seed)
    visits = _visits(rng, n_visits, flash)
    breaks = _breaks(rng, visits, flash)
    fires = _fires(rng, breaks, heads) if flash else table("fires", {})
    missed = breaks[(breaks["kind"] == "visit") & breaks["outcome"].isin(["none", "partial"])]
    tables = {
        "edges": table("edges", {}),
        "breaks": breaks,
        "visits": visits,
        "fires": fires,
        "frames": table("frames", {}),
        "misses": table("misses", {c: missed[c].to_numpy() for c in ("break_id", "cause", "gap_s", "reason")}),
        "notes": table(
            "notes", {"utc_us": [START + HOUR], "what": ["refilled"], "head": [0], "text": ["sugar water, 20 %"]}
        ),
        "supply": _supply(rng),
        "boots": boots(clock),
        "pulses": table("pulses", {}),
        "gaps": table(
            "gaps",
            {
                "start_utc_us": [START + 3 * HOUR],
                "end_utc_us": [START + 3 * HOUR + HOUR // 2],
                "why": ["blocked"],
                "detail": ["dew on the lens"],
            },
        ),
        "rates": _rates(visits),
    }
    n_breaks = int((breaks["kind"] == "visit").sum())
    return SimpleNamespace(
        tables=tables, estimates=estimates(n_visits, n_breaks, int((fires["kind"] == "answered").sum()), heads, flash)
    )


def nothing_night() -> SimpleNamespace:
    """A log from which nothing can be said."""
    tables = {name: table(name, {}) for name in fields.TABLES}
    found = {
        "visits": {"n": 0},
        "kinds": {},
        "exposure": {"session_s": 0.0, "live_s": 0.0, "blind_s": 0.0, "blocked_s": 0.0},
    }
    return SimpleNamespace(tables=tables, estimates=found)


def problems(n: int = 0) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "file": ["night.dgl"] * n,
            "offset": [4096 * k for k in range(n)],
            "bytes": [120] * n,
            "what": ["the block's check is wrong"] * n,
        }
    )


def sample_sky() -> dict:
    """Invented sky in the shape that the facts take."""
    minute = 60_000_000
    sunset, sunrise = START + 65 * minute, START + 10 * HOUR - 15 * minute
    steps = [sunset + m * minute for m in (0, 36, 80, 130)] + [sunrise - m * minute for m in (130, 80, 36, 0)]
    marks = [START - HOUR, *steps, sunrise + HOUR]
    names = ["day", "civil twilight", "nautical twilight", "astronomical twilight"]
    names = [*names, "night", *reversed(names)]
    bands = [
        {"name": n, "start_utc_us": a, "end_utc_us": b} for n, a, b in zip(names, marks[:-1], marks[1:], strict=True)
    ]
    return {
        "sunset_utc_us": sunset,
        "sunrise_utc_us": sunrise,
        "moon_lit": 0.34,
        "moon_up": [[START + 7 * HOUR, START + 12 * HOUR]],
        "bands": bands,
    }


SITE = SimpleNamespace(
    name="Walled garden",
    zone="Europe/Paris",
    latitude_deg=44.2,
    longitude_deg=0.6,
    beam_source="tap",
    channels=("BEAM", "FLASH1"),
    heads=(),
)
LOG = {"files": ["night.dgl"], "date": "2026-07-18", "other_nights": ["2026-07-17"], "problems": problems()}
