"""Breaks of the second beam as rows of the breaks table: what the first beam saw at the same moment decides."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from duskgate.analysis import kinds
from duskgate.analysis.parts import Parts


@dataclass
class Rows:
    kind: np.ndarray
    reason: np.ndarray
    visit: np.ndarray
    reasons: list[str]


def rows(p: Parts) -> Rows:
    """Kind, reason and visit of each break of BEAM2; `reasons` are those of both beams."""
    n = len(p.second.start)
    with_first, alone = len(p.kinds.reasons), len(p.kinds.reasons) + 1
    reasons = [
        *p.kinds.reasons,
        "BEAM broke at the same moment: what holds for it holds here",
        "broke alone, BEAM did not",
    ]
    if n == 0:
        return Rows(np.zeros(0, np.int8), np.zeros(0, np.int8), np.zeros(0, np.int64), reasons)
    start, end = p.second.start / 1e9, p.second.end / 1e9
    own = kinds.classify(replace(
        p.beams, start=start, end=end, bi=p.second.bi, dark=p.second.dark / 1e9, chatter=p.beams.chatter[:0],
        second_start=p.beams.start[:0], has_second=False, other_edges=p.beams.start,
    ), p.settings, p.kinds.criterion)  # fmt: skip
    kind, reason, visit = own.kind.copy(), own.reason.copy(), np.full(n, -1, np.int64)
    near = _nearest(start, end, p.beams.start, p.beams.end, p.settings.echo_s)
    free = (kind != kinds.GLITCH) & (kind != kinds.BLOCKED)
    echo = free & (near >= 0)
    kind[echo], reason[echo], visit[echo] = p.kinds.kind[near[echo]], with_first, p.visit[near[echo]]
    lonely = free & (near < 0) & (kind == kinds.VISIT)
    close = _nearest(start, end, p.beams.start, p.beams.end, p.kinds.criterion.gap_s)
    joined = lonely & (close >= 0) & (p.visit[close] >= 0) if len(p.visit) else np.zeros(n, bool)
    visit[joined] = p.visit[close[joined]]
    reason[lonely] = alone
    return Rows(kind, reason, visit, reasons)


def _nearest(
    start: np.ndarray, end: np.ndarray, other_start: np.ndarray, other_end: np.ndarray, within: float
) -> np.ndarray:
    """Break of the other beam closest in time (0 where they overlap) if not further than `within`; -1 none."""
    if len(other_start) == 0:
        return np.full(len(start), -1, np.int64)
    after = np.minimum(np.searchsorted(other_start, start), len(other_start) - 1)
    before = np.maximum(after - 1, 0)

    def distance(k):
        return np.maximum(np.maximum(other_start[k] - end, start - other_end[k]), 0)

    best = np.where(distance(after) < distance(before), after, before)
    return np.where(distance(best) <= within, best, -1)
