"""How many more fires until a head's recycle time passes the gap that is needed, and the curve an earlier night lends.

Alone, one night extrapolates its own power curve; a knee in the cells' curve cannot be foreseen from it. An earlier
night run down on the same cells lends its shape, stretched by one factor of capacity.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from duskgate.analysis.recycle import Recycle
from duskgate.analysis.recycle_fit import Fit, solve
from duskgate.analysis.stats import Z95, estimate, lacking

CAPACITY_SD = 0.15  # of ln(capacity): how much two discharges of the same cells differ
FLOOR_ALONE, FLOOR_TEMPLATE = 0.20, 0.12  # no interval narrower than this share of all fires
NEED_FIRES = 100
FAR = 20.0  # fires/1000 beyond which nothing is foretold


@dataclass
class Stretched:
    """f(u) = template(u / k), theta = (ln k)."""

    u: np.ndarray
    f: np.ndarray
    prior_mean: np.ndarray = field(default_factory=lambda: np.zeros(1))

    def rise(self, theta, u):
        """f at u (fires/1000) and its derivative by theta, shapes (n,) and (n, 1); its last slope goes on."""
        at = np.asarray(u, float) / np.exp(theta[0])
        slopes = np.diff(self.f) / np.diff(self.u)
        value = np.interp(at, self.u, self.f) + np.maximum(at - self.u[-1], 0) * slopes[-1]
        slope = slopes[np.clip(np.searchsorted(self.u, at, side="right") - 1, 0, len(slopes) - 1)]
        return value, (-slope * at)[:, None]

    def prior(self, theta):
        """Log density of theta, its gradient and minus its Hessian."""
        d = theta / CAPACITY_SD
        return -0.5 * float(d @ d), -d / CAPACITY_SD, np.eye(1) / CAPACITY_SD**2


def template_of(r: Recycle) -> dict | None:
    """The rise of ln R with the fires of this night, for a later night on the same cells; None where there is none."""
    if r.fit is None or not r.sags:
        return None
    top = max((r.u_last or {}).values())
    u = np.linspace(0, top, 60)
    f, _ = r.fit.curve.rise(r.fit.theta[r.fit.k_curve], u)
    return {"fires": (1000 * u).tolist(), "ln_growth": np.maximum.accumulate(f - f[0]).tolist()}


def head_forecasts(r: Recycle, names: list[str], needed_gap_s: float, template: dict | None) -> dict:
    """Per head: fires left until R50 passes needed_gap_s."""
    fit, floor, how = _basis(r, template)
    out = {}
    for head, name in enumerate(names):
        mine = [u for u in r.units if u[0] == head]
        fires = round(1000 * max((u for unit, u in (r.u_last or {}).items() if unit[0] == head), default=0.0))
        text = f"until half of the flashes fail at a gap of {needed_gap_s:g} s (the gap assumed to be needed)"
        if fit is None or not mine:
            out[name] = {
                "needed_gap_s": needed_gap_s,
                "fires_left": lacking(fires, NEED_FIRES),
                "fires": fires,
                "text": text,
            }
            continue
        unit = mine[-1]
        u_now = (r.u_last or {}).get(unit, 0.0)
        found = _one(fit, r.units.index(unit), u_now, needed_gap_s, floor)
        out[name] = {"needed_gap_s": needed_gap_s, "fires_left": found, "fires": fires, "text": f"{text}; {how}"}
    return out


def _basis(r: Recycle, template: dict | None) -> tuple[Fit | None, float, str]:
    if r.power is None:
        return None, FLOOR_ALONE, ""
    if template is None:
        warning = "this night's own curve drawn on: a knee in the cells' curve cannot be foreseen from one night"
        return (r.power if r.sags else None), FLOOR_ALONE, warning
    curve = Stretched(np.asarray(template["fires"], float) / 1000, np.asarray(template["ln_growth"], float))
    old = r.power
    theta = np.concatenate([old.theta[: old.data.n_units], [0.0], old.theta[old.i_sigma :]])
    how = "along the curve of an earlier night on the same cells, stretched by their capacity"
    return solve(old.data, curve, theta), FLOOR_TEMPLATE, how


def _one(fit: Fit, unit: int, u_now: float, needed_s: float, floor: float) -> dict:
    grid = np.concatenate([np.linspace(0, max(2 * u_now, 0.2), 400), np.geomspace(max(2.1 * u_now, 0.21), FAR, 400)])
    ln_r = fit.ln_r(np.full(len(grid), unit), grid)
    n = round(1000 * u_now)
    passed = np.flatnonzero(ln_r >= np.log(needed_s))
    if len(passed) == 0:
        return lacking(n, 2 * max(n, NEED_FIRES), text="so little growth that its end is not in sight")
    u = float(grid[passed[0]])
    f, jac = fit.curve.rise(fit.theta[fit.k_curve], np.array([u, u * 1.01]))
    slope = max((f[1] - f[0]) / 0.01, 1e-6)  # d f / d ln u
    d = np.zeros(len(fit.theta))
    d[unit], d[fit.k_curve] = 1.0, jac[0]
    sd = float(np.sqrt(d @ fit.cov @ d)) / slope
    half = np.hypot(Z95 * sd, np.log1p(floor))
    lo, hi = (max(1000 * (u * np.exp(v) - u_now), 0.0) for v in (-half, half))
    return estimate(max(1000 * (u - u_now), 0.0), lo, hi, n)
