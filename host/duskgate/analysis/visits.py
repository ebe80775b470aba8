"""Visits: breaks of kind visit joined over short clear times, with direction and speed where a second beam exists."""

from __future__ import annotations

import numpy as np

from duskgate.analysis import kinds as kinds_mod
from duskgate.analysis.kinds import VISIT, Beams, Kinds
from duskgate.analysis.settings import Settings


def number_visits(beams: Beams, kinds: Kinds) -> np.ndarray:
    """Visit number of each break, from 0 in time order; -1 for breaks that are no visit's."""
    out = np.full(len(kinds.kind), -1, np.int64)
    at = np.flatnonzero(kinds.kind == VISIT)
    if len(at):
        _, out[at] = np.unique(kinds.group[at], return_inverse=True)
    return out


def count_at(beams: Beams, kinds: Kinds, gap_s: float) -> int:
    """How many visits there would be with another criterion, the kinds left as they are."""
    at = np.flatnonzero(kinds.kind == VISIT)
    unseen = np.concatenate([beams.blind, kinds.spells]) if len(beams.blind) or len(kinds.spells) else np.zeros((0, 2))
    group = kinds_mod.groups(beams.start[at], beams.end[at], beams.bi[at], gap_s, unseen)
    return int(group[-1]) + 1 if len(group) else 0


def summary(beams: Beams, kinds: Kinds, s: Settings) -> dict:
    """Counts of visits with the criterion, and with it narrower and wider, so that its weight can be seen."""
    c = kinds.criterion
    return {
        "n": count_at(beams, kinds, c.gap_s),
        "n_narrow": count_at(beams, kinds, 0.7 * c.gap_s),
        "n_wide": count_at(beams, kinds, 1.4 * c.gap_s),
        "criterion_s": c.gap_s,
        "criterion_source": c.source,
        "criterion_default_s": s.visit_gap_s,
        "n_gaps": c.n_gaps,
        "share_within": c.weight,
        "text": "Two animals closer than the criterion count as one visit.",
    }


def crossings(
    start: np.ndarray, visit: np.ndarray, second_start: np.ndarray, s: Settings
) -> tuple[np.ndarray, np.ndarray]:
    """Per visit: BEAM2 minus BEAM at the first break (s; NaN where the second beam said nothing), and whether it did.

    The nearest break of BEAM2 within the echo time of the visit's first break counts.
    """
    n = int(visit.max()) + 1 if len(visit) else 0
    lead = np.full(n, np.nan)
    if n == 0 or len(second_start) == 0:
        return lead, np.zeros(n, bool)
    at = np.flatnonzero(visit >= 0)
    _, first = np.unique(visit[at], return_index=True)
    t = start[at[first]]
    k = np.searchsorted(second_start, t)
    before = second_start[np.maximum(k - 1, 0)] - t
    after = second_start[np.minimum(k, len(second_start) - 1)] - t
    nearest = np.where(np.abs(before) < np.abs(after), before, after)
    ok = np.abs(nearest) <= s.echo_s
    lead[ok] = nearest[ok]
    return lead, ok


def speed_and_direction(lead_s: np.ndarray, s: Settings) -> tuple[np.ndarray, np.ndarray]:
    """Speed (mm/s, NaN without the beams' spacing) and direction words ("in": BEAM first, "out": BEAM2 first)."""
    direction = np.where(np.isnan(lead_s), "", np.where(lead_s > 0, "in", np.where(lead_s < 0, "out", "")))
    speed = np.full(len(lead_s), np.nan)
    if s.beam_spacing_mm:
        moving = np.isfinite(lead_s) & (lead_s != 0)
        speed[moving] = s.beam_spacing_mm / np.abs(lead_s[moving])
    return speed, direction.astype(object)
