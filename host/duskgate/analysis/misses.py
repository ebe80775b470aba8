"""Why a break of a visit was not answered by all heads: the likelier of the causes, in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.analysis.recycle import Recycle, charge_ratio, growth_limit
from duskgate.analysis.recycle_data import Trials
from duskgate.analysis.settings import Settings
from duskgate.fields import CAUSES

RECYCLING, BATTERY, RADIO, CAMERA, UNKNOWN = range(5)
assert CAUSES == ("recycling", "battery", "radio", "camera", "unknown")


@dataclass
class Verdicts:
    """Per break: cause (index into CAUSES, -1 where nothing was missed), posterior of a lost command, reason."""

    cause: np.ndarray
    lost: np.ndarray
    reason: np.ndarray


def judge(
    t: Trials,
    r: Recycle,
    none: np.ndarray,
    partial: np.ndarray,
    busy: np.ndarray,
    filtered: np.ndarray,
    half_logged: np.ndarray,
    s: Settings,
) -> Verdicts:
    """Causes of breaks without light (none) and with heads missing (partial).

    busy: breaks in the camera's frame time that got no frame; filtered: breaks too short for the trigger unit;
    half_logged: breaks whose missing heads lit, though the log lost the beginning of that light.
    """
    n, heads = len(none), len(t.names)
    cause, lost = np.full(n, -1, np.int8), np.full(n, np.nan)
    reason = np.full(n, "", object)
    if r.fit is None:
        _without_fit(t, none, partial, cause, reason)
    else:
        ready, rescued = _charge(t, r, heads)
        battery = _claims_battery(t, r, s)
        _none(t, r, none, ready, rescued * battery, cause, lost, reason)
        _partial(t, r, partial, ready, rescued * battery, cause, reason)
    _put(cause, reason, filtered & none, UNKNOWN, "shorter than the trigger unit's own filter: no command was sent")
    _put(cause, reason, busy & none, CAMERA, "the camera was busy with the frame before")
    _put(cause, reason, half_logged & (none | partial), UNKNOWN, "it was lit: the log lost the beginning of the light")
    return Verdicts(cause, lost, reason)


def _put(cause, reason, mask, what: int, text: str) -> None:
    cause[mask], reason[mask] = what, text


def _claims_battery(t: Trials, r: Recycle, s: Settings) -> np.ndarray:
    """(n, heads): whether the head's recycle time has surely grown by then, so that its cells may be blamed at all."""
    out = np.zeros((len(t.trial), len(t.names)), bool)
    if r.fit is None or not r.sags:
        return out
    for head in range(len(t.names)):
        out[:, head] = growth_limit(r.fit, t.spent[:, head] / 1000) > s.battery_growth
    return out


def _charge(t: Trials, r: Recycle, heads: int):
    """(n, heads): chance that the head was charged (NaN unknown), and chance that fresh cells would have charged it
    given that these had not."""
    from scipy.special import ndtr

    assert r.fit is not None
    ready, fresh = np.full((len(t.trial), heads), np.nan), np.full((len(t.trial), heads), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        for head in range(heads):
            ready[:, head] = ndtr(np.log(charge_ratio(t, r.fit, r.units, head)) / r.fit.sigma)
            fresh[:, head] = ndtr(np.log(charge_ratio(t, r.fit, r.units, head, fresh=True)) / r.fit.sigma)
        rescued = (fresh - ready) / np.maximum(1 - ready, 1e-12)
    return ready, np.nan_to_num(rescued)


def _own_lapse(t: Trials, r: Recycle) -> np.ndarray:
    """Per head: share of lights missing when charged, beyond the commands that reached no head."""
    assert r.fit is not None
    lapse = np.zeros(len(t.names))
    fitted = sorted({u[0] for u in r.units})
    for k, head in enumerate(fitted):
        lapse[head] = r.fit.lapse[k]
    if len(t.names) == 1:
        return np.zeros(1)  # with one head a lost command and a lapse are the same thing
    return np.clip((lapse - r.lost_share) / (1 - r.lost_share), 0.001, 1)


def _none(t, r, none, ready, rescued, cause, lost, reason) -> None:
    known = np.isfinite(ready)
    chance = np.where(known, 1 - (1 - _own_lapse(t, r)) * np.nan_to_num(ready), 1.0)
    q = chance.prod(axis=1)
    lost[:] = np.where(known.any(axis=1), r.lost_share / (r.lost_share + (1 - r.lost_share) * q), np.nan)
    at = none & known.any(axis=1)
    radio = at & (lost > 0.5)
    sagged = _most(np.where(known, rescued, 0.0), known.sum(axis=1)) > 0.5
    _put(cause, reason, none & ~at, UNKNOWN, "the time since the last light is not known")
    _put(
        cause,
        reason,
        at & ~radio,
        RECYCLING,
        "the heads were still recycling: the gap was too short even for fresh cells",
    )
    _put(cause, reason, at & ~radio & sagged, BATTERY, "with fresh cells most heads would have fired: they have sagged")
    _put(cause, reason, radio, RADIO, "the heads were charged: the command was most likely lost")


def _most(chance: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Chance that more than half of `count` heads would have fired, each with its own chance; shapes (n, h), (n,)."""
    n, h = chance.shape
    of = np.zeros((n, h + 1))  # chance that so many fire
    of[:, 0] = 1.0
    for head in range(h):
        p = chance[:, head : head + 1]
        of[:, 1:] = of[:, 1:] * (1 - p) + of[:, :-1] * p
        of[:, 0] *= 1 - p[:, 0]
    return np.where(2 * np.arange(h + 1) > count[:, None], of, 0.0).sum(axis=1)


def _partial(t, r, partial, ready, rescued, cause, reason) -> None:
    dark = ~t.fired & np.isfinite(ready)
    lapse = np.maximum(_own_lapse(t, r), 1e-3)
    lapsed = lapse / (lapse + (1 - lapse) * (1 - np.nan_to_num(ready)))
    by_lapse = (dark & (lapsed > 0.5)).sum(axis=1)
    by_cells = (dark & (lapsed <= 0.5) & (rescued > 0.5)).sum(axis=1)
    total = dark.sum(axis=1)
    by_charge = total - by_lapse - by_cells
    _put(cause, reason, partial & (total == 0), UNKNOWN, "the recycle time of the missing heads is not known")
    some = partial & (total > 0)
    _put(cause, reason, some, RADIO, "the missing heads were charged: their receivers most likely lost the command")
    _put(
        cause,
        reason,
        some & (by_cells >= by_lapse) & (by_cells > 0),
        BATTERY,
        "with fresh cells the missing heads would have fired",
    )
    charge = some & (by_charge >= by_lapse) & (by_charge >= by_cells) & (by_charge > 0)
    _put(cause, reason, charge, RECYCLING, "the missing heads were still recycling")


def _without_fit(t: Trials, none, partial, cause, reason) -> None:
    """Without a curve only what is plain: a gap shorter than any that ever fired was too short."""
    gap = np.where(t.bound, np.nan, t.gap)
    lit = np.where(t.fired & np.isfinite(gap), gap, np.inf)
    shortest = lit.min(axis=0) if len(gap) else np.full(len(t.names), np.inf)
    short = np.where(np.isfinite(gap), gap < shortest, False) & ~t.fired & np.isfinite(shortest)
    missing = none | partial
    _put(cause, reason, missing, UNKNOWN, "too few breaks near the recycle time to tell the causes apart")
    _put(cause, reason, missing & short.any(axis=1), RECYCLING, "the gap was shorter than any at which this head fired")
