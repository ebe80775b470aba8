"""The logger's own supply: voltage through the night, and how long it may last.

Along an earlier discharge of the same cells where there is one, else along the general shape of a known chemistry
(`chemistry.py`). Without either, a line that does not bend down yet says how long the cells last at least, since its
knee cannot be foreseen; one that has begun to bend down is drawn on.
"""

from __future__ import annotations

import numpy as np

from duskgate.analysis import chemistry as shapes
from duskgate.analysis.stats import Z95, estimate, lacking

NEED = 60  # readings, about one a minute
KNOTS = 5
FLAT_FALL = 0.15  # the night's fall against the room above the cut-off: less than this foretells nothing
FLAT_CHEMISTRIES = ("lifepo4", "nimh", "nicd", "power bank", "mains")
PLATEAU_REST, SLOPE_REST = 0.05, 0.1  # of the hours seen: left at least before the knee of a flat cell, of another one
SOONEST = 0.45  # of the straight line's time; common practice, no source: every cell's curve bends down
BENT_SOONEST, BENT_USUAL = 0.3, 0.8  # of the time along the bend: a knee steepens further
BENT_LATEST = 1.2  # of the straight time at the fall now
FORESEEN = 0.3  # of the hours seen: a bend tells no more than this ahead
BEND_SHARE = 0.3  # of the fall now must have been added in the last sixth of the night to call it a bend
CURVE_FLOOR = 0.12  # an earlier discharge is never repeated more exactly than this
CURVE_USELESS = 3.0  # an interval wider than this ratio is not worth printing
UNTOLD = "at least this; one night does not tell where the curve of such cells bends"
DROP_95 = 1.92
SYSTEMATIC_MV, OFFSET_MV = 3.0, 12.0  # how well one discharge repeats another in shape and in level
PIECES = 12  # of a night's readings that hang together through temperature and load
PACE_SD = 0.3  # of ln(load ratio) between the two discharges
KELVIN_MV = 2.0  # prior sd of the reading's dependence on temperature, mV/K


def logger_supply(
    t_s: np.ndarray,
    mv: np.ndarray,
    temp_degc: np.ndarray,
    cutoff_mv: float,
    chemistry: str = "",
    curve=None,
    cells: int | None = None,
) -> dict:
    """State and forecast of the logger's cells from readings at t_s (s, rising); temperature NaN where not read.

    curve: a discharge of the same cells at a like load, as pairs (hours from its start, mV), down to the cut-off.
    cells: in series, None where not stated.
    """
    if len(mv) == 0:
        none = {"start_mv": None, "end_mv": None, "cutoff_mv": cutoff_mv}
        return none | {"hours_left": lacking(0, NEED), "text": "no supply reading"}
    edge = max(1, min(10, len(mv) // 4))
    out = {"start_mv": float(np.median(mv[:edge])), "end_mv": float(np.median(mv[-edge:])), "cutoff_mv": cutoff_mv}
    if len(mv) < NEED or t_s[-1] <= t_s[0]:
        return out | {"hours_left": lacking(len(mv), NEED), "text": "too few readings for a forecast"}
    t_h = (t_s - t_s[-1]) / 3600
    if curve is not None and len(curve) >= 2:
        return out | along_curve(t_h, mv, np.asarray(curve, float), cutoff_mv)
    found = _along_shape(t_h, mv, temp_degc, cutoff_mv, chemistry, cells)
    return out | (found or forecast(t_h, mv, temp_degc, cutoff_mv, chemistry))


def _along_shape(t_h, mv, temp_degc, cutoff_mv: float, chemistry: str, cells: int | None) -> dict | None:
    """Hours along the general shape of a chemistry; None where the shape or the number of cells is not known."""
    known = chemistry.lower() in shapes.SHAPES_MV and mv[-1] > cutoff_mv
    series = shapes.cells_in_series(chemistry, cells, float(np.median(mv[:10]))) if known else None
    found = shapes.hours_left(t_h, mv, temp_degc, cutoff_mv, chemistry, series) if series else None
    if found is None:
        return None
    value, lo, hi = found
    set_of = f"{series} {chemistry} cell{'s' if series != 1 else ''}"
    text = f"down to {cutoff_mv:.0f} mV along the general shape of {set_of} at the load of this night"
    if hi > shapes.USELESS * max(lo, 1e-9):
        return {"hours_left": {"at_least_h": lo}, "text": f"{text}: {UNTOLD}"}
    return {"hours_left": estimate(value, lo, hi, len(mv)), "text": text}


def forecast(t_h: np.ndarray, mv: np.ndarray, temp_degc: np.ndarray, cutoff_mv: float, chemistry: str) -> dict:
    """Hours from now (t_h = 0) to the cut-off at the load of this night, from this night alone."""
    level, fall, fall_sd, whole_fall = monotone_fall(t_h, mv, temp_degc)
    load = f"down to {cutoff_mv:.0f} mV at the load of this night"
    room = level - cutoff_mv
    if room <= 0:
        return {"hours_left": estimate(0, 0, 0, len(mv)), "text": f"at or below the cut-off of {cutoff_mv:.0f} mV"}
    steepest = fall + Z95 * fall_sd
    flat = chemistry.lower() in FLAT_CHEMISTRIES or whole_fall < FLAT_FALL * room or fall <= 2 * fall_sd
    slope, bend = (0.0, 0.0) if flat else late_bend(t_h, mv, temp_degc)
    bent = (np.sqrt(slope**2 + 2 * bend * room) - slope) / bend if bend else np.inf  # slope t + bend t^2 / 2 = room
    if bent > FORESEEN * -t_h[0]:
        least = -t_h[0] * (PLATEAU_REST if flat else SLOPE_REST)
        least = min(least, SOONEST * room / steepest) if steepest > 0 else least
        why = "a curve this flat cannot" if flat else "one night of a curve whose knee is not near cannot"
        text = f"{load}: at least {least:.1f} h; {why} foretell its end"
        return {"hours_left": {"at_least_h": float(least)}, "text": text}
    text = f"{load}, the late bend of this night drawn on"
    soonest, usual = bent * BENT_SOONEST, bent * BENT_USUAL
    latest = BENT_LATEST * (room / slope if slope > 0 else bent)  # behind an early knee the fall goes on evenly
    return {"hours_left": estimate(usual, soonest, latest, len(mv)), "text": text}


def late_bend(t_h: np.ndarray, mv: np.ndarray, temp_degc: np.ndarray) -> tuple[float, float]:
    """The fall now (mV/h) and how it grows in the last third of the night (mV/h^2), which is 0 unless beyond doubt."""
    late = t_h >= t_h[0] / 3
    t, v = t_h[late], mv[late]
    temp = temp_degc[late]
    warm = np.nan_to_num(temp - np.nanmean(temp)) if np.isfinite(temp).any() else np.zeros(len(t))
    design = np.column_stack([np.ones(len(t)), -t, -(t**2) / 2, warm])
    part, cov = _ridge(design, v)
    sd = np.sqrt(cov[2, 2] * _inflation(v - design @ part))
    grown = part[2] * (t[-1] - t[0]) / 2 > BEND_SHARE * part[1]
    return float(part[1]), float(part[2]) if part[2] > 3 * sd and grown and part[1] > 0 else 0.0


def along_curve(t_h: np.ndarray, mv: np.ndarray, curve: np.ndarray, cutoff_mv: float) -> dict:
    """Hours to the cut-off along an earlier discharge, stretched and shifted in time to fit this one."""
    hours, volts = curve[:, 0], np.minimum.accumulate(curve[:, 1])
    below = np.flatnonzero(volts <= cutoff_mv)
    end = float(hours[below[0]]) if len(below) else float(hours[-1])
    left, doubt = _places(t_h, mv, hours, volts, end)
    best = float(left.flat[np.argmin(doubt)])
    likely = left[doubt - doubt.min() < DROP_95]
    lo, hi = min(likely.min(), best * (1 - CURVE_FLOOR)), max(likely.max(), best * (1 + CURVE_FLOOR))
    text = f"down to {cutoff_mv:.0f} mV along the earlier discharge of these cells"
    if hi > CURVE_USELESS * lo:
        least = {"at_least_h": float(max(lo, 0))}
        return {"hours_left": least, "text": text + ": too flat to tell where on it this night stands"}
    return {"hours_left": estimate(max(best, 0), max(lo, 0), max(hi, 0), len(mv)), "text": text}


def monotone_fall(t_h: np.ndarray, mv: np.ndarray, temp_degc: np.ndarray) -> tuple[float, float, float, float]:
    """Level now (mV), fall now (mV/h) with its sd, and the whole fall (mV) of a monotone piecewise-linear line."""
    knots = np.linspace(t_h[0], t_h[-1], KNOTS)
    ramp = np.clip((t_h[:, None] - knots[:-1]) / np.diff(knots), 0, 1)
    warm = temp_degc - np.nanmean(temp_degc) if np.isfinite(temp_degc).any() else np.zeros(len(mv))
    design = np.column_stack([np.ones(len(mv)), -ramp, np.nan_to_num(warm)])
    free = np.ones(design.shape[1], bool)
    for _ in range(KNOTS):
        part, cov = _ridge(design[:, free], mv)
        whole = np.zeros(len(free))
        whole[free] = part
        rising = (whole < 0) & (np.arange(len(free)) > 0) & (np.arange(len(free)) < KNOTS)
        if not rising.any():
            break
        free &= ~rising
    rest = mv - design @ whole
    full = np.zeros((len(free), len(free)))
    full[np.ix_(free, free)] = cov * _inflation(rest)
    width = knots[1] - knots[0]
    falls = whole[1:KNOTS]
    # the last piece alone is noisy: the last two, weighted to the end
    weight = np.zeros(len(free))
    weight[KNOTS - 1], weight[KNOTS - 2] = 0.65 / width, 0.35 / width
    level = whole[0] - falls.sum()
    return float(level), float(weight @ whole), float(np.sqrt(weight @ full @ weight)), float(falls.sum())


def _ridge(design: np.ndarray, mv: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Least squares with a weak prior on the last column (temperature), which time nearly explains."""
    noise = max(float(np.diff(mv).std() / np.sqrt(2)), 0.5)
    gram = design.T @ design
    gram[-1, -1] += (noise / KELVIN_MV) ** 2
    inverse = np.linalg.pinv(gram)
    return inverse @ (design.T @ mv), inverse * noise**2


def _inflation(rest: np.ndarray) -> float:
    """Variance factor for residuals that hang together: (1 + rho) / (1 - rho) times their size over the noise's."""
    noise = max(float(np.diff(rest).std() / np.sqrt(2)), 0.5)
    rho = float(np.clip(np.corrcoef(rest[:-1], rest[1:])[0, 1], 0, 0.98)) if rest.std() > 0 else 0.0
    return max(1.0, float((rest.std() / noise) ** 2) * (1 + rho) / (1 - rho))


def _places(t_h: np.ndarray, mv: np.ndarray, hours: np.ndarray, volts: np.ndarray, end: float):
    """Hours left and minus the log likelihood over a grid of places on the curve and paces along it."""
    step = max(len(t_h) // 200, 1)
    t, v = t_h[::step], mv[::step]
    now_at, pace_at = np.linspace(0.02 * end, end, 100), np.exp(np.linspace(-0.9, 0.9, 61))
    now, pace = np.meshgrid(now_at, pace_at, indexing="ij")
    rest = v - np.interp(now[..., None] + pace[..., None] * t, hours, volts)
    offset = rest.mean(axis=-1)
    scatter = rest.var(axis=-1) + SYSTEMATIC_MV**2
    doubt = 0.5 * PIECES * np.log(scatter / scatter.min()) + 0.5 * (offset / OFFSET_MV) ** 2
    return (end - now) / pace, doubt + 0.5 * (np.log(pace) / PACE_SD) ** 2
