"""Sets of time intervals as (n, 2) arrays: joining, clipping and measuring them."""

from __future__ import annotations

import numpy as np

EMPTY = np.zeros((0, 2))


def union(spans: np.ndarray, join: float = 0.0) -> np.ndarray:
    """Sorted, non-overlapping spans; pieces closer than `join` become one."""
    spans = np.asarray(spans).reshape(-1, 2)
    spans = spans[spans[:, 1] > spans[:, 0]]
    if len(spans) == 0:
        return spans
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    reach = np.maximum.accumulate(spans[:, 1])
    new = np.concatenate([[True], spans[1:, 0] > reach[:-1] + join])
    first = np.flatnonzero(new)
    last = np.concatenate([first[1:], [len(spans)]]) - 1
    return np.column_stack([spans[first, 0], reach[last]])


def clip(spans: np.ndarray, lo: float, hi: float) -> np.ndarray:
    """The parts of the spans inside lo..hi."""
    spans = np.clip(np.asarray(spans).reshape(-1, 2), lo, hi)
    return spans[spans[:, 1] > spans[:, 0]]


def total(spans: np.ndarray) -> float:
    """Sum of the lengths of spans that do not overlap."""
    return float((spans[:, 1] - spans[:, 0]).sum()) if len(spans) else 0.0


def covered(spans: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Length of the union inside each bin between successive edges."""
    spans = union(spans)
    if len(spans) == 0:
        return np.zeros(len(edges) - 1)
    lengths = np.concatenate([[0], np.cumsum(spans[:, 1] - spans[:, 0])]).astype(float)
    k = np.searchsorted(spans[:, 0], edges, side="right")
    inside = np.where(k > 0, np.minimum(edges, spans[np.maximum(k - 1, 0), 1]) - spans[np.maximum(k - 1, 0), 0], 0)
    cumulative = np.where(k > 0, lengths[np.maximum(k - 1, 0)], 0) + inside
    return np.diff(cumulative)


def inside(points: np.ndarray, spans: np.ndarray, margin: float = 0.0) -> np.ndarray:
    """Which points lie in any span widened by `margin` on both sides."""
    points = np.asarray(points)
    if len(spans) == 0:
        return np.zeros(len(points), bool)
    wide = union(np.column_stack([spans[:, 0] - margin, spans[:, 1] + margin]))
    k = np.searchsorted(wide[:, 0], points, side="right") - 1
    return (k >= 0) & (points <= wide[np.maximum(k, 0), 1])


def touching(start: np.ndarray, end: np.ndarray, spans: np.ndarray) -> np.ndarray:
    """Which intervals start..end overlap or touch any of the spans."""
    if len(spans) == 0:
        return np.zeros(len(start), bool)
    joined = union(spans)
    k = np.searchsorted(joined[:, 0], end, side="right") - 1
    return (k >= 0) & (joined[np.maximum(k, 0), 1] >= start)


def outside(spans: np.ndarray, lo: float, hi: float) -> np.ndarray:
    """The parts of lo..hi that no span covers."""
    held = union(clip(spans, lo, hi))
    marks = np.concatenate([[lo], held.ravel(), [hi]]).reshape(-1, 2)
    return marks[marks[:, 1] > marks[:, 0]]
