"""Which clear times separate visits: a mixture of two log-normal populations of gaps, fitted by EM.

Gaps inside a visit and gaps between visits are two populations; the criterion is where their weighted densities cross.
Slater & Lester 1982, Behaviour 79:153; Sibly, Nott & Fletcher 1990, Anim. Behav. 39:63; log-normal components as in
Tolkamp & Kyriazakis 1999, Anim. Behav. 57:807.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SPLITS_S = (0.2, 0.5, 1.0, 2.0, 5.0)  # where EM is started from
STEPS = 300
MIN_SD = 0.08
MIN_APART = (
    2.0  # in pooled standard deviations: closer components are not told apart (Ashman 1994, Astron. J. 108:2348)
)
MIN_SHARE = 0.03  # a smaller component is a handful of odd gaps


@dataclass(frozen=True)
class Criterion:
    """The gap that separates visits, where it comes from, and the mixture behind it."""

    gap_s: float
    source: str  # "fitted" or "assumed"
    n_gaps: int
    weight: float = float("nan")  # share of gaps inside visits
    mean_ln: tuple[float, float] = (float("nan"), float("nan"))
    sd_ln: tuple[float, float] = (float("nan"), float("nan"))


def criterion(gaps_s: np.ndarray, default_s: float, min_gaps: int) -> Criterion:
    """The criterion of a sample of clear times (s), or the default where there are too few or one population."""
    gaps_s = np.asarray(gaps_s, float)
    gaps_s = gaps_s[np.isfinite(gaps_s) & (gaps_s > 0)]
    if len(gaps_s) < min_gaps:
        return Criterion(default_s, "assumed", len(gaps_s))
    y = np.log(gaps_s)
    weight, mean, sd = fit_two_lognormals(y)
    crossing = density_crossing(weight, mean, sd)
    apart = mean[1] - mean[0] > MIN_APART * np.sqrt((sd**2).mean()) and MIN_SHARE < weight < 1 - MIN_SHARE
    if crossing is None or not apart or not _two_are_better(y, weight, mean, sd):
        return Criterion(default_s, "assumed", len(gaps_s))
    return Criterion(
        float(np.exp(crossing)),
        "fitted",
        len(gaps_s),
        float(weight),
        (float(mean[0]), float(mean[1])),
        (float(sd[0]), float(sd[1])),
    )


def _two_are_better(y: np.ndarray, weight: float, mean: np.ndarray, sd: np.ndarray) -> bool:
    """Whether two components earn their three more parameters. Schwarz 1978, Ann. Stat. 6:461."""
    _, two = _expect(y, np.ones(len(y)), weight, mean, sd)
    one = -len(y) * (np.log(max(y.std(), MIN_SD)) + 0.5)
    return two - one > 1.5 * np.log(len(y))


def fit_two_lognormals(ln_gap: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """Weight of the lower component, means and sds of ln(gap), by EM from several starts; the likeliest one."""
    values, counts = _binned(ln_gap)
    best = None
    for split in SPLITS_S:
        low = values <= np.log(split)
        n_low = counts[low].sum()
        if n_low < 5 or counts.sum() - n_low < 5:
            continue
        fit = _em(values, counts, low)
        if best is None or fit[0] > best[0]:
            best = fit
    if best is None:
        mean = np.average(values, weights=counts)
        return 0.5, np.array([mean, mean]), np.array([1.0, 1.0])
    _, weight, mean, sd = best
    return weight, mean, sd


def _binned(ln_gap: np.ndarray, width: float = 0.02) -> tuple[np.ndarray, np.ndarray]:
    """Large samples on a grid far finer than the components, so that a step of EM costs the same for any night."""
    if len(ln_gap) < 1500:
        return np.asarray(ln_gap, float), np.ones(len(ln_gap))
    cell, where = np.unique(np.round(ln_gap / width).astype(np.int64), return_inverse=True)
    return cell * width, np.bincount(where).astype(float)


def _em(y: np.ndarray, n: np.ndarray, low: np.ndarray) -> tuple[float, float, np.ndarray, np.ndarray]:
    share = low.astype(float)
    loglik = -np.inf
    weight, mean, sd = 0.5, np.zeros(2), np.ones(2)
    for _ in range(STEPS):
        weight, mean, sd = _maximise(y, n, share)
        share, found = _expect(y, n, weight, mean, sd)
        if found - loglik < 1e-7 * abs(found):
            loglik = found
            break
        loglik = found
    if mean[0] > mean[1]:
        weight, mean, sd = 1 - weight, mean[::-1], sd[::-1]
    return loglik, weight, mean, sd


def _maximise(y: np.ndarray, n: np.ndarray, share: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    parts = np.vstack([share * n, (1 - share) * n])
    total = np.maximum(parts.sum(axis=1), 1e-9)
    mean = parts @ y / total
    sd = np.sqrt((parts * (y - mean[:, None]) ** 2).sum(axis=1) / total)
    return float(np.clip(total[0] / total.sum(), 1e-4, 1 - 1e-4)), mean, np.maximum(sd, MIN_SD)


def _expect(y: np.ndarray, n: np.ndarray, weight: float, mean: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, float]:
    log_low = np.log(weight / sd[0]) - 0.5 * ((y - mean[0]) / sd[0]) ** 2
    log_high = np.log((1 - weight) / sd[1]) - 0.5 * ((y - mean[1]) / sd[1]) ** 2
    both = np.logaddexp(log_low, log_high)
    return np.exp(log_low - both), float((n * both).sum())


def density_crossing(weight: float, mean: np.ndarray, sd: np.ndarray) -> float | None:
    """Where the weighted normal densities are equal, between the two means; None where they do not cross there."""
    if not mean[1] > mean[0]:
        return None
    a = 1 / (2 * sd[1] ** 2) - 1 / (2 * sd[0] ** 2)
    b = mean[0] / sd[0] ** 2 - mean[1] / sd[1] ** 2
    c = mean[1] ** 2 / (2 * sd[1] ** 2) - mean[0] ** 2 / (2 * sd[0] ** 2)
    c += np.log(weight * sd[1] / ((1 - weight) * sd[0]))
    roots = np.roots([a, b, c]) if abs(a) > 1e-12 else np.array([-c / b])
    roots = roots[np.isreal(roots)].real
    between = roots[(roots > mean[0]) & (roots < mean[1])]
    return float(between[0]) if len(between) else None
