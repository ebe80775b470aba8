"""Discharge curves of known chemistries, and where on such a curve a night's readings stand.

The shapes are those of one cell under a light load at room temperature, written down from memory as typical ones: no
cell was measured for them. Real cells differ in level, in slope and in shape; the fit allows for all three, so what a
shape lends is mainly where the curve bends and where its knee is.
"""

from __future__ import annotations

import numpy as np

USED = np.array([0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0])  # share of the charge
# mV of one cell at those shares, from memory, typical shapes; li-ion: of mixed oxides, of cobalt oxide, and a cell
# whose knee is early
SHAPES_MV = {
    "alkaline": ([1580, 1545, 1500, 1450, 1385, 1335, 1295, 1260, 1225, 1190, 1145, 1075, 1015, 940, 800],),
    "nimh": ([1420, 1370, 1340, 1315, 1292, 1280, 1270, 1262, 1253, 1242, 1226, 1190, 1145, 1085, 1000],),
    "li-ion": (
        [4185, 4145, 4105, 4050, 3965, 3885, 3815, 3760, 3710, 3660, 3600, 3500, 3390, 3230, 3000],
        [4190, 4155, 4120, 4065, 3985, 3925, 3875, 3835, 3803, 3772, 3735, 3675, 3595, 3430, 3000],
        [4150, 4105, 4080, 4055, 4015, 3978, 3942, 3908, 3870, 3800, 3655, 3460, 3350, 3230, 3000],
    ),
    "lifepo4": ([3460, 3365, 3340, 3328, 3315, 3304, 3295, 3287, 3278, 3266, 3248, 3200, 3130, 2980, 2500],),
    "lead-acid": ([2140, 2120, 2105, 2088, 2060, 2035, 2010, 1985, 1958, 1930, 1895, 1850, 1810, 1780, 1750],),
}
PLACES = 40  # grid of where on the curve the readings begin and end
BLOCKS = 14  # means of readings that the fit compares with the curve
LEVEL_SD_MV = 20.0  # one cell against another, the load's drop, the reading's own scale; of one cell
SHAPE_SD_MV = {"alkaline": 20.0, "nimh": 12.0, "li-ion": 45.0, "lifepo4": 10.0, "lead-acid": 20.0}  # of one cell
SHAPE_LENGTH = 0.35  # share of the charge over which departures from the shape hang together
TELLS_FROM = {"lifepo4": 0.9}  # a plateau this flat tells nothing before this share is used
FRESH_SD, FRESH_LENGTH = 0.4, 0.06  # of the first fall of fresh cells: how much it differs, and where it ends
FRESH_SHARE = 0.5  # of sets are put in full
STRETCH_SD = 0.12  # how much steeper or less steep a cell is as a whole
NOISE_MV, KELVIN_MV = 4.0, 2.0  # wander of a block's mean; reading against temperature, mV/K
FLOOR = 0.15  # no cell repeats a general shape more exactly than this
KNEES = {"li-ion": (0.75, 1.0, 1.35, 1.8)}  # powers of the share used: cells of this name that bend earlier or later
RULED_OUT = 10.0  # ln of the odds at which the readings rule a shape out: no cell follows any of them closely
TAIL = 0.025  # left outside at each end
USELESS = 4.0  # an interval wider than this ratio is no figure any more


def cells_in_series(chemistry: str, cells: int | None, start_mv: float) -> int | None:
    """Cells in series: as stated, or the only number that the voltage allows; None where it allows several or none."""
    if cells:
        return cells
    known = SHAPES_MV.get(chemistry.lower())
    if known is None:
        return None
    full, empty = known[0][0] + 2 * LEVEL_SD_MV, known[0][-1]
    fit = [n for n in range(1, 13) if n * empty <= start_mv <= n * full]
    return fit[0] if len(fit) == 1 else None


def hours_left(
    t_h: np.ndarray, mv: np.ndarray, temp_degc: np.ndarray, cutoff_mv: float, chemistry: str, cells: int
) -> tuple[float, float, float] | None:
    """Median and 95 % limits of the hours from the last reading to the cut-off; None where the shape tells nothing.

    t_h: hours of the readings, rising, the last one 0. Posterior over a grid of first and last place on the curve and
    over the shapes of the chemistry, with level, departure from the shape and temperature integrated out (all normal).
    The limits are the widest of those shapes that the readings allow: one night does not tell an early knee from a
    late one.
    """
    family = [shape * cells for shape in family_mv(chemistry.lower())]
    tells_below = np.interp(TELLS_FROM.get(chemistry.lower(), 0.0), USED, family[0])
    if cutoff_mv >= family[0][0] or (mv[-1] > tells_below and tells_below < family[0][0]):
        return None
    t, v, warm = _blocks(t_h, mv, temp_degc)
    first, last = np.meshgrid(np.linspace(0, 0.98, PLACES), np.linspace(0.02, 1.0, PLACES), indexing="ij")
    ok = last - first > 0.01
    first, last = first[ok], last[ok]
    prior = np.log(np.where(first == 0, FRESH_SHARE, (1 - FRESH_SHARE) / PLACES))
    used = last[:, None] + (last - first)[:, None] * (t / -t[0])
    told = []
    for shape in family:
        match, level = _match(v, used, shape, warm, cells, SHAPE_SD_MV[chemistry.lower()])
        end = np.interp(level - cutoff_mv, -shape, USED)
        told.append((np.maximum(end - last, 0) / (last - first) * -t_h[0], match + prior))
    return _limits(told)


def family_mv(chemistry: str) -> list[np.ndarray]:
    """Curves that a chemistry may follow, mV of a cell at the shares USED: its shapes, with knees moved."""
    knees = KNEES.get(chemistry, (1.0,))
    return [np.interp(USED**knee, USED, shape) for shape in SHAPES_MV[chemistry] for knee in knees]


def _limits(told: list[tuple[np.ndarray, np.ndarray]]) -> tuple[float, float, float]:
    """Median over all shapes, and the widest of the limits of those shapes that the readings do not rule out."""
    top = max(loglik.max() for _, loglik in told)
    sure = [np.log(np.exp(loglik - top).sum()) for _, loglik in told]
    allowed = [one for one, s in zip(told, sure, strict=True) if s > max(sure) - RULED_OUT]
    lo = min(_quantile(*one, TAIL) for one in allowed)
    hi = max(_quantile(*one, 1 - TAIL) for one in allowed)
    mid = _quantile(np.concatenate([x for x, _ in told]), np.concatenate([x for _, x in told]), 0.5)
    return mid, min(lo, mid * (1 - FLOOR)), max(hi, mid * (1 + FLOOR))


def _quantile(left: np.ndarray, loglik: np.ndarray, share: float) -> float:
    """Weighted quantile of hours."""
    left, weight = left.ravel(), np.exp(loglik - loglik.max()).ravel()
    order = np.argsort(left)
    below = np.cumsum(weight[order]) / weight.sum()
    return float(left[order][min(int(np.searchsorted(below, share)), len(left) - 1)])


def _blocks(t_h: np.ndarray, mv: np.ndarray, temp_degc: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Means over equal parts of the readings: hours, mV, K above the night's mean (0 where not read)."""
    parts = np.array_split(np.arange(len(t_h)), BLOCKS)
    temp = np.where(np.isfinite(temp_degc), temp_degc, np.nanmean(temp_degc) if np.isfinite(temp_degc).any() else 0.0)
    t, v, warm = (np.array([a[p].mean() for p in parts]) for a in (t_h, mv, temp))
    return t, v, warm - warm.mean()


def _match(v: np.ndarray, used: np.ndarray, shape: np.ndarray, warm: np.ndarray, cells: int, sd_mv: float):
    """Log likelihood of each place on the grid, and the level (mV) by which its set lies above the shape."""
    expected = np.interp(used, USED, shape)
    rest, tilt = v - expected, STRETCH_SD * (expected - np.interp(0.5, USED, shape))
    apart = used[:, :, None] - used[:, None, :]
    level = (cells * LEVEL_SD_MV) ** 2
    cov = (cells * sd_mv) ** 2 * np.exp(-0.5 * (apart / SHAPE_LENGTH) ** 2) + tilt[:, :, None] * tilt[:, None, :]
    fresh = FRESH_SD * (shape[0] - np.interp(2 * FRESH_LENGTH, USED, shape)) * np.exp(-used / FRESH_LENGTH)
    cov += fresh[:, :, None] * fresh[:, None, :]
    cov += level + KELVIN_MV**2 * np.outer(warm, warm) + NOISE_MV**2 * np.eye(rest.shape[1])
    solved = np.linalg.solve(cov, rest[:, :, None])[:, :, 0]
    loglik = -0.5 * (np.linalg.slogdet(cov)[1] + (rest * solved).sum(axis=1))
    return loglik, level * solved.sum(axis=1)
