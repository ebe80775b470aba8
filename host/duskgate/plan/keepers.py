"""Keepers: frames with exactly one fire, and that of a visit. What a log allowed, and what another rate would allow.

A night is one axis of seconds with its fires in order. Every question is asked of all moments at which a shutter could
have opened, not of drawn ones: each fire is alone in the window for a known stretch of opening moments, so that shares
are exact sums. Estimates are dicts with value, lo, hi, n.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

OPEN_S = np.geomspace(0.25, 30.0, 97)  # shutter times that are compared, 5 % apart
FLAT = 0.05  # a time belongs to the flat top while it loses less than this share of the keepers
NEED_KEEPERS = 20  # expected keepers on the log below which a best time is chance

Rate = Callable[[np.ndarray, np.ndarray], dict]  # counts and exposures (s) of nights -> estimate per hour


@dataclass(frozen=True)
class NightFires:
    """Fires of one night. fire_s: rising, s; visit: the visit of each, -1 none; from lo_s to hi_s; blind: (k, 2) s."""

    fire_s: np.ndarray
    visit: np.ndarray
    lo_s: float
    hi_s: float
    blind: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))
    name: str = ""


def night_fires(tables: dict[str, Any], lo_utc_us: int, hi_utc_us: int, name: str = "") -> NightFires:
    """The night of one logbook entry from its tables fires, breaks and gaps, seconds since lo_utc_us.

    A fire belongs to the visit of the break that it answers; one without (interference, insect, rain) has none.
    """
    fires, breaks, gaps = tables["fires"], tables["breaks"], tables["gaps"]
    at = fires["utc_us"].to_numpy(np.int64)
    order = np.argsort(at, kind="stable")
    visit_of = breaks.set_index("break_id")["visit_id"]
    visit = visit_of.reindex(fires["break_id"].to_numpy()).fillna(-1).to_numpy(np.int64)
    keep = order[(at[order] >= lo_utc_us) & (at[order] <= hi_utc_us)]
    blind = (gaps[["start_utc_us", "end_utc_us"]].to_numpy(float) - lo_utc_us) / 1e6
    return NightFires((at[keep] - lo_utc_us) / 1e6, visit[keep], 0.0, (hi_utc_us - lo_utc_us) / 1e6, blind, name)


def _openings(night: NightFires, open_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Cumulated length of opening moments whose whole window was watched: knots (s) and length so far (s)."""
    shut = np.clip(np.asarray(night.blind, float).reshape(-1, 2), night.lo_s, night.hi_s)
    shut = shut[shut[:, 1] > shut[:, 0]] - np.array([open_s, 0.0])
    cuts = np.concatenate([[night.lo_s, night.hi_s - open_s], shut.ravel()])
    knots = np.unique(np.clip(cuts, night.lo_s, max(night.hi_s - open_s, night.lo_s)))
    middle = (knots[1:] + knots[:-1]) / 2
    begun, ended = (np.searchsorted(np.sort(shut[:, k]), middle) for k in (0, 1))
    return knots, np.concatenate([[0.0], np.cumsum(np.diff(knots) * (begun == ended))])


def alone_s(night: NightFires, open_s: float) -> tuple[float, float]:
    """Length (s) of the opening moments whose window holds exactly one fire, of a visit; and of all that were watched.

    The window [t, t + T] holds fire i alone for t from max(t_i - T, t_i-1) to min(t_i, t_i+1 - T).
    """
    knots, so_far = _openings(night, open_s)
    f = np.asarray(night.fire_s, float)
    before, after = np.concatenate([[-np.inf], f[:-1]]), np.concatenate([f[1:], [np.inf]])
    first, last = np.maximum(f - open_s, before), np.minimum(f, after - open_s)
    mine = (np.asarray(night.visit) >= 0) & (last > first)
    length = np.interp(last[mine], knots, so_far) - np.interp(first[mine], knots, so_far)
    return float(length.sum()), float(so_far[-1])


def allowed(night: NightFires, open_s: float, pause_s: float) -> dict[str, float]:
    """Keepers that this log allowed a shutter of open_s, opened again and again with a pause between.

    {"share" of watched openings that give a keeper, "keepers" in the watched time, "watched_s"}.
    """
    alone, openings = alone_s(night, open_s)
    share = alone / openings if openings > 0 else 0.0
    seen = float(_openings(night, 0.0)[1][-1])
    return {"share": share, "keepers": share * seen / (open_s + pause_s), "watched_s": seen}


def keepers_per_h(nights: Sequence[NightFires], open_s: float, pause_s: float, rate: Rate) -> dict:
    """Keepers an hour with the interval over nights. rate: the estimate of a mean rate from counts and seconds of
    several nights (`duskgate.analysis.season.rate_over_nights`), handed in.
    """
    each = [allowed(night, open_s, pause_s) for night in nights]
    return rate(np.array([e["keepers"] for e in each]), np.array([e["watched_s"] for e in each]))


def per_guest(keepers_per_hour: dict, hours: float, guests: int, places: int) -> dict:
    """Keepers of one guest in so many hours, guests taking turns at the places.

    Every camera in place sees the same light, so each of them has the keepers of the whole time it stands there.
    ValueError where guests or places are below 1.
    """
    if guests < 1 or places < 1 or hours < 0:
        raise ValueError("at least one guest and one place are needed, and hours not below 0")
    times = hours * min(1.0, places / guests)
    return {k: v * times if k in ("value", "lo", "hi") and v is not None else v for k, v in keepers_per_hour.items()}


def curve(nights: Sequence[NightFires], pause_s: float, open_s: np.ndarray = OPEN_S) -> np.ndarray:
    """Keepers per watched hour of all nights together for each shutter time; shape of open_s."""
    out = np.zeros(len(open_s))
    for k, t in enumerate(open_s):
        each = [allowed(night, float(t), pause_s) for night in nights]
        seen = sum(e["watched_s"] for e in each)
        out[k] = 3600 * sum(e["keepers"] for e in each) / seen if seen else 0.0
    return out


def best(open_s: np.ndarray, per_h: np.ndarray, longest_s: float | None = None) -> dict:
    """Shutter time with the most keepers, and how flat the top is.

    {"open_s", "per_h", "flat_s": [shortest, longest] that loses less than FLAT of them, "bound": the best is the
    longest time allowed}; longest_s bounds it (ambient light). {"open_s": None} where nothing can be kept.
    """
    t, k = np.asarray(open_s, float), np.asarray(per_h, float)
    ok = t <= longest_s if longest_s is not None else np.ones(len(t), bool)
    if not ok.any() or k[ok].max() <= 0:
        return {"open_s": None, "per_h": 0.0, "flat_s": None, "bound": False}
    t, k = t[ok], k[ok]
    top = int(np.argmax(k))
    good = k >= (1 - FLAT) * k[top]
    left = top - int(np.argmin(np.append(good[: top + 1][::-1], False))) + 1
    right = top + int(np.argmin(np.append(good[top:], False))) - 1
    return {
        "open_s": float(t[top]), "per_h": float(k[top]), "flat_s": [float(t[left]), float(t[right])],
        "bound": top == len(t) - 1,
    }  # fmt: skip
