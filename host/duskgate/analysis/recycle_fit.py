"""Chance of light against the time since the last light: probit in ln(gap), with a lapse, along a sagging supply.

P(fire) = (1 - lapse_h) Phi((ln gap - ln R_h(u)) / sigma), u = fires of that head on these cells / 1000,
ln R_h(u) = a_h + f(u), f rising from 0 and shared by the heads like sigma. Fitted by Fisher scoring with weak priors.
Finney 1971, Probit Analysis; Wichmann & Hill 2001, Percept. Psychophys. 63:1293 (lapses); 63:1314 (intervals).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

FLOOR = 2e-4  # chance that a light is taken for an answer it was not
CERTAIN_Z = 6.0  # standard deviations from R beyond which a head is surely charged or empty
DROP_95 = 1.920729410347062  # half the 95 % point of chi-squared with one degree of freedom
MANY = 20_000  # rows from which those that are alike are joined: a night of 20,000 edges has some 5,000
# cells of rows that are alike: an eighth of sigma adds 0.07 % to the scatter (maths: step^2 / 12)
CELLS_A_SIGMA, CELLS_OF_U = 8, 64
ROWS_AT_ONCE = 2048  # their derivatives stay in the processor's own memory: a night's fit takes a fifth less time
PRIOR_LN_SIGMA = (np.log(0.1), 1.0)
PRIOR_LOGIT_LAPSE = (-4.0, 1.2)


class Curve(Protocol):
    """How ln R rises with u: f(u) and its derivatives by the curve's own parameters."""

    prior_mean: np.ndarray

    def rise(self, theta: np.ndarray, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """f at u (fires/1000) and its derivatives by theta, shapes (n,) and (n, parameters)."""

    def prior(self, theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Log density of theta but for a constant, its gradient and minus its Hessian."""


@dataclass
class Flat:
    """No sag."""

    prior_mean: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def rise(self, theta, u):
        """f at u (fires/1000) and its derivatives by theta, shapes (n,) and (n, parameters)."""
        return np.zeros(len(u)), np.zeros((len(u), 0))

    def prior(self, theta):
        """Log density of theta but for a constant, its gradient and minus its Hessian."""
        return 0.0, np.zeros(0), np.zeros((0, 0))


@dataclass
class Power:
    """f(u) = ln(1 + e^b u^c), theta = (b, ln c)."""

    prior_mean: np.ndarray = field(default_factory=lambda: np.array([-1.5, 0.2]))
    prior_sd: np.ndarray = field(default_factory=lambda: np.array([3.0, 0.5]))

    def rise(self, theta, u):
        """f at u (fires/1000) and its derivatives by theta, shapes (n,) and (n, parameters)."""
        ln_u = np.log(np.maximum(u, 1e-6))
        c = np.exp(theta[1])
        v = theta[0] + c * ln_u
        s = 1 / (1 + np.exp(-v))
        return np.logaddexp(0, v), np.column_stack([s, s * c * ln_u])

    def prior(self, theta):
        """Log density of theta but for a constant, its gradient and minus its Hessian."""
        d = (theta - self.prior_mean) / self.prior_sd
        return -0.5 * float(d @ d), -d / self.prior_sd, np.diag(1 / self.prior_sd**2)


@dataclass
class Steps:
    """f monotone and piecewise linear between knots; theta = ln of the increments, neighbours alike.

    `apart` is the sd of the difference of neighbouring ln increments, `first` mean and sd of the first one.
    """

    knots: np.ndarray
    apart: float = 1.0
    first: tuple[float, float] = (-4.0, 2.0)
    prior_mean: np.ndarray = field(init=False)

    def __post_init__(self):
        self.prior_mean = np.full(len(self.knots) - 1, self.first[0])

    def rise(self, theta, u):
        """f at u (fires/1000) and its derivatives by theta, shapes (n,) and (n, parameters)."""
        width = np.diff(self.knots)
        ramp = np.clip((np.asarray(u) - self.knots[:-1, None]) / width[:, None], 0, 1)
        part = ramp * np.exp(theta)[:, None]
        return part.sum(axis=0), part.T

    def prior(self, theta):
        """Log density of theta but for a constant, its gradient and minus its Hessian."""
        k = len(theta)
        lower = np.zeros((k, k))
        lower[0, 0] = 1 / self.first[1]
        for i in range(1, k):
            lower[i, i], lower[i, i - 1] = 1 / self.apart, -1 / self.apart
        d = lower @ theta
        d[0] -= self.first[0] / self.first[1]
        return -0.5 * float(d @ d), -lower.T @ d, lower.T @ lower


@dataclass
class Data:
    """Rows of the fit: ln gap, fired, u, unit (head and cells), head, weight."""

    ln_gap: np.ndarray
    fired: np.ndarray
    u: np.ndarray
    unit: np.ndarray
    head: np.ndarray
    weight: np.ndarray
    n_units: int
    n_heads: int


@dataclass
class Fit:
    """theta = (a per unit, curve, ln sigma, logit lapse per head); a is ln R at u = reference."""

    data: Data
    curve: Curve
    theta: np.ndarray
    logpost: float
    loglik: float
    cov: np.ndarray
    reference: float = 0.0
    converged: bool = True

    @property
    def k_curve(self) -> slice:
        """Where theta holds the curve's own parameters."""
        return slice(self.data.n_units, self.data.n_units + len(self.curve.prior_mean))

    @property
    def i_sigma(self) -> int:
        """Where theta holds ln sigma."""
        return self.data.n_units + len(self.curve.prior_mean)

    @property
    def sigma(self) -> float:
        """Scatter of ln R from fire to fire."""
        return float(np.exp(self.theta[self.i_sigma]))

    @property
    def lapse(self) -> np.ndarray:
        """Chance of each head not to fire although charged, shape (heads,)."""
        return 1 / (1 + np.exp(-self.theta[self.i_sigma + 1 :]))

    def ln_r(self, unit, u) -> np.ndarray:
        """ln R of units at u fires/1000."""
        part = self.theta[self.k_curve]
        ref = self.curve.rise(part, np.array([self.reference]))[0][0]
        return self.theta[np.asarray(unit)] + self.curve.rise(part, np.atleast_1d(np.asarray(u, float)))[0] - ref


def evaluate(theta: np.ndarray, data: Data, curve: Curve, reference: float):
    """Log likelihood, log posterior, its gradient and the Fisher information with the priors' curvature."""
    n_units, k = data.n_units, len(curve.prior_mean)
    at_reference = curve.rise(theta[n_units : n_units + k], np.array([reference]))
    loglik, grad, info = 0.0, np.zeros(len(theta)), np.zeros((len(theta), len(theta)))
    for first in range(0, len(data.u), ROWS_AT_ONCE):
        part = _of_rows(theta, data, slice(first, first + ROWS_AT_ONCE), curve, at_reference)
        loglik, grad, info = loglik + part[0], grad + part[1], info + part[2]
    return loglik, *_with_priors(loglik, grad, info, theta, curve, n_units, k)


def _of_rows(theta: np.ndarray, data: Data, some: slice, curve: Curve, at_reference: tuple[np.ndarray, np.ndarray]):
    """What some rows add to log likelihood, gradient and information."""
    from scipy.special import ndtr

    n_units, k = data.n_units, len(curve.prior_mean)
    unit, head, fired, weight = data.unit[some], data.head[some], data.fired[some], data.weight[some]
    part, ln_sigma, logit = theta[n_units : n_units + k], theta[n_units + k], theta[n_units + k + 1 :]
    sigma, lapse = np.exp(ln_sigma), 1 / (1 + np.exp(-logit))
    (f, jac), (f0, jac0) = curve.rise(part, data.u[some]), at_reference
    z = np.clip((data.ln_gap[some] - theta[unit] - f + f0[0]) / sigma, -30, 30)
    phi, big = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi), ndtr(z)
    top = 1 - lapse[head] - FLOOR
    p = FLOOR + top * big
    loglik = float((weight * np.where(fired, np.log(p), np.log1p(-p))).sum())
    dz = top * phi / sigma
    d = np.zeros((len(theta), len(z)))  # a parameter a row: the sums below run along memory
    rows = np.arange(len(z))
    d[unit, rows] = -dz
    d[n_units : n_units + k] = -dz * (jac - jac0).T
    d[n_units + k] = -top * phi * z
    d[n_units + k + 1 + head, rows] = -(lapse * (1 - lapse))[head] * big
    score = weight * np.where(fired, 1 / p, -1 / (1 - p))
    return loglik, d @ score, (d * (weight / (p * (1 - p)))) @ d.T


def _with_priors(loglik, grad, info, theta, curve: Curve, n_units: int, k: int):
    value, dp, hp = curve.prior(theta[n_units : n_units + k])
    at = slice(n_units, n_units + k)
    grad[at] += dp
    info[at, at] += hp
    i = n_units + k
    for index, (mean, sd) in [(i, PRIOR_LN_SIGMA)] + [(j, PRIOR_LOGIT_LAPSE) for j in range(i + 1, len(theta))]:
        d = (theta[index] - mean) / sd
        value -= 0.5 * d * d
        grad[index] -= d / sd
        info[index, index] += 1 / sd**2
    return loglik + value, grad, info


def solve(
    data: Data,
    curve: Curve,
    start: np.ndarray,
    reference: float = 0.0,
    fixed: int | None = None,
    steps: int = 60,
    enough: float = 1e-5,
    foreseen: float = 0.0,
) -> Fit:
    """Fisher scoring with damping; `fixed` keeps one parameter at its start value.

    A last step that would gain less than `foreseen`, were the posterior a parabola, is taken with that gain unlooked.
    """
    theta = start.copy()
    free = np.array([i for i in range(len(theta)) if i != fixed])
    loglik, post, grad, info = evaluate(theta, data, curve, reference)
    damping, converged = 1e-3, False
    for _ in range(steps):
        a = info[np.ix_(free, free)]
        step = np.linalg.solve(a + damping * np.diag(np.diag(a) + 1e-9), grad[free])
        step *= min(1.0, 2.0 / max(np.abs(step).max(), 1e-12))
        trial = theta.copy()
        trial[free] += step
        ahead = 0.5 * float(grad[free] @ step)
        if ahead < foreseen:
            theta, post, converged = trial, post + ahead, True
            break
        new = evaluate(trial, data, curve, reference)
        if new[1] >= post - 1e-9:
            gain = new[1] - post
            theta, (loglik, post, grad, info) = trial, new
            damping = max(damping / 10, 1e-9)
            if gain < enough and np.abs(step).max() < max(1e-2, 10 * enough):
                converged = True
                break
        else:
            damping *= 10
            if damping > 1e6:
                break
    cov = np.linalg.pinv(info)
    return Fit(data, curve, theta, post, loglik, cov, reference, converged)


def first_guess(data: Data, curve: Curve, rough_ln_r: np.ndarray) -> np.ndarray:
    """theta from which the fit starts: rough ln R (s) of each unit, the curve's prior mean, a scatter, rare lapses."""
    return np.concatenate([rough_ln_r, curve.prior_mean, [np.log(0.12)], np.full(data.n_heads, -4.0)])


def pruned(fit: Fit) -> Data:
    """The same data without what decides nothing any more.

    Gaps far too short that missed are left out; gaps far too long, where only the lapse acts, become two rows a unit.
    """
    d = fit.data
    z = (d.ln_gap - fit.ln_r(d.unit, d.u)) / fit.sigma
    keep = (np.abs(z) < CERTAIN_Z) | ((z <= -CERTAIN_Z) & d.fired)
    far = z >= CERTAIN_Z
    cell = d.unit[far] * 2 + d.fired[far]
    weight = np.bincount(cell, d.weight[far], minlength=2 * d.n_units)
    used = np.flatnonzero(weight > 0)
    unit = used // 2
    head = np.zeros(d.n_units, np.int64)
    head[d.unit] = d.head
    top = np.full(len(used), d.ln_gap.max() + 50.0)
    middle = np.full(len(used), float(np.median(d.u)))
    pairs = (
        (d.ln_gap, top),
        (d.fired, used % 2 == 1),
        (d.u, middle),
        (d.unit, unit),
        (d.head, head[unit]),
        (d.weight, weight[used]),
    )
    return Data(*(np.concatenate([old[keep], new]) for old, new in pairs), d.n_units, d.n_heads)


def joined(data: Data, fit: Fit) -> Data:
    """The same data, rows that are alike as one of their weight; as it was up to MANY rows.

    Alike: of one unit, both fired or not, close in ln gap (by the fit's sigma) and in u. So time and memory of a fit
    stop growing with the night.
    """
    if len(data.u) <= MANY:
        return data
    gap = np.floor(data.ln_gap * (CELLS_A_SIGMA / fit.sigma)).astype(np.int64)
    step = np.floor(data.u * (CELLS_OF_U / max(float(data.u.max()), 1e-9))).astype(np.int64)
    cell = (gap - gap.min()) * (CELLS_OF_U + 1) + step
    cell = (cell * data.n_units + data.unit) * 2 + data.fired
    _, first, mine = np.unique(cell, return_index=True, return_inverse=True)
    weight = np.bincount(mine, data.weight)

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(mine, data.weight * values) / np.maximum(weight, 1e-300)

    fired, unit, head = (column[first] for column in (data.fired, data.unit, data.head))
    return Data(mean(data.ln_gap), fired, mean(data.u), unit, head, weight, data.n_units, data.n_heads)


def at_reference(fit: Fit, u: float) -> Fit:
    """The same fit with a counted at u instead of its old reference: a linear change, so the likelihood stays."""
    at = fit.k_curve
    (f, jac), (f0, jac0) = (fit.curve.rise(fit.theta[at], np.array([v])) for v in (u, fit.reference))
    theta, change = fit.theta.copy(), np.eye(len(fit.theta))
    theta[: fit.data.n_units] += f[0] - f0[0]
    change[: fit.data.n_units, at] = jac - jac0
    return Fit(fit.data, fit.curve, theta, fit.logpost, fit.loglik, change @ fit.cov @ change.T, u, fit.converged)


def profile(fit: Fit, index: int) -> tuple[float, float]:
    """Limits of one parameter where the posterior, maximised over all others, has dropped by the 95 % amount."""
    centre, sd = fit.theta[index], float(np.sqrt(max(fit.cov[index, index], 1e-12)))
    return tuple(_limit(fit, index, centre, sign * 1.96 * sd) for sign in (-1, 1))  # type: ignore[return-value]


FORESEEN = 0.1  # of a drop of 1.92: a parabola foresees so small a gain well enough to move no third digit


def _limit(fit: Fit, index: int, centre: float, away: float) -> float:
    # where the others go when one is moved: at first to first order, then as the last time
    along = fit.cov[:, index] / max(fit.cov[index, index], 1e-12)
    for _ in range(5):
        start = fit.theta + along * away
        start[index] = centre + away
        found = solve(fit.data, fit.curve, start, fit.reference, index, steps=12, enough=2e-3, foreseen=FORESEEN)
        root = np.sqrt(max(fit.logpost - found.logpost, 1e-9) / DROP_95)
        if abs(root - 1) < 0.03:
            break
        along = (found.theta - fit.theta) / away
        away *= float(np.clip(1 / root, 0.4, 2.5))
    return float(centre + away)
