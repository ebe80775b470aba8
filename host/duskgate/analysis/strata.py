"""Rate ratio of two conditions at the same hours of night, with nights as the units that vary.

Visits come at their own hours, and so does the moon: a plain ratio of rates would compare hours, not conditions. The
hours are strata here (Mantel & Haenszel 1959, J. Natl. Cancer Inst. 22:719, in its form for person-time: Rothman &
Greenland 1998, Modern Epidemiology, chapter 15); the interval comes from leaving out one night after the other
(Tukey 1958, Ann. Math. Stat. 29:614).
"""

from __future__ import annotations

import numpy as np

from duskgate.analysis import spans
from duskgate.analysis.season import NightView
from duskgate.analysis.stats import estimate, lacking

NEED_EACH = 4  # nights on either side below which the spread between nights is anybody's guess


def counted(nights: list[NightView], edges_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(nights, bins) visits and seconds watched."""
    n = np.array([np.diff(np.searchsorted(night.visits_s, edges_s)) for night in nights], float)
    e = np.array([night.exposure(edges_s) for night in nights], float)
    shape = (len(nights), len(edges_s) - 1)
    return n.reshape(shape), e.reshape(shape)


def only_in(night: NightView, spans_s: np.ndarray) -> NightView:
    """The same night watched only inside spans (s from its zero); visits outside are left out."""
    lo, hi = night.session_s
    open_s = spans.union(spans.clip(np.asarray(spans_s, float).reshape(-1, 2), lo, hi))
    shut = np.concatenate([night.closed_s.reshape(-1, 2), spans.outside(open_s, lo, hi)])
    keep = spans.inside(night.visits_s, open_s)
    return NightView(night.name, night.zero_utc_us, night.visits_s[keep], night.session_s, spans.union(shut))


def ratio(n1: np.ndarray, e1: np.ndarray, n0: np.ndarray, e0: np.ndarray, need: int = NEED_EACH) -> dict:
    """Rate in condition 1 over that in condition 0 at the same hours; n1 and n0 nights stand in `n_nights`.

    Each argument is (nights, bins): visits and seconds watched of every night in either condition; a night may have
    time in one condition only. Hours that only one condition has do not count.
    """
    hours = ((e1.sum(axis=0) > 0) & (e0.sum(axis=0) > 0)).nonzero()[0]
    n1, e1, n0, e0 = (a[:, hours] for a in (n1, e1, n0, e0))
    in1, in0 = (e1 > 0).any(axis=1), (e0 > 0).any(axis=1)
    sides = [int(in1.sum()), int(in0.sum())]
    counts = {"n_nights": sides, "n_visits": [int(n1.sum()), int(n0.sum())],
              "hours": [float(e1.sum() / 3600), float(e0.sum() / 3600)]}  # fmt: skip
    if min(sides) < need or n1.sum() == 0 or n0.sum() == 0:
        few = lacking(min(sides), need)
        if min(sides) >= need:
            few["text"] = "not enough data: no visit at all on one side"
        return few | counts
    whole = _log_ratio(n1.sum(axis=0), e1.sum(axis=0), n0.sum(axis=0), e0.sum(axis=0))
    used = in1 | in0
    left = np.array([_log_ratio(*(a.sum(axis=0) - a[k] for a in (n1, e1, n0, e0))) for k in used.nonzero()[0]])
    k = len(left)
    if not np.isfinite(left).all():
        return lacking(min(sides), need, text="not enough data: all visits of one side came in one night") | counts
    from scipy.special import stdtrit

    variance = max((k - 1) / k * ((left - left.mean()) ** 2).sum(), 1 / n1.sum() + 1 / n0.sum())
    half = float(stdtrit(max(min(sides) - 1, 1), 0.975)) * np.sqrt(variance)
    return estimate(np.exp(whole), np.exp(whole - half), np.exp(whole + half), int(used.sum())) | counts


def _log_ratio(n1: np.ndarray, e1: np.ndarray, n0: np.ndarray, e0: np.ndarray) -> float:
    """ln of the Mantel-Haenszel rate ratio of strata; NaN where either side has no visit in a stratum of both."""
    total = e1 + e0
    weight = np.where(total > 0, 1 / np.maximum(total, 1e-9), 0.0)
    above, below = (n1 * e0 * weight).sum(), (n0 * e1 * weight).sum()
    return float(np.log(above / below)) if above > 0 and below > 0 else np.nan
