"""Recycle time of each head through the night, with what the data do not carry said instead of fitted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.analysis import recycle_blend
from duskgate.analysis.recycle_blend import Blend
from duskgate.analysis.recycle_data import Trials, rough_threshold
from duskgate.analysis.recycle_fit import (
    Data,
    Fit,
    Flat,
    Power,
    Steps,
    first_guess,
    joined,
    pruned,
    solve,
)
from duskgate.analysis.stats import Z95, estimate, lacking

NEED_NEAR = 12  # informative breaks (0.6 to 1.6 R) below which no curve is fitted
NEED_MISSED = 3
SAG_LR = 6.0  # likelihood ratio that a sag must bring over none (two parameters)
STEPS_NEAR = 500  # informative breaks that carry a curve of free shape
STEPS_GAIN = 1.0  # log posterior by which the free shape must beat the power curve
N_STEPS = 7  # knots at equal shares of the trials
N_EVEN, EVEN_FIRST = 14, (-6.0, 2.0)  # and evenly spread ones, for the interval: where a knee sits is not known
EVEN_SHARE = 0.35  # weight of the evenly spread ones, which are wider and wander more


@dataclass
class Recycle:
    """The fit (None where the data carry none), units (head, cells) in its order, and what is reported."""

    fit: Fit | None
    units: list[tuple[int, int]]
    sags: bool
    report: dict
    lost_share: float = 0.0  # share of commands that reached no head although all were charged
    u_last: dict[tuple[int, int], float] | None = None
    power: Fit | None = None  # the same data with the power curve, which a forecast draws on
    blend: Blend | None = None  # the curves that the figures rest on, with their weights

    def unit_of(self, head: int, cells: int) -> int:
        """Place of a head's cells in the fit's order; -1 where the fit does not hold them."""
        return self.units.index((head, cells)) if (head, cells) in self.units else -1


def estimate_recycle(t: Trials) -> Recycle:
    """Fit all heads together and report each."""
    rough = _rough(t)
    blend, power, units = _fit_what_carries(t, rough)
    fit = blend[0][0] if blend else None
    report = {}
    sags = fit is not None and not isinstance(fit.curve, Flat)
    u_last = {u: _last_u(t, u) for u in rough}
    for k, name in enumerate(t.names):
        mine = [u for u in rough if u[0] == k]
        curves = [_report(rough[u], blend, units, u, sags, u_last[u]) for u in mine]
        report[name] = curves[-1] if curves else _nothing(0)
        if len(curves) > 1:
            report[name]["earlier_cells"] = curves[:-1]
    return Recycle(fit, units, sags, report, _lost_share(t, fit, units), u_last, power, blend)


def _fit_what_carries(t: Trials, rough: dict) -> tuple[Blend, Fit | None, list[tuple[int, int]]]:
    """Fits, power curve's fit and the units in them: those with enough trials near the recycle time that came out."""
    units = [u for u, r in rough.items() if r.fits]
    while units:
        blend, power = _fit(t, rough, units)
        near = {u: _near(t, blend[0][0], units, u) for u in units}
        carried = [u for u in units if near[u][0] >= NEED_NEAR and near[u][1] >= NEED_MISSED]
        for u in units:
            rough[u].near = near[u][0]
        if len(carried) == len(units):
            return blend, power, units
        units = carried
    return [], None, []


def _near(t: Trials, fit: Fit, units: list, unit: tuple[int, int]) -> tuple[int, int]:
    """Trials of a unit at 0.6 to 1.6 of its recycle time, and how many of them missed."""
    at = _rows(t, unit)
    head = unit[0]
    u = t.spent[at, head] / 1000
    ratio = t.gap[at, head] / np.exp(fit.ln_r(np.full(len(at), units.index(unit)), u))
    near = (ratio > 0.6) & (ratio < 1.6)
    return int(near.sum()), int((near & ~t.fired[at, head]).sum())


@dataclass
class Rough:
    """A first look at one head on one set of cells."""

    r: float
    lo: float
    hi: float
    near: int
    missed: int
    longest_missed: float
    shortest_fired: float
    fires: int

    @property
    def fits(self) -> bool:
        """Whether these cells have misses and fires enough around R, and overlapping, for a fit."""
        return (
            np.isfinite(self.r)
            and self.near >= NEED_NEAR
            and self.missed >= NEED_MISSED
            and self.longest_missed > self.shortest_fired
        )


def _rows(t: Trials, unit: tuple[int, int]) -> np.ndarray:
    head, cells = unit
    return np.flatnonzero(t.trial & ~t.bound[:, head] & (t.cells[:, head] == cells) & (t.gap[:, head] > 0))


def _rough(t: Trials) -> dict[tuple[int, int], Rough]:
    found = {}
    for head in range(len(t.names)):
        for cells in range(int(t.cells[:, head].max(initial=0)) + 1):
            at = _rows(t, (head, cells))
            gap, fired = t.gap[at, head], t.fired[at, head]
            r = rough_threshold(gap, fired)
            half = len(at) // 2
            parts = [
                p
                for p in (rough_threshold(gap[:half], fired[:half]), rough_threshold(gap[half:], fired[half:]))
                if np.isfinite(p)
            ]
            lo, hi = min([r, *parts]), max([r, *parts])
            near = (gap > 0.6 * lo) & (gap < 1.6 * hi)
            missed, lit = gap[~fired & (gap < 2 * hi)], gap[fired]
            found[(head, cells)] = Rough(
                r,
                lo,
                hi,
                int(near.sum()),
                int((near & ~fired).sum()),
                float(missed.max(initial=0.0)),
                float(lit.min(initial=np.inf)),
                int(fired.sum()),
            )
    return found


def _data(t: Trials, rough: dict, units: list[tuple[int, int]]) -> Data:
    """Rows near the recycle time one by one; those far beyond it, where only the lapse acts, as two weighted rows."""
    cols: list[tuple] = []
    heads = sorted({u[0] for u in units})
    for k, unit in enumerate(units):
        head, r = unit[0], rough[unit]
        at = _rows(t, unit)
        gap, fired, u = t.gap[at, head], t.fired[at, head], t.spent[at, head] / 1000
        far = gap > 4 * r.hi
        near = ~far & ((gap > 0.3 * r.lo) | fired)
        u_mid = float(np.median(u)) if len(u) else 0.0
        n_far = [int((far & fired).sum()), int((far & ~fired).sum())]
        ln_far = np.log(1e3 * r.hi)
        cols.append(
            (
                np.concatenate([np.log(gap[near]), [ln_far, ln_far]]),
                np.concatenate([fired[near], [True, False]]),
                np.concatenate([u[near], [u_mid, u_mid]]),
                np.full(near.sum() + 2, k),
                np.full(near.sum() + 2, heads.index(head)),
                np.concatenate([np.ones(near.sum()), n_far]),
            )
        )
    columns = [np.concatenate(c) for c in zip(*cols, strict=True)]
    return Data(*columns, n_units=len(units), n_heads=len(heads))


def _fit(t: Trials, rough: dict, units: list[tuple[int, int]]) -> tuple[Blend, Fit]:
    """The curves to report from, the leading one first, and the power curve's fit."""
    data = _data(t, rough, units)
    start = np.log([rough[u].r for u in units])
    low = np.log([rough[u].lo for u in units])
    power = solve(data, Power(), first_guess(data, Power(), low))
    data = pruned(power)
    u_near = data.u[data.weight == 1]
    data = joined(data, power)
    power = solve(data, Power(), power.theta)
    flat = solve(data, Flat(), first_guess(data, Flat(), start))
    two = recycle_blend.of_two(flat, power, more=2)
    if 2 * (power.loglik - flat.loglik) < SAG_LR:
        return _led_by(flat, two), power
    if sum(rough[u].near for u in units) >= STEPS_NEAR:
        shares = np.quantile(u_near, np.arange(1, N_STEPS + 1) / N_STEPS)
        steps = _steps(data, power, Steps(_knots(shares)))
        if steps.converged and steps.logpost > power.logpost + STEPS_GAIN:
            spread = _knots(np.linspace(0, u_near.max(), N_EVEN + 1))
            even = _steps(data, power, Steps(spread, first=EVEN_FIRST))
            return ([(steps, 1 - EVEN_SHARE), (even, EVEN_SHARE)] if even.converged else [(steps, 1.0)]), power
    return _led_by(power, two), power


def _led_by(first: Fit, blend: Blend) -> Blend:
    """The blend with one fit in front, with weight 0 if it is not in it."""
    own = [pair for pair in blend if pair[0] is first] or [(first, 0.0)]
    return own + [pair for pair in blend if pair[0] is not first]


def _knots(at: np.ndarray) -> np.ndarray:
    return np.unique(np.round(np.concatenate([[0.0], at]), 4))


def _steps(data: Data, power: Fit, curve: Steps) -> Fit:
    """A free monotone shape, started from the power curve."""
    f, _ = power.curve.rise(power.theta[power.k_curve], curve.knots)
    part = np.log(np.maximum(np.diff(f), 1e-3))
    theta = np.concatenate([power.theta[: data.n_units], part, power.theta[power.i_sigma :]])
    return solve(data, curve, theta)


def _last_u(t: Trials, unit: tuple[int, int]) -> float:
    head, cells = unit
    at = t.cells[:, head] == cells
    return float(t.spent[at, head].max(initial=0)) / 1000


def _nothing(n: int) -> dict:
    keys = ("r50_s", "r95_s", "r50_start_s", "r50_end_s", "growth", "lapse")
    return {key: lacking(n, NEED_NEAR) for key in keys} | {"note": "too few breaks near the recycle time"}


def _report(r: Rough, blend: Blend, units: list, unit: tuple[int, int], sags: bool, u_end: float) -> dict:
    if not blend or unit not in units:
        return _bracket(r)
    fit = blend[0][0]
    k, n = units.index(unit), r.near
    head = sorted({u[0] for u in units}).index(unit[0])
    end, start = (recycle_blend.r50(blend, k, u, n) for u in (u_end, 0.0))
    ln_sigma = fit.i_sigma
    growth = _growth(fit, u_end, n) if sags else _no_growth(blend, u_end, n)
    lam, sd = fit.theta[ln_sigma + 1 + head], np.sqrt(fit.cov[ln_sigma + 1 + head, ln_sigma + 1 + head])
    lapse = [1 / (1 + np.exp(-v)) for v in (lam, lam - Z95 * sd, lam + Z95 * sd)]
    return {
        "r50_s": end,
        "r95_s": recycle_blend.r95(blend, k, u_end, n),
        "r50_start_s": start,
        "r50_end_s": end,
        "growth": growth,
        "lapse": estimate(*lapse, n),
        "sigma": fit.sigma,
        "curve": type(fit.curve).__name__.lower(),
        "fires": r.fires,
        "note": "grows through the night; the figure is that of its end" if sags else "no growth seen in this night",
    }


def _no_growth(blend: Blend, u_end: float, n: int) -> dict:
    """No growth was seen; how much the curve that allows it leaves open."""
    open_ = [_growth(fit, u_end, n)["hi"] for fit, _ in blend if not isinstance(fit.curve, Flat)]
    return estimate(1.0, 1.0, max([1.0, *open_]), n)


def _growth(fit: Fit, u_end: float, n: int) -> dict:
    f, jac = fit.curve.rise(fit.theta[fit.k_curve], np.array([u_end]))
    sd = float(np.sqrt(jac[0] @ fit.cov[fit.k_curve, fit.k_curve] @ jac[0]))
    return estimate(np.exp(f[0]), max(np.exp(f[0] - Z95 * sd), 1.0), np.exp(f[0] + Z95 * sd), n)


def growth_limit(fit: Fit, u: np.ndarray) -> np.ndarray:
    """Lower 95 % limit of R(u) / R(fresh) at many u."""
    grid = np.unique(np.quantile(u, np.linspace(0, 1, 60))) if len(u) else np.zeros(1)
    f, jac = fit.curve.rise(fit.theta[fit.k_curve], grid)
    sd = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", jac, fit.cov[fit.k_curve, fit.k_curve], jac), 0))
    return np.exp(np.interp(u, grid, f - Z95 * sd))


def _bracket(r: Rough) -> dict:
    """What can be said without a fit: below the shortest gap that fired, or between two gaps."""
    out = _nothing(r.near)
    if r.fires == 0 or not np.isfinite(r.shortest_fired):
        out["note"] = "no light of this head after a break: nothing can be said of its recycle time"
    elif r.longest_missed == 0 or not np.isfinite(r.r):
        out["below_s"] = r.shortest_fired
        out["note"] = (
            f"never found empty: it recycles in less than {r.shortest_fired:.2f} s, the shortest gap that fired"
        )
    elif r.longest_missed < r.shortest_fired:
        out["bracket_s"] = [r.longest_missed, r.shortest_fired]
        out["note"] = (
            f"between {r.longest_missed:.2f} s (longest missed) and {r.shortest_fired:.2f} s (shortest that fired)"
        )
    else:
        out["bracket_s"] = [r.shortest_fired, r.longest_missed]
        out["note"] = (
            f"misses and fires overlap from {r.shortest_fired:.2f} to {r.longest_missed:.2f} s, too few for a curve"
        )
    return out


def _lost_share(t: Trials, fit: Fit | None, units: list) -> float:
    """Share of commands without any light when every head had more than twice its recycle time."""
    if fit is None or not units:
        return 0.01
    ready = t.trial.copy()
    for head in range(len(t.names)):
        ready &= charge_ratio(t, fit, units, head) > 2
    return float((~t.fired[ready].any(axis=1)).sum() + 0.5) / (ready.sum() + 1.0) if ready.any() else 0.01


def charge_ratio(t: Trials, fit: Fit, units: list, head: int, fresh: bool = False) -> np.ndarray:
    """gap / R of one head at every break (R of fresh cells on request); NaN where its R is not known."""
    out = np.full(len(t.trial), np.nan)
    for k, (h, cells) in enumerate(units):
        if h == head:
            at = np.flatnonzero(t.cells[:, head] == cells)
            u = np.zeros(len(at)) if fresh else t.spent[at, head] / 1000
            out[at] = t.gap[at, head] / np.exp(fit.ln_r(np.full(len(at), k), u))
    # a gap that is only a lower bound says "charged" when it is long, and nothing when it is short
    out[t.bound[:, head] & ~(out > 2)] = np.nan
    return out
