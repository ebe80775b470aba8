"""Trials of a flash head: the time since its own last light at each command, and whether it fired.

The gap counts from that head's last light, whatever caused it (a stranger's flash empties it as well), not from the
last command; a command soon after another is no trial.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass
class Trials:
    """(n breaks, heads) arrays, but for `trial` (n,): which breaks test the heads at all."""

    gap: np.ndarray  # s since the head's own last light
    bound: np.ndarray  # True: the gap is at least this, the last light was before the log's view
    fired: np.ndarray
    spent: np.ndarray  # fires of the head on these cells before this break
    cells: np.ndarray  # 0 for the cells of dusk, 1 after the first change, ...
    trial: np.ndarray  # breaks that test the heads
    names: list[str]
    union: bool = False  # several heads are seen as one, and only breaks after a light of all of them are trials


def trials(
    start: np.ndarray,
    bi: np.ndarray,
    boot_x0: np.ndarray,
    head_lights: list[tuple[np.ndarray, np.ndarray]],
    fired: np.ndarray,
    names: list[str],
    latency_ns: float,
    changes: list[np.ndarray],
    dead_ns: float,
    command: np.ndarray,
    unseen: list[np.ndarray] | None = None,
) -> Trials:
    """Trials of all heads.

    start, bi: breaks (ns, boot); head_lights: per head (ns, boot) of all its lights; fired: (n, heads);
    changes: per head the moments (ns) of changed cells; command: which breaks sent a command at all; unseen: per head
    the (n, 2) spans (ns) in which its lights were not kept: a light may have come at their very end.
    """
    n, h = len(start), len(names)
    gap, bound = np.full((n, h), np.nan), np.zeros((n, h), bool)
    spent, cells = np.zeros((n, h), np.int64), np.zeros((n, h), np.int64)
    for k, (x, boot) in enumerate(head_lights):
        last = np.searchsorted(x, start) - 1
        at = np.maximum(last, 0)
        same = (last >= 0) & (boot[at] == bi) if len(x) else np.zeros(n, bool)
        since = np.where(same, x[at] if len(x) else 0, boot_x0[bi] if n else 0)
        blind = _last_end(unseen[k] if unseen else np.zeros((0, 2), np.int64), start)
        gap[:, k] = (start + latency_ns - np.maximum(since, blind)) / 1e9
        bound[:, k] = ~same | (blind > since)
        cells[:, k] = np.searchsorted(changes[k], start)
        before = np.searchsorted(x, np.concatenate([[np.iinfo(np.int64).min], changes[k]]))
        spent[:, k] = last + 1 - before[cells[:, k]]
    apart = np.full(n, True)
    if n:
        sent = np.flatnonzero(command)
        late = np.diff(start[sent], prepend=np.iinfo(np.int64).min // 2) >= dead_ns
        apart[sent] = late
    return Trials(gap, bound, fired, spent, cells, command & apart, names)


def _last_end(spans: np.ndarray, start: np.ndarray) -> np.ndarray:
    """End (ns) of the last of the spans that began before each moment, at most that moment; before all else if none."""
    order = np.argsort(spans[:, 0], kind="stable")
    reach = np.maximum.accumulate(np.concatenate([[np.iinfo(np.int64).min // 2], spans[order, 1]]))
    return np.minimum(reach[np.searchsorted(spans[order, 0], start, side="right")], start)


def rough_threshold(gap: np.ndarray, fired: np.ndarray) -> float:
    """The gap that separates missed from fired with the fewest mistakes; NaN where one of both is lacking."""
    if fired.all() or not fired.any():
        return float("nan")
    order = np.argsort(gap)
    g, f = gap[order], fired[order]
    wrong = np.concatenate([[0], np.cumsum(f)]) + np.concatenate([np.cumsum((~f)[::-1])[::-1], [0]])
    k = np.flatnonzero(wrong == wrong.min())
    k = int(k[len(k) // 2])
    return float(np.sqrt(g[max(k - 1, 0)] * g[min(k, len(g) - 1)]))
