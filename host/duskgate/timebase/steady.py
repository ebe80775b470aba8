"""Which clock chip seconds of one boot can be believed, and how the chip ran against the board's crystal.

The difference of two crystals is smooth; a misread second is not (Moon, Skelly & Towsley 1999, INFOCOM 227, for
the robust line; Zhang, Liu & Xia 2002 for clocks that are set meanwhile).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations, pairwise

import numpy as np

FEW = 30  # up to here the start is a least median of squares over subsets
MAX_RATE = 500e-6  # no crystal of a board is further off
CUT_MADS = 5.0
FLOOR_S = 0.005  # a smaller deviation is never called bad: whole seconds are exact to a tick, curves are not cubic
STEP_S = 0.25  # a lasting change of the chip's time from here on is a clock that was set
SPAN_S = 14 * 3600.0  # longer boots are judged in parts: a cubic does not follow several days


@dataclass
class Steady:
    """keep: which anchors are believed. steps: (index of the first anchor after it, seconds forward).
    slope_in, slope_out: rate (s/s above nominal) before the first and after the last believed anchor.
    spread_s: robust standard deviation of the believed anchors about a smooth curve. doubtful: fewer than half of them
    agree with each other."""

    keep: np.ndarray
    rate: float
    slope_in: float
    slope_out: float
    spread_s: float
    steps: list[tuple[int, float]] = field(default_factory=list)
    doubtful: bool = False


def judge(t_s: np.ndarray, y_s: np.ndarray, usual_rate: float | None = None, told_steps: Sequence[int] = ()) -> Steady:
    """Judge one boot's anchors. t_s: board seconds, increasing; y_s: clock chip minus board seconds (any origin).

    usual_rate: of this board's crystal in other boots, used where the boot is too short to show its own.
    told_steps: first anchors after a setting of the chip that was already taken out; what is left of it is found.
    """
    n = len(t_s)
    usual = usual_rate or 0.0
    if n <= 2:
        return _judge_two(t_s, y_s, usual)
    rate = _median_rate(t_s, y_s)
    flat = y_s - rate * (t_s - t_s[0])
    steps = _steps(flat)
    known = [(at, 0.0) for at in told_steps if all(abs(at - other) > 3 for other, _ in steps)]
    if steps or known:
        steps = sorted(steps + known)
        flat = _without_steps(t_s, flat, steps)
    keep = np.zeros(n, bool)
    slopes, spreads = [], []
    for part in _parts(t_s):
        keep[part], slope_in, slope_out, spread = _smooth(t_s[part], flat[part])
        slopes += [slope_in, slope_out]
        spreads.append(spread)
    mean_rate = rate + _line_rate(t_s[keep], flat[keep])
    return Steady(
        keep, mean_rate, rate + slopes[0], rate + slopes[-1], float(np.median(spreads)), steps, 2 * keep.sum() < n
    )


def _judge_two(t_s: np.ndarray, y_s: np.ndarray, usual: float) -> Steady:
    """One or two anchors cannot check each other: only a rate no crystal has shows that one is bad."""
    keep = np.ones(len(t_s), bool)
    if len(t_s) == 2:
        rate = (y_s[1] - y_s[0]) / max(t_s[1] - t_s[0], 1e-9)
        room = MAX_RATE + 0.05 / max(t_s[1] - t_s[0], 1e-9)
        keep[0] = abs(rate - usual) <= room
        if keep[0] and t_s[1] - t_s[0] > 600:
            usual = rate
        return Steady(keep, usual, usual, usual, 0.0, doubtful=not keep[0])
    return Steady(keep, usual, usual, usual, 0.0)


def _median_rate(t_s: np.ndarray, y_s: np.ndarray) -> float:
    """Median slope between anchors: of all pairs where there are few, else of anchors a fixed number apart."""
    if len(t_s) <= FEW:
        a, b = np.triu_indices(len(t_s), 1)
    else:
        lag = max(len(t_s) // 4, 1)
        a = np.arange(len(t_s) - lag)
        b = a + lag
    dt = t_s[b] - t_s[a]
    slopes = (y_s[b] - y_s[a])[dt > 0] / dt[dt > 0]
    good = slopes[np.abs(slopes) < 2 * MAX_RATE]
    return float(np.median(good)) if len(good) else 0.0


def _line_rate(t_s: np.ndarray, flat: np.ndarray) -> float:
    if len(t_s) < 2:
        return 0.0
    x = t_s - t_s.mean()
    return float(np.dot(x, flat - flat.mean()) / max(np.dot(x, x), 1e-12))


def _parts(t_s: np.ndarray) -> list[slice]:
    count = int(np.ceil(max(t_s[-1] - t_s[0], 1.0) / SPAN_S))
    edges = np.searchsorted(t_s, np.linspace(t_s[0], t_s[-1], count + 1)[1:-1])
    cuts = [0, *edges.tolist(), len(t_s)]
    parts = [slice(a, b) for a, b in pairwise(cuts) if b - a >= 3]
    return parts if parts and sum(p.stop - p.start for p in parts) == len(t_s) else [slice(0, len(t_s))]


def _steps(flat: np.ndarray) -> list[tuple[int, float]]:
    """Lasting changes: the anchors after a place agree with each other, and not with those before it.

    Seven on each side, of which two may be bad; three that all agree where there are few.
    """
    side, may_be_bad = (7, 2) if len(flat) > FEW else (3, 0)
    if len(flat) < 2 * side:
        return []
    groups = np.lib.stride_tricks.sliding_window_view(flat, side)
    middle = np.median(groups, axis=1)
    ragged = np.sort(np.abs(groups - middle[:, None]), axis=1)[:, side - 1 - may_be_bad]
    jump = middle[side:] - middle[:-side]  # place i + side
    apart = (np.abs(jump) > STEP_S) & (np.maximum(ragged[side:], ragged[:-side]) < np.abs(jump) / 4)
    out = []
    places = np.flatnonzero(apart) + side
    for run in np.split(places, np.flatnonzero(np.diff(places) > 1) + 1):
        if len(run):
            sizes = np.abs(jump[run - side])
            best = run[sizes >= 0.9 * sizes.max()]
            own = np.abs(flat[best] - flat[best - 1] - np.median(jump[best - side]))
            at = int(best[np.argmin(own)])
            out.append((at, float(jump[at - side])))
    return out


def _without_steps(t_s: np.ndarray, flat: np.ndarray, steps: list[tuple[int, float]]) -> np.ndarray:
    """Shifts what was before each step onto the time scale after it; the sizes in `steps` are made exact."""
    flat = flat.copy()
    for i, (at, guess) in enumerate(steps):
        size = guess
        low = steps[i - 1][0] if i else 0
        high = steps[i + 1][0] if i + 1 < len(steps) else len(flat)
        left, right = slice(max(low, at - 30), at), slice(at, min(high, at + 30))
        if min(left.stop - left.start, right.stop - right.start) >= 3:
            size = _step_size(t_s, flat, left, right, guess)
        steps[i] = (at, size)
        flat[:at] += size
    return flat


def _step_size(t_s: np.ndarray, flat: np.ndarray, left: slice, right: slice, guess: float) -> float:
    """Median difference of both sides, each brought to the place of the step along their common slope."""
    a, b = flat[left], flat[right] - guess
    t = np.concatenate([t_s[left], t_s[right]])
    joined = np.concatenate([a, b])
    near = np.abs(joined - np.median(joined)) < STEP_S
    if not near[: len(a)].any() or not near[len(a) :].any():
        return guess
    slope = _line_rate(t[near], joined[near])
    left_level = np.median((a - slope * (t_s[left] - t_s[right][0]))[near[: len(a)]])
    right_level = np.median((b - slope * (t_s[right] - t_s[right][0]))[near[len(a) :]])
    return float(guess + right_level - left_level)


def _smooth(t_s: np.ndarray, flat: np.ndarray) -> tuple[np.ndarray, float, float, float]:
    """Refit of a cubic (lower with fewer anchors) without what lies more than 5 MAD off, until nothing changes."""
    n = len(t_s)
    degree = 3 if n >= 10 else 2 if n >= 6 else 1
    half = max((t_s[-1] - t_s[0]) / 2, 1e-9)
    x = (t_s - t_s[0]) / half - 1
    basis = np.vander(x, degree + 1, increasing=True)
    resid = flat - basis @ _first_guess(basis, flat)
    keep = np.abs(resid) <= _cut(resid)
    for _ in range(20):
        coef = np.linalg.lstsq(basis[keep], flat[keep], rcond=None)[0]
        resid = flat - basis @ coef
        again = np.abs(resid) <= _cut(resid[keep]) * _leverage(basis, keep)
        if again.sum() <= degree or np.array_equal(again, keep):
            break
        keep = again
    keep = _restore(resid, keep)
    ends = [
        float(np.dot(coef[1:], np.arange(1, degree + 1) * np.array([e**k for k in range(degree)]))) for e in (-1, 1)
    ]
    spread = 1.4826 * float(np.median(np.abs(resid[keep])))
    return keep, ends[0] / half, ends[1] / half, spread


def _cut(resid: np.ndarray) -> float:
    return max(CUT_MADS * float(np.median(np.abs(resid))), FLOOR_S)


def _leverage(basis: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """How much wider a deviation may be where the curve is not held by believed anchors, as at the ends of few."""
    held = np.linalg.pinv(basis[keep].T @ basis[keep])
    return np.where(keep, 1.0, np.sqrt(1 + np.maximum(np.einsum("ij,jk,ik->i", basis, held, basis), 0)))


def _first_guess(basis: np.ndarray, flat: np.ndarray) -> np.ndarray:
    """A start that bad anchors do not bend: least median of squares for few, else a fit near the running level."""
    n, k = basis.shape
    if n > FEW:
        near = np.abs(flat - np.median(flat)) <= max(10 * np.median(np.abs(flat - np.median(flat))), STEP_S)
        return np.linalg.lstsq(basis[near], flat[near], rcond=None)[0]
    chosen = np.array(list(combinations(range(n), k)))
    if len(chosen) > 500:
        chosen = chosen[np.random.default_rng(0).choice(len(chosen), 500, replace=False)]
    systems = basis[chosen]
    solvable = np.abs(np.linalg.det(systems)) > 1e-9
    if not solvable.any():
        return np.linalg.lstsq(basis, flat, rcond=None)[0]
    coef = np.linalg.solve(systems[solvable], flat[chosen[solvable]][..., None])[..., 0]
    misfit = np.sort(np.abs(flat - coef @ basis.T), axis=1)
    # with k of n lying on the curve by construction, the middle of the others is what tells
    best = np.argmin(misfit[:, min((n + k) // 2, n - 1)])
    return coef[best]


def _restore(resid: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """Where the curve itself misses, neighbours miss it alike: what lies near its believed neighbours is good."""
    n = len(resid)
    place = np.arange(n)
    for _ in range(5):
        if keep.sum() < 15 or keep.all():
            break
        padded = np.pad(resid[keep], 3, mode="reflect")
        local = np.median(np.lib.stride_tricks.sliding_window_view(padded, 7), axis=1)
        apart = np.abs(resid - np.interp(place, place[keep], local))
        again = keep | (apart <= _cut(apart[keep]))
        if np.array_equal(again, keep):
            break
        keep = again
    return keep
