"""One sensor's light for several heads: which breaks test all of them from the same start.

Seen together, h heads are a union: dark only where every one is dark, q = product of (1 - Phi_h), each with the time
since its own last light. That time is known for all of them only after a light to which all had come charged. After any
other light some heads were left out, are charged soon, and fire at gaps far below any recycle time; a curve fitted over
both kinds would be as wide as that mixture. Only breaks after a full light enter the fit. For the others the curve is
an upper limit of q, since no head has waited for less than the time since the last light: a claim of a lost command
made from it errs on the side of caution.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from duskgate.analysis.recycle_data import Trials, rough_threshold

FULL = 2.5  # a light that comes after this many recycle times of the quickest head had all heads charged
TOO_SOON = 0.7  # a light before this share of the recycle time was another head's


def after_full_light(t: Trials, start: np.ndarray, bi: np.ndarray, light: np.ndarray, light_bi: np.ndarray) -> Trials:
    """The same trials; where lights came too soon for one head alone, only those after a full light stay trials.

    start, bi: breaks (ns, boot); light, light_bi: lights of the one group, sorted (ns, boot).
    """
    if len(light) == 0 or len(start) == 0:
        return t
    gap, fired = t.gap[:, 0], t.fired[:, 0]
    usable = t.trial & ~t.bound[:, 0] & (gap > 0)
    clean = usable
    for _ in range(2):  # the first recycle time is that of the mixture
        r = _slowest(gap[clean], fired[clean])
        if not np.isfinite(r):
            return t
        # after so long a pause all are charged, whichever lit before
        clean = usable & (_full(start, bi, light, light_bi, FULL * r) | (gap > FULL * r))
    r = rough_threshold(gap[clean], fired[clean])
    too_soon = usable & ~clean & fired & (gap < TOO_SOON * r)
    return replace(t, trial=t.trial & (clean | ~usable), union=True) if too_soon.any() else t


def _slowest(gap: np.ndarray, fired: np.ndarray) -> float:
    """The longer recycle time of both halves of the night, s; NaN where neither has one."""
    half = len(gap) // 2
    found = [rough_threshold(gap[part], fired[part]) for part in (slice(0, half), slice(half, None)) if len(gap[part])]
    found = [r for r in found if np.isfinite(r)]
    return max(found) if found else float("nan")


def _full(start, bi, light, light_bi, enough_s: float) -> np.ndarray:
    """Whether the last light before each break, in its boot, itself came after so long a darkness of the heads."""
    full = np.concatenate([[False], (np.diff(light) > enough_s * 1e9) & (np.diff(light_bi) == 0)])
    last = np.searchsorted(light, start) - 1
    at = np.maximum(last, 0)
    return (last >= 0) & (light_bi[at] == bi) & full[at]
