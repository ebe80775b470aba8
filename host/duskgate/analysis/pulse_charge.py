"""How the light of a head comes back with the gap since its last one: the charge curve.

Two ideal laws: a capacitor charged through a resistor from a stiff supply, energy E (1 - exp(-gap / tau))^2, and an
inverter of constant power, energy E gap / T up to E (maths, from energy C V^2 / 2). Real heads lie near one of them.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from duskgate.analysis.stats import LEVEL, estimate, lacking

READY_SHARE = 0.9  # of the full energy: common practice calls a head ready near it, no source
NEED, NEED_GAPS = 6, 3
READY_TAUS = -math.log(1 - math.sqrt(READY_SHARE))  # 2.970: 90 % of the energy of a capacitor charged by a resistor
GRID = 400
SHORTEST = 0.02  # of the shortest gap
BEYOND = 20.0  # ready times up to this many longest gaps are tried
MODELS = ("resistor", "constant power")


def share(model: str, gap_s: Any, ready_s: Any) -> np.ndarray:
    """Share of the full energy at a gap, for a head that has 90 % of it at ready_s."""
    gap, ready = np.asarray(gap_s, float), np.asarray(ready_s, float)
    if model == "resistor":
        return (1 - np.exp(-gap / (ready / READY_TAUS))) ** 2
    return np.minimum(gap / (ready / READY_SHARE), 1.0)


def charge_curve(gap_s: Any, energy: Any) -> dict:
    """Fit both laws to energies (any unit, above 0) at gaps (s) since the light before.

    {"model", "ready_s": estimate, "full": estimate, "tau_s" or "full_s": estimate, "level": 0.9, "curve": pairs for a
    figure, "text"}. The errors count as relative. The interval is that of all ready times whose squares of residuals
    an F test at 95 % does not part from the best of either law (Seber & Wild 1989, Nonlinear Regression, section 5.4).
    """
    from scipy.special import fdtri

    gap, light = np.asarray(gap_s, float), np.asarray(energy, float)
    ok = np.isfinite(gap) & np.isfinite(light) & (gap > 0) & (light > 0)
    gap, light = gap[ok], light[ok]
    n = len(gap)
    out = {"model": None, "full": lacking(n, NEED), "level": READY_SHARE, "curve": [], "n": n}
    if n < NEED or len(np.unique(np.round(gap, 3))) < NEED_GAPS:
        text = f"not enough data, n = {n}: fire at {NEED_GAPS} gaps or more, {NEED} times in all or more"
        return out | {"ready_s": lacking(n, NEED) | {"text": text}, "text": text}
    ready = np.geomspace(SHORTEST * gap.min(), BEYOND * gap.max(), GRID)
    widen = 1 + float(fdtri(1, n - 2, LEVEL)) / (n - 2)
    best, fulls, likely = _search(gap, light, ready, widen)
    seen = np.flatnonzero(likely.any(axis=0))
    if seen[0] > 0 and seen[-1] < GRID - 1:  # the same once more, on a fine grid about what is likely
        ready = np.geomspace(ready[seen[0] - 1], ready[seen[-1] + 1], GRID)
        best, fulls, likely = _search(gap, light, ready, widen)
    return out | _told(MODELS[int(best[0])], best, ready, fulls, likely, gap, n)


def _search(gap: np.ndarray, light: np.ndarray, ready: np.ndarray, widen: float):
    """(place of the best, full energies, likely ones) over laws and ready times."""
    rest, full = zip(*(_residuals(m, gap, light, ready) for m in MODELS), strict=True)
    squares = np.array(rest)
    best = np.unravel_index(np.argmin(squares), squares.shape)
    return best, np.array(full), squares <= squares[best] * widen + 1e-12


def _residuals(model: str, gap: np.ndarray, light: np.ndarray, ready: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sum of squares of the relative residuals, and the best full energy, for each ready time."""
    off = np.log(light) - np.log(np.maximum(share(model, gap, ready[:, None]), 1e-12))
    full = off.mean(axis=1)
    return ((off - full[:, None]) ** 2).sum(axis=1), np.exp(full)


def _told(model: str, best, ready, fulls, likely, gap, n: int) -> dict:
    times = np.broadcast_to(ready, likely.shape)[likely]
    value, lo, hi = float(ready[best[1]]), float(times.min()), float(times.max())
    if lo <= 1.05 * SHORTEST * gap.min():
        text = f"the light was full at the shortest gap already: ready within {gap.min():.3g} s, as far as seen"
        return _unknown(n, text, at_most_s=float(min(hi, gap.max())))
    if hi >= 0.95 * BEYOND * gap.max() or lo > gap.max():
        text = f"the light still grew at the longest gap of {gap.max():.3g} s: fire at longer gaps too"
        return _unknown(n, text, at_least_s=lo)
    full = estimate(fulls[best], fulls[likely].min(), fulls[likely].max(), n)
    both = bool(likely.any(axis=1).all())
    where = np.linspace(0, 1.1 * gap.max(), 60)
    curve = [[float(g), float(full["value"] * s)] for g, s in zip(where, share(model, where, value), strict=True)]
    scale = 1 / READY_TAUS if model == "resistor" else 1 / READY_SHARE
    own = ready[likely[MODELS.index(model)]] * scale
    key = "tau_s" if model == "resistor" else "full_s"
    text = f"{READY_SHARE:.0%} of the full light {value:.3g} s ({lo:.3g} to {hi:.3g}) after the light before, n = {n}"
    law = "a resistor" if model == "resistor" else "constant power"
    text += "; both laws of charging fit" if both else f"; charged as by {law}"
    return {
        "model": model, "both_fit": both, "ready_s": estimate(value, lo, hi, n), "full": full,
        key: estimate(value * scale, own.min(), own.max(), n), "curve": curve, "text": text,
    }  # fmt: skip


def _unknown(n: int, text: str, **limit) -> dict:
    """What is said in place of a ready time that the gaps do not carry."""
    return {"model": None, "ready_s": lacking(n, n) | {"text": text} | limit, "text": text}
