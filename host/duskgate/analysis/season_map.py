"""Visits and time of sight of each night in each bin of the night: the cells of a map of hours and nights."""

from __future__ import annotations

from typing import Any

import numpy as np

from duskgate.analysis import rates, strata
from duskgate.analysis.season import NightView, dispersion_of


def cells(nights: list[NightView], bin_s: float) -> dict[str, Any]:
    """{"edges_s" (bins + 1), "n", "exposure_s", "rate_per_h", "lo", "hi" (nights, bins each), "dispersion"}.

    Rates are per hour of sight, NaN without any; lo and hi are of one night alone: the exact Poisson interval (Garwood
    1936), widened by the dispersion that all nights show together. The bins reach as far as some night was watched.
    """
    seen = [night for night in nights if night.live_s > 0]
    if not seen:
        return {"edges_s": np.zeros(0), "dispersion": 1.0} | {
            key: np.zeros((len(nights), 0)) for key in ("n", "exposure_s", "rate_per_h", "lo", "hi")
        }
    first = np.floor(min(night.session_s[0] for night in seen) / bin_s)
    last = np.ceil(max(night.session_s[1] for night in seen) / bin_s)
    edges = np.arange(first, last + 1) * bin_s
    n, exposure = strata.counted(nights, edges)
    phi = dispersion_of(seen)
    sight = exposure > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(sight, n / (exposure / 3600), np.nan)
    lo, hi = (np.where(sight, end, np.nan) for end in rates.interval(n, np.where(sight, exposure, np.nan), phi))
    return {"edges_s": edges, "n": n, "exposure_s": exposure, "rate_per_h": rate, "lo": lo, "hi": hi, "dispersion": phi}
