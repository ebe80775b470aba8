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
UNSEEN = ("off", "reset", "loss", "store lost", "bench")  # words of the table gaps: the log does not know
BLOCKED = ("blocked", "near dark")  # known: the beam was dark, the rig could not fire
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


def night_fires(
    tables: dict[str, Any], lo_utc_us: int, hi_utc_us: int, name: str = "", free_beam: bool = False
) -> NightFires:
    """The night of one logbook entry from its tables fires, breaks and gaps, seconds since lo_utc_us.

    A fire belongs to the visit of the break that it answers; one without (interference, insect, rain) has none. Time
    with a dark beam (dew, a leaf) counts as watched, since the rig could not fire in it; with free_beam it is left
    out, which tells what a beam that stays free would give.
    """
    fires, breaks, gaps = tables["fires"], tables["breaks"], tables["gaps"]
    at = fires["utc_us"].to_numpy(np.int64)
    order = np.argsort(at, kind="stable")
    visit_of = breaks.set_index("break_id")["visit_id"]
    visit = visit_of.reindex(fires["break_id"].to_numpy()).fillna(-1).to_numpy(np.int64)
    keep = order[(at[order] >= lo_utc_us) & (at[order] <= hi_utc_us)]
    shut = gaps[gaps["why"].astype(object).isin(UNSEEN + (BLOCKED if free_beam else ()))]
    blind = (shut[["start_utc_us", "end_utc_us"]].to_numpy(float) - lo_utc_us) / 1e6
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


def caught(nights: Sequence[NightFires], open_s: float, step_s: float = 0.25) -> dict[str, float]:
    """What an exposure of open_s caught, opened at any moment of sight: shares none, one, more; n_fires, n nights.

    Fires of visits and false ones alike. Moments lie step_s apart; those whose exposure meets blind time are left out.
    The shares are 0 where there is no such moment.
    """
    counts = np.zeros(3)
    for night in nights:
        t = np.arange(night.lo_s, night.hi_s - open_s, step_s)
        blind = np.asarray(night.blind, float).reshape(-1, 2)
        begun = np.searchsorted(np.sort(blind[:, 0]), t + open_s)
        over = np.searchsorted(np.sort(blind[:, 1]), t, side="right")
        t = t[begun == over]
        fires = np.searchsorted(night.fire_s, t + open_s, side="right") - np.searchsorted(night.fire_s, t)
        counts += np.bincount(np.minimum(fires, 2), minlength=3)
    none, one, more = (counts / max(counts.sum(), 1)).tolist()
    return {"none": none, "one": one, "more": more, "n_fires": sum(len(n.fire_s) for n in nights), "n": len(nights)}


def keepers_per_h(nights: Sequence[NightFires], open_s: float, pause_s: float, rate: Rate) -> dict:
    """Keepers an hour with the interval over nights. rate: the estimate of a mean rate from counts and seconds of
    several nights (`duskgate.analysis.season.rate_over_nights`), handed in.
    """
    each = [allowed(night, open_s, pause_s) for night in nights]
    return rate(np.array([e["keepers"] for e in each]), np.array([e["watched_s"] for e in each]))


def per_guest(keepers_per_hour: dict, hours: float, guests: int, places: int, armed_share: float = 1.0) -> dict:
    """Keepers of one guest in so many hours, guests taking turns at the places.

    Every camera in place sees the same light, so each of them has the keepers of the whole time it stands there.
    armed_share: share of the time in which the rig may fire (`budget.Fires`). ValueError where guests or places are
    below 1, or the share is not from 0 to 1.
    """
    if guests < 1 or places < 1 or hours < 0 or not 0 <= armed_share <= 1:
        raise ValueError("at least one guest and one place are needed, hours not below 0 and a share from 0 to 1")
    times = hours * min(1.0, places / guests) * armed_share
    return {k: v * times if k in ("value", "lo", "hi") and v is not None else v for k, v in keepers_per_hour.items()}


@dataclass(frozen=True)
class Curve:
    """Keepers by shutter time: keepers (nights, times) in the watched seconds (nights,) of each night."""

    open_s: np.ndarray
    keepers: np.ndarray
    watched_s: np.ndarray

    def per_h(self, without: int | None = None) -> np.ndarray:
        """Keepers per watched hour of all nights together, or of all but one."""
        use = np.arange(len(self.watched_s)) != (-1 if without is None else without)
        seen = self.watched_s[use].sum()
        return 3600 * self.keepers[use].sum(0) / seen if seen > 0 else np.zeros(len(self.open_s))


def curve(nights: Sequence[NightFires], pause_s: float, open_s: np.ndarray = OPEN_S) -> Curve:
    """What these nights allowed for each shutter time."""
    each = [[allowed(night, float(t), pause_s) for t in open_s] for night in nights]
    kept = np.array([[e["keepers"] for e in row] for row in each]).reshape(len(nights), len(open_s))
    return Curve(np.asarray(open_s, float), kept, np.array([row[0]["watched_s"] for row in each]))


def best(open_s: np.ndarray, per_h: np.ndarray, longest_s: float | None = None) -> dict:
    """Shutter time with the most keepers, and how flat the top is.

    {"open_s", "per_h", "flat_s": [shortest, longest] that loses less than FLAT of them, "bound": the best is the
    longest time there is}; longest_s bounds it (ambient light). "open_s" is None where nothing can be kept.
    """
    t, k = np.asarray(open_s, float), np.asarray(per_h, float)
    ok = t <= (np.inf if longest_s is None else longest_s * (1 + 1e-9))
    if not ok.any() or k[ok].max() <= 0:
        return {"open_s": None, "per_h": 0.0, "flat_s": None, "bound": False}
    t, k = t[ok], k[ok]
    top = int(np.argmax(k))
    good = np.concatenate([[False], k >= (1 - FLAT) * k[top], [False]])
    left = int(np.flatnonzero(~good[: top + 1])[-1])
    right = top + int(np.flatnonzero(~good[top + 1 :])[0]) - 1
    flat = [float(t[left]), float(t[right])]
    return {"open_s": float(t[top]), "per_h": float(k[top]), "flat_s": flat, "bound": top == len(t) - 1}


def best_of_nights(allows: Curve, longest_s: float | None, rate: Rate) -> dict:
    """`best` of several nights with what it rests on.

    Besides: "keepers_per_h" (estimate over nights, see `keepers_per_h`), "n_nights", "n_keepers" expected on these
    nights at that time, "few" (below NEED_KEEPERS), "one_out_s": [least, most] of the best time as each night in turn
    is left out, None below three nights.
    """
    found = best(allows.open_s, allows.per_h(), longest_s)
    n = len(allows.watched_s)
    if found["open_s"] is None:
        none = {"keepers_per_h": rate(np.zeros(n), allows.watched_s), "n_keepers": 0.0, "few": True, "one_out_s": None}
        return found | none | {"n_nights": n}
    at = int(np.flatnonzero(allows.open_s == found["open_s"])[0])
    kept = allows.keepers[:, at]
    out = [best(allows.open_s, allows.per_h(k), longest_s)["open_s"] for k in range(n)] if n >= 3 else []
    out = [t for t in out if t is not None]
    return found | {
        "keepers_per_h": rate(kept, allows.watched_s), "n_nights": n, "n_keepers": float(kept.sum()),
        "few": bool(kept.sum() < NEED_KEEPERS), "one_out_s": [min(out), max(out)] if out else None,
    }  # fmt: skip


@dataclass(frozen=True)
class Visiting:
    """How visits fire: fires (s) sorted by visit and time, first: which begin a visit, n visits that fired.

    Per bin of every night: visits that fired, fires of no visit, seconds watched.
    """

    fire_s: np.ndarray
    first: np.ndarray
    n: int
    visits: np.ndarray
    strange: np.ndarray
    watched_s: np.ndarray


def visiting(nights: Sequence[NightFires], bin_s: float = 1800.0) -> Visiting:
    """Visits as clusters of fires, and the rates of visits and of false fires in bins of each night."""
    fires, first, visits, strange, watched = [], [], [], [], []
    for night in nights:
        edges = np.linspace(night.lo_s, night.hi_s, max(round((night.hi_s - night.lo_s) / bin_s), 1) + 1)
        order = np.lexsort((night.fire_s, night.visit))
        t, v = np.asarray(night.fire_s, float)[order], np.asarray(night.visit)[order]
        new = np.concatenate([[True], v[1:] != v[:-1]])[: len(v)] & (v >= 0)
        fires.append(t[v >= 0])
        first.append(new[v >= 0])
        visits.append(np.histogram(t[new], edges)[0])
        strange.append(np.histogram(t[v < 0], edges)[0])
        knots, so_far = _openings(night, 0.0)
        watched.append(np.diff(np.interp(edges, knots, so_far)))
    flat = [np.concatenate(part) if part else np.zeros(0) for part in (fires, first, visits, strange, watched)]
    starts = flat[1].astype(bool)
    return Visiting(flat[0], starts, int(starts.sum()), *flat[2:])


def catching_s(v: Visiting, open_s: float) -> tuple[float, float]:
    """Mean length (s) of the opening moments that catch at least one fire of a visit, and exactly one of it."""
    if v.n == 0:
        return 0.0, 0.0
    gap = np.where(v.first[1:], np.inf, np.diff(v.fire_s))
    before, after = np.concatenate([[np.inf], gap]), np.concatenate([gap, [np.inf]])
    any_of = np.minimum(before, open_s).sum() / v.n
    alone = np.maximum(np.minimum(0.0, after - open_s) - np.maximum(-open_s, -before), 0.0).sum() / v.n
    return float(any_of), float(alone)


def what_if(v: Visiting, open_s: float, pause_s: float, visits_times: float = 1.0, false_times: float = 1.0) -> float:
    """Keepers per watched hour if visits and false fires came so many times as often as on the log.

    Visits are taken as a Poisson process of clusters in each bin, false fires as another: chance of a keeper
    lambda m1 exp(-lambda m - phi T), with m and m1 from `catching_s` (void probabilities of a Poisson cluster process:
    Daley & Vere-Jones, An Introduction to the Theory of Point Processes). Visits crowd more than that within a bin, so
    it is a little wrong; for the rates of the log itself `allowed` is exact.
    """
    m, m1 = catching_s(v, open_s)
    seen = np.maximum(v.watched_s, 1e-9)
    lam, phi = visits_times * v.visits / seen, false_times * v.strange / seen
    chance = lam * m1 * np.exp(-lam * m - phi * open_s)
    total = v.watched_s.sum()
    return float(3600 * (chance * v.watched_s).sum() / total / (open_s + pause_s)) if total > 0 else 0.0


def what_if_curve(
    v: Visiting, pause_s: float, open_s: np.ndarray = OPEN_S, visits_times: float = 1.0, false_times: float = 1.0
) -> np.ndarray:
    """`what_if` for each shutter time; for `best`."""
    return np.array([what_if(v, float(t), pause_s, visits_times, false_times) for t in open_s])
