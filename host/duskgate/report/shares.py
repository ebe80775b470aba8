"""How often a break is answered, by the time since the last light: shares with intervals."""

import math
from itertools import pairwise

import numpy as np
import pandas as pd

Z95 = 1.959964  # 97.5 % point of the normal distribution
GAP_EDGES_S = (0.06, 0.25, 0.4, 0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 3.0, 5.0, 10.0, 60.0, math.inf)


def wilson(k: int, n: int) -> tuple[float, float]:
    """95 % score interval of a share k/n (Wilson 1927, J Am Stat Assoc 22:209); (0, 1) where n is 0."""
    if n == 0:
        return 0.0, 1.0
    p, z2 = k / n, Z95**2
    centre = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = Z95 / (1 + z2 / n) * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n))
    return min(p, max(0.0, centre - half)), max(p, min(1.0, centre + half))


def share_estimate(k: int, n: int) -> dict:
    """The share k/n as an estimate with its score interval; no value where n is 0."""
    if n == 0:
        return {"value": None, "n": 0, "need": 1, "text": "not enough data, n = 0, need about 1"}
    lo, hi = wilson(k, n)
    return {"value": k / n, "lo": lo, "hi": hi, "n": n, "level": 0.95}


def caught_counts(visits: pd.DataFrame) -> dict[str, int]:
    """Visits by what the flashes did at them: {yes, partly, no, not_watched: n}."""
    found = visits["caught"].astype(str).value_counts()
    return {key: int(found.get(key, 0)) for key in ("yes", "partly", "no", "not_watched")}


def watched(breaks: pd.DataFrame) -> pd.DataFrame:
    """Breaks by visitors for which a light sensor could have seen an answer."""
    return breaks[(breaks["kind"] == "visit") & (breaks["outcome"] != "not_watched")]


def answered_by_gap(breaks: pd.DataFrame) -> list[dict]:
    """Rows {gap_lo_s, gap_hi_s, gap_mid_s, n, full, dark, share, lo, hi}; bins without a case are left out.

    `share` is that of breaks answered by all heads. Breaks whose gap is unknown (first of a boot) are in no bin.
    """
    cases = watched(breaks)
    gap = cases["gap_s"].to_numpy(dtype=float)
    full = (cases["outcome"] == "all").to_numpy()
    dark = (cases["outcome"] == "none").to_numpy()
    rows = []
    for lo_s, hi_s in pairwise(GAP_EDGES_S):
        inside = (gap >= lo_s) & (gap < hi_s)
        n, k = int(inside.sum()), int((inside & full).sum())
        if not n:
            continue
        lo, hi = wilson(k, n)
        middle = float(np.exp(np.log(gap[inside]).mean()))
        rows.append(
            {
                "gap_lo_s": lo_s,
                "gap_hi_s": None if math.isinf(hi_s) else hi_s,
                "gap_mid_s": middle,
                "n": n,
                "full": k,
                "dark": int((inside & dark).sum()),
                "share": k / n,
                "lo": lo,
                "hi": hi,
            }
        )
    return rows
