"""What broke the beam: rules in a fixed order, each a sentence for the photographer.

Breaks are never judged one by one where a group says more: a visit holds short breaks, a leaf visit-long ones.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from duskgate.analysis import dew, spans
from duskgate.analysis.bouts import Criterion, criterion
from duskgate.analysis.settings import Settings
from duskgate.fields import BREAK_KINDS

VISIT, INSECT, RAIN, LEAF, BLOCKED, GLITCH = range(6)
assert BREAK_KINDS == ("visit", "insect", "rain", "leaf", "blocked", "glitch")


@dataclass
class Kinds:
    """Per break: kind (index into BREAK_KINDS), reason (index into `reasons`), group (-1 for none)."""

    kind: np.ndarray
    reason: np.ndarray
    group: np.ndarray
    reasons: list[str]
    criterion: Criterion
    chatter: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))  # spans, s
    darkness: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))  # joined dark spans, s
    flicker: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))  # breaks of dew flicker, s
    spells: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))  # dark pieces as they were, s


@dataclass
class Beams:
    """What the rules look at, in seconds on the axis: the beam's breaks, other channels' edges, known darkness."""

    start: np.ndarray
    end: np.ndarray
    bi: np.ndarray
    dark: np.ndarray  # dark spans whose ends were not both seen
    chatter: np.ndarray  # spans summarised by the board's chatter guard
    second_start: np.ndarray  # breaks of BEAM2
    has_second: bool
    other_edges: np.ndarray  # edges of BEAM2, SYNC and the light sensors
    blind: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))

    @property
    def duration(self) -> np.ndarray:
        """Length of each break, s."""
        return self.end - self.start


def classify(beams: Beams, s: Settings, given: Criterion | None = None) -> Kinds:
    """Kinds of all breaks. `given` replaces the criterion of this night's own gaps (pooled nights)."""
    n = len(beams.start)
    out = Kinds(
        np.full(n, -1, np.int8),
        np.full(n, -1, np.int8),
        np.full(n, -1, np.int64),
        _reasons(s),
        criterion(np.zeros(0), s.visit_gap_s, s.min_gaps),
    )
    _glitches(beams, s, out)
    _long_dark(beams, s, out)
    _chatter(beams, s, out)
    _leaves(beams, s, out)  # before the flicker: no drop keeps a rhythm
    _dew_flicker(beams, s, out)
    rest = np.flatnonzero(out.kind < 0)
    out.criterion = given or _fit(beams, rest, s)
    _animals(beams, s, out, rest)
    if given is None and ((out.kind == INSECT) | (out.kind == RAIN)).any():
        # the small fry's gaps are no gaps of visits: fit again without them
        out.criterion = _fit(beams, np.flatnonzero(out.kind == VISIT), s)
        _animals(beams, s, out, rest)
    _small_fry(beams, s, out, rest)
    return out


def _reasons(s: Settings) -> list[str]:
    return [
        f"shorter than {s.glitch_ms:g} ms: electrical, nothing that flies is that fast",
        f"shorter than {s.glitch_ms:g} ms and another channel changed at the same moment: electrical",
        f"broken for {s.blocked_s:g} s or longer: something stands in the beam",
        f"within {s.blocked_near_s:g} s of a break of {s.blocked_s:g} s or longer: part of it",
        f"{s.chatter_breaks} or more breaks within {s.chatter_s:g} s: the beam flickers, no animal does that",
        f"within {s.dew_near_s / 60:g} min of a darkness of {s.dew_s / 60:g} min or longer: dew flicker",
        f"{s.leaf_breaks} or more breaks in an even rhythm that goes on: a swaying leaf or branch",
        "between the strokes of an even rhythm: a swaying leaf or branch",
        f"longest break of its group at least {s.visit_ms:g} ms: an animal",
        f"shorter than {s.rain_ms:g} ms among {s.rain_breaks} or more short breaks within {s.rain_near_s:g} s: rain",
        "short, and not in a shower: a small insect or a single drop",
    ]


def _set(out: Kinds, mask: np.ndarray, kind: int, reason: int) -> None:
    mask = mask & (out.kind < 0)
    out.kind[mask], out.reason[mask] = kind, reason


def _glitches(b: Beams, s: Settings, out: Kinds) -> None:
    short = b.duration < s.glitch_ms / 1000
    near = np.zeros(len(short), bool)
    if len(b.other_edges) and short.any():
        k = np.searchsorted(b.other_edges, b.start - 20e-6)
        near = (k < len(b.other_edges)) & (b.other_edges[np.minimum(k, len(b.other_edges) - 1)] <= b.end + 20e-6)
    _set(out, short & near, GLITCH, 1)
    _set(out, short, GLITCH, 0)


def _long_dark(b: Beams, s: Settings, out: Kinds) -> None:
    long = b.duration >= s.blocked_s
    unseen = b.dark[(b.dark[:, 1] - b.dark[:, 0]) >= s.blocked_s] if len(b.dark) else b.dark
    out.spells = np.concatenate([np.column_stack([b.start[long], b.end[long]]), unseen])
    out.spells = out.spells[np.argsort(out.spells[:, 0])]
    _set(out, long, BLOCKED, 2)
    _set(out, spans.touching(b.start, b.end, _wide(out.spells, s.blocked_near_s)), BLOCKED, 3)
    out.darkness = spans.union(out.spells, s.dark_join_s)


def _wide(pieces: np.ndarray, margin: float) -> np.ndarray:
    return np.column_stack([pieces[:, 0] - margin, pieces[:, 1] + margin]) if len(pieces) else pieces


def _chatter(b: Beams, s: Settings, out: Kinds) -> None:
    at = np.flatnonzero(out.kind != GLITCH)
    start, k = b.start[at], s.chatter_breaks - 1
    if len(at) > k:
        first = np.flatnonzero(start[k:] - start[:-k] <= s.chatter_s)
        runs = spans.union(np.column_stack([start[first], b.end[at][first + k]]))
    else:
        runs = np.zeros((0, 2))
    out.chatter = spans.union(np.concatenate([runs, b.chatter]))
    _set(out, spans.touching(b.start, b.end, out.chatter), BLOCKED, 4)


def _dew_flicker(b: Beams, s: Settings, out: Kinds) -> None:
    dark = long_darkness(out, s)
    near = dew.near_darkness(b.start, b.end, dark, s)
    at = np.flatnonzero(near & (out.kind < 0))
    if len(at) == 0:
        return
    away = np.flatnonzero(~near & (out.kind < 0) & (b.duration >= s.visit_ms / 1000))
    gaps = _fit(b, away, s)
    n = len(np.unique(groups(b.start[away], b.end[away], b.bi[away], gaps.gap_s, b.blind)))
    usual = dew.habits(gaps, n, float(b.end[-1] - b.start[0]) - spans.total(dark))
    mine = np.zeros(len(b.start), bool)
    mine[at] = dew.flicker(b.start[at], b.end[at], dark, usual, s)
    _set(out, mine, BLOCKED, 5)
    out.flicker = np.column_stack([b.start[mine], b.end[mine]])


def long_darkness(kinds: Kinds, s: Settings) -> np.ndarray:
    """Joined dark spans long enough to be dew."""
    d = kinds.darkness
    return d[d[:, 1] - d[:, 0] >= s.dew_s] if len(d) else d


def _leaves(b: Beams, s: Settings, out: Kinds) -> None:
    at = np.flatnonzero((out.kind < 0) & (b.duration >= s.leaf_min_ms / 1000))
    w = s.leaf_breaks
    if len(at) < w:
        return
    start, duration = b.start[at], b.duration[at]
    interval = np.lib.stride_tricks.sliding_window_view(np.diff(start), w - 1)
    lengths = np.lib.stride_tricks.sliding_window_view(np.log(duration), w)
    with np.errstate(divide="ignore"):
        even = np.log(np.maximum(interval, 1e-9)).std(axis=1, ddof=1) <= s.leaf_sd_interval
    even &= lengths.std(axis=1, ddof=1) <= s.leaf_sd_duration
    middle = np.median(interval, axis=1)
    even &= (middle >= s.leaf_interval_s[0]) & (middle <= s.leaf_interval_s[1])
    even &= b.bi[at][w - 1 :] == b.bi[at][: len(even)]
    runs = _swaying(_runs(np.flatnonzero(even), w), start, s)
    for first, last in runs:
        inside = slice(at[first], at[last] + 1)
        if b.has_second and last - first + 1 < s.leaf_animal_breaks and _echoed(b.start[at[first : last + 1]], b, s):
            continue
        stroke = np.zeros(len(b.start), bool)
        stroke[at[first : last + 1]] = True
        _set(out, stroke, LEAF, 6)
        between = np.zeros(len(b.start), bool)
        between[inside] = True
        _set(out, between, LEAF, 7)


def _swaying(runs: list[tuple[int, int]], start: np.ndarray, s: Settings) -> list[tuple[int, int]]:
    """The runs that keep on: what sways does so again a moment later, a visitor's even beats end after a few."""
    if not runs:
        return runs
    first, last = np.array(runs).T
    spell = np.concatenate([[0], np.cumsum(start[first[1:]] - start[last[:-1]] > s.leaf_spell_s)])
    strokes = np.bincount(spell, last - first + 1)
    return [run for run, n in zip(runs, strokes[spell], strict=True) if n >= s.leaf_strokes]


def _runs(hits: np.ndarray, width: int) -> list[tuple[int, int]]:
    """First and last element of the unions of overlapping windows that begin at `hits`."""
    if len(hits) == 0:
        return []
    new = np.concatenate([[True], np.diff(hits) >= width])
    first = hits[new]
    last = np.concatenate([hits[np.flatnonzero(new)[1:] - 1], hits[-1:]]) + width - 1
    return list(zip(first.tolist(), last.tolist(), strict=True))


def _echoed(start: np.ndarray, b: Beams, s: Settings) -> bool:
    """Whether half of these breaks have a break of BEAM2 within the echo time, either side."""
    if len(b.second_start) == 0:
        return False
    k = np.searchsorted(b.second_start, start - s.echo_s)
    found = b.second_start[np.minimum(k, len(b.second_start) - 1)]
    return bool(((k < len(b.second_start)) & (found <= start + s.echo_s)).mean() >= 0.5)


def gaps_of(start: np.ndarray, end: np.ndarray, bi: np.ndarray, unseen: np.ndarray) -> np.ndarray:
    """Clear times between successive breaks of one boot, those across unseen time left out (NaN)."""
    gap = start[1:] - end[:-1]
    bad = bi[1:] != bi[:-1]
    if len(unseen):
        bad = bad | spans.touching(end[:-1], start[1:], unseen)
    return np.where(bad, np.nan, gap)


def _unseen(b: Beams, out_spells: np.ndarray) -> np.ndarray:
    return np.concatenate([b.blind, out_spells]) if len(b.blind) or len(out_spells) else np.zeros((0, 2))


def _fit(b: Beams, at: np.ndarray, s: Settings) -> Criterion:
    gap = gaps_of(b.start[at], b.end[at], b.bi[at], b.blind)
    return criterion(gap[np.isfinite(gap)], s.visit_gap_s, s.min_gaps)


def groups(start: np.ndarray, end: np.ndarray, bi: np.ndarray, gap_s: float, unseen: np.ndarray) -> np.ndarray:
    """Group number of each break: a new group after a clear time longer than gap_s, an unseen time or a boot."""
    if len(start) == 0:
        return np.zeros(0, np.int64)
    gap = gaps_of(start, end, bi, unseen)
    return np.concatenate([[0], np.cumsum(~(gap <= gap_s))]).astype(np.int64)


def _animals(b: Beams, s: Settings, out: Kinds, rest: np.ndarray) -> None:
    """Groups whose longest break is long enough are visits; the others wait for the next rule."""
    if len(rest) == 0:
        return
    group = groups(b.start[rest], b.end[rest], b.bi[rest], out.criterion.gap_s, _unseen(b, out.spells))
    longest = np.zeros(group[-1] + 1)
    np.maximum.at(longest, group, b.duration[rest])
    animal = (longest >= s.visit_ms / 1000)[group]
    out.kind[rest] = np.where(animal, VISIT, INSECT)
    out.reason[rest] = np.where(animal, 8, 10)
    out.group[rest] = np.where(animal, group, -1)


def _small_fry(b: Beams, s: Settings, out: Kinds, rest: np.ndarray) -> None:
    at = rest[out.kind[rest] == INSECT]
    if len(at) == 0:
        return
    start, duration = b.start[at], b.duration[at]
    lo = np.searchsorted(start, start - s.rain_near_s)
    hi = np.searchsorted(start, start + s.rain_near_s, side="right")
    shower = (hi - lo >= s.rain_breaks) & (duration < s.rain_ms / 1000)
    shower[shower] = _short_median(duration, lo[shower], hi[shower], s.rain_median_ms / 1000)
    out.kind[at[shower]], out.reason[at[shower]] = RAIN, 9


def _short_median(duration: np.ndarray, lo: np.ndarray, hi: np.ndarray, limit: float) -> np.ndarray:
    """Whether more than half of duration[lo:hi] is below the limit, for many ranges: one cumulative count does it."""
    below = np.concatenate([[0], np.cumsum(duration < limit)])
    return (below[hi] - below[lo]) * 2 > hi - lo


def verdict(kinds: Kinds, s: Settings) -> dict:
    """One sentence on the beam over the whole night."""
    spell = kinds.spells[:, 1] - kinds.spells[:, 0] if len(kinds.spells) else np.zeros(0)
    long = long_darkness(kinds, s)
    loose = (
        kinds.chatter[~spans.touching(kinds.chatter[:, 0], kinds.chatter[:, 1], _wide(long, s.dew_near_s))]
        if len(kinds.chatter)
        else []
    )
    dark = spans.total(kinds.darkness)
    if len(loose) or (len(spell) >= 8 and np.median(spell) < s.dew_s):
        text = (
            f"The beam is badly aligned or its support moves: {len(loose)} spells of flicker, "
            f"{len(spell)} dark spells. Align it again before the next night."
        )
        return {"what": "misaligned", "text": text, "dark_s": dark}
    if dark >= 60:
        pieces = len(kinds.darkness)
        text = f"The beam was dark for {dark / 60:.0f} min in {pieces} pieces: dew, a leaf or a spider on the optics."
        return {"what": "dew", "text": text, "dark_s": dark}
    return {"what": "clear", "text": "The beam was clear: no long darkness and no flicker.", "dark_s": dark}
