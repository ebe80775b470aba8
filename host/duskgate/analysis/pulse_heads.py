"""Light pulses of one head at one power put together, and two heads held against each other."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from duskgate.analysis.pulse import FIGURES
from duskgate.analysis.stats import LEVEL, Z95, estimate, lacking

SIXTH_STOP = 2 ** (1 / 6)
# heads count as alike where the ratio of each figure lies within this factor: a sixth of a stop of light, and a blur
# that is longer by as much; our choice
ALIKE = {"t01_us": SIXTH_STOP, "energy": SIXTH_STOP}
NEED = 3  # pulses of each head before two are compared
SAME_PEAK = 1.1  # peaks within this factor use the same codes: what all pulses have in common cancels in a ratio
WORDS = {"t05_us": "t0.5", "t01_us": "t0.1", "energy": "energy", "peak": "peak", "rise_us": "rise", "delay_us": "delay"}


def summary(rows: pd.DataFrame) -> dict:
    """Means over the good pulses of one head at one power, rows of `pulse.measure_all`.

    {"t05_us": estimate, .., "n": pulses used, "left_out": {verdict: count}}. An interval holds the scatter between
    pulses (Student's t) and what all pulses of one sensor have in common, which more pulses do not lessen.
    """
    good = rows[rows["verdict"] == "good"]
    left = rows.loc[rows["verdict"] != "good", "verdict"].value_counts()
    out: dict = {name: _mean(good, name) for name in FIGURES}
    return out | {"n": len(good), "left_out": {str(k): int(v) for k, v in left.items()}}


def _mean(good: pd.DataFrame, name: str) -> dict:
    part = _parts(good, name)
    if part is None:
        why = "shorter than the samples resolve" if len(good) else "no pulse measured"
        return {"value": None, "n": len(good), "text": f"{why}, n = {len(good)}"}
    mean, sd, common, n, times = part
    half = math.hypot(times * sd, common)
    low = mean - half if name == "delay_us" else max(mean - half, 0.0)
    return estimate(mean, low, mean + half, n, sys=common)


def _parts(good: pd.DataFrame, name: str, level: float = LEVEL) -> tuple[float, float, float, int, float] | None:
    """(mean, sd of the mean, common half width, n, factor of the sd for the level)."""
    from scipy.special import stdtrit

    stem = name.removesuffix("_us")
    seen = good[np.isfinite(good[name].to_numpy(float))]
    n = len(seen)
    if not n:
        return None
    value = seen[name].to_numpy(float)
    half = (seen[f"{stem}_hi"].to_numpy(float) - value) / Z95
    common = float(np.mean(seen[f"{stem}_sys"].to_numpy(float)))
    own = math.sqrt(max(float(np.mean(half**2)) - (common / Z95) ** 2, 0.0))
    spread = max(float(value.std(ddof=1)), own) if n > 1 else own
    times = float(stdtrit(n - 1, (1 + level) / 2)) if n > 1 and spread > own else Z95 if level == LEVEL else 1.6449
    return float(value.mean()), spread / math.sqrt(n), common, n, times


def alike(a_rows: pd.DataFrame, b_rows: pd.DataFrame, criterion: dict[str, float] | None = None) -> dict:
    """Whether two heads give light alike: {"what", "figure", "figures", "text"}.

    criterion: figure -> factor within which the ratio b / a must lie (`ALIKE`); leave energy out where the photodiode
    stood at different places. "alike": the 90 % interval of every ratio lies within its band (two one-sided tests at
    5 %, Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657). "not alike": the 95 % interval of one lies wholly
    beyond its band. Else "not known". figure: the ratio of the first figure, figures: of each.
    """
    band = ALIKE if criterion is None else criterion
    a, b = (rows[rows["verdict"] == "good"] for rows in (a_rows, b_rows))
    n = min(len(a), len(b))
    if n < NEED:
        need = lacking(n, NEED)
        return {"what": "not known", "figure": need, "figures": {}, "text": f"Not known: {need['text']} of each head."}
    found = {name: (_ratio(a, b, name, LEVEL), _ratio(a, b, name, 0.9), factor) for name, factor in band.items()}
    apart = [k for k, (wide, _, f) in found.items() if wide["lo"] > f or wide["hi"] < 1 / f]
    within = [k for k, (_, tight, f) in found.items() if 1 / f <= tight["lo"] and tight["hi"] <= f]
    what = "not alike" if apart else "alike" if len(within) == len(found) else "not known"
    figures = {k: wide for k, (wide, _, _) in found.items()}
    return {"what": what, "figure": next(iter(figures.values())), "figures": figures, "text": _said(what, found, apart)}


def _ratio(a: pd.DataFrame, b: pd.DataFrame, name: str, level: float) -> dict:
    one, two = _parts(a, name, level), _parts(b, name, level)
    assert one is not None and two is not None
    peaks = [float(rows["peak"].mean()) for rows in (a, b)]
    same = max(peaks) <= SAME_PEAK * min(peaks)
    half = math.hypot(*[p[4] * p[1] / p[0] for p in (one, two)], *[0.0 if same else p[2] / p[0] for p in (one, two)])
    ratio = two[0] / one[0]
    return estimate(ratio, ratio * math.exp(-half), ratio * math.exp(half), min(one[3], two[3]), level)


def _said(what: str, found: dict, apart: list[str]) -> str:
    ratios = ", ".join(
        f"{WORDS[k]} {w['value']:.3f} ({w['lo']:.3f} to {w['hi']:.3f})" for k, (w, _, _) in found.items()
    )
    bands = ", ".join(f"{WORDS[k]} within a factor of {f:.2f}" for k, (_, _, f) in found.items())
    if what == "alike":
        return f"Alike: {bands}. Ratios: {ratios}."
    if what == "not alike":
        return f"Not alike in {' and '.join(WORDS[k] for k in apart)}: asked was {bands}. Ratios: {ratios}."
    return f"Not known yet, fire more: asked is {bands}. Ratios: {ratios}."
