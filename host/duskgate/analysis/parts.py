"""The steps of one night in their order: breaks, kinds, visits, lights, matching, recycle, causes, exposure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.analysis import (
    exposure,
    frames,
    kinds,
    light_ends,
    lights,
    misses,
    recycle,
    recycle_data,
    triggers,
    unseen_heads,
    visits,
)
from duskgate.analysis.bouts import Criterion
from duskgate.analysis.breaks import Beam, beam_breaks
from duskgate.analysis.settings import Settings
from duskgate.analysis.traces import Traces
from duskgate.fields import BEAM, BEAM2, CHANNELS, FLASHES, SYNC


@dataclass
class Answers:
    """Lights and what they answered; `kept` numbers the events that are fires (late ones folded into theirs)."""

    lights: lights.Lights
    wired: list[int]
    heads: list[tuple[str, list[int]]]
    heads_how: str
    matching: triggers.Matching
    rise: np.ndarray  # (events, heads) ns
    kept: np.ndarray
    break_of: np.ndarray  # event -> closed break, -1
    answered: np.ndarray  # event answered some rise of the beam
    event_of: np.ndarray  # closed break -> event, -1
    ended: np.ndarray  # (closed breaks, heads): that head's light is known by its end alone
    frames: frames.Frames


@dataclass
class Parts:
    traces: Traces
    settings: Settings
    beam: Beam
    second: Beam
    beams: kinds.Beams
    kinds: kinds.Kinds
    visit: np.ndarray
    exposure: exposure.Exposure
    answers: Answers
    trials: recycle_data.Trials
    recycle: recycle.Recycle
    misses: misses.Verdicts
    none: np.ndarray
    partial: np.ndarray

    def beam_loss(self) -> int:
        """Edges known to be lost: rises of the beam that were never seen to end, and what the stamper counted."""
        r = self.traces.readings
        counted = r[r["kind"] == "lost_edges"]["value"].to_numpy(np.int64) if len(r) else np.zeros(0, np.int64)
        return len(self.beam.open_start) + (int(counted.max() - min(counted.min(), 0)) if len(counted) else 0)


def in_use(traces: Traces, s: Settings, channel: int) -> bool:
    """Whether a channel is in use: as the site file says, else as the boots state or its edges show."""
    return CHANNELS[channel] in s.channels if s.channels is not None else traces.used(channel)


def take_apart(traces: Traces, s: Settings, given: Criterion | None) -> Parts:
    """All parts of one night. given: the criterion of pooled nights, None for that of this night's own gaps."""
    merge_ns = int(s.merge_ms * 1e6)
    beam, second = beam_breaks(traces, BEAM, merge_ns), beam_breaks(traces, BEAM2, merge_ns)
    beams = beams_of(traces, beam, second, s)
    found = kinds.classify(beams, s, given)
    visit = visits.number_visits(beams, found)
    answers = _answers(traces, beam, s)
    trials = _trials(traces, beam, found, answers, s)
    fit = recycle.estimate_recycle(trials)
    none, partial = _missed(answers)
    filtered = beam.duration < s.unit_filter_ms * 1e6
    causes = misses.judge(trials, fit, none, partial, _busy(beam, answers, s), filtered, _half_logged(answers), s)
    seen = exposure.measure(traces, found, s)
    return Parts(traces, s, beam, second, beams, found, visit, seen, answers, trials, fit, causes, none, partial)


def beams_of(traces: Traces, beam: Beam, second: Beam, s: Settings) -> kinds.Beams:
    """What the kinds of breaks are told from, in s of the axis."""
    c = traces.chatter
    guarded = c[c["channel"] == BEAM] if len(c) else c
    spans_x = guarded["x"].to_numpy(np.int64) if len(c) else np.zeros(0, np.int64)
    length = guarded["span_ns"].to_numpy(np.int64) if len(c) else spans_x
    return kinds.Beams(
        beam.start / 1e9,
        beam.end / 1e9,
        beam.bi,
        beam.dark / 1e9,
        np.column_stack([spans_x, spans_x + length]) / 1e9,
        second.start / 1e9,
        in_use(traces, s, BEAM2) and len(second.start) > 0,
        traces.x[traces.channel != BEAM] / 1e9,
        traces.blind / 1e9,
    )


def _answers(traces: Traces, beam: Beam, s: Settings) -> Answers:
    found = lights.flash_events(traces, s)
    wired = [k for k, channel in enumerate(FLASHES) if in_use(traces, s, channel)]
    start = np.concatenate([beam.start, beam.open_start])
    order = np.argsort(start, kind="stable")
    matching = triggers.match(start[order], np.concatenate([beam.bi, beam.open_bi])[order], found, s)
    late = matching.late_of >= 0
    if late.any():
        rise = found.rise
        target = matching.late_of[late]
        rise[target] = np.where(rise[target] >= 0, rise[target], rise[late])
    heads, how = lights.head_groups(found.rise[~late], wired, s.heads)
    row = np.where(matching.break_of >= 0, order[matching.break_of], -1) if len(order) else matching.break_of
    break_of = np.where(row < len(beam.start), row, -1)
    event_of = np.full(len(beam.start), -1, np.int64)
    got = np.flatnonzero(break_of >= 0)
    event_of[break_of[got]] = got
    by_head = lights.head_rises(found.rise, heads)
    return Answers(
        found,
        wired,
        heads,
        how,
        matching,
        by_head,
        np.flatnonzero(~late),
        break_of,
        matching.break_of >= 0,
        event_of,
        _ended(traces, beam, heads, by_head, matching.window),
        frames.sync_frames(traces, s) if in_use(traces, s, SYNC) else _no_frames(),
    )


def _no_frames() -> frames.Frames:
    empty = np.zeros(0, np.int64)
    return frames.Frames(empty, empty, np.zeros(0), 0)


def _trials(traces: Traces, beam: Beam, found: kinds.Kinds, a: Answers, s: Settings) -> recycle_data.Trials:
    fired = np.zeros((len(beam.start), len(a.heads)), bool)
    hit = a.event_of >= 0
    fired[hit] = a.rise[a.event_of[hit]] >= 0
    fired |= a.ended
    latency = a.matching.window.median
    command = (found.kind != kinds.GLITCH) & (beam.duration >= s.unit_filter_ms * 1e6)
    if s.path == "beam_camera" and len(a.frames.open):
        # the heads were asked only where the camera opened a frame; a busy camera's breaks say nothing about charge
        command &= frames.own_sync(a.frames, beam.start, beam.bi, a.matching.window.hi) >= 0
    lit = [_lights_of(traces, a, k) for k in range(len(a.heads))]
    trials = recycle_data.trials(
        beam.start,
        beam.bi,
        traces.x0,
        lit,
        fired,
        [name for name, _ in a.heads],
        0.0 if np.isnan(latency) else latency,
        cell_changes(traces, a.heads),
        s.command_dead_s * 1e9,
        command,
        [light_ends.unseen(traces, columns) for _, columns in a.heads],
    )
    return unseen_heads.after_full_light(trials, beam.start, beam.bi, *lit[0]) if len(lit) == 1 else trials


def _lights_of(traces: Traces, a: Answers, head: int) -> tuple[np.ndarray, np.ndarray]:
    """(ns, boot) of all lights of one head, those of which only the end was logged among them."""
    at = np.flatnonzero(a.rise[:, head] >= 0)
    at = at[np.argsort(a.rise[at, head], kind="stable")]
    x, bi = light_ends.of_head(traces, a.heads[head][1], a.rise[at, head])
    x, bi = np.concatenate([a.rise[at, head], x]), np.concatenate([a.lights.bi[at], bi])
    order = np.argsort(x, kind="stable")
    return x[order], bi[order]


def _ended(traces: Traces, beam: Beam, heads: list, rise: np.ndarray, window: triggers.Window) -> np.ndarray:
    """(breaks, heads): a light of which only the end was logged lies where that break's light would."""
    out = np.zeros((len(beam.start), len(heads)), bool)
    for k, (_, columns) in enumerate(heads):
        x, _ = light_ends.of_head(traces, columns, np.sort(rise[rise[:, k] >= 0, k]))
        out[:, k] = light_ends.ended(beam.start, x, window.lo, window.hi)
    return out


def cell_changes(traces: Traces, heads: list[tuple[str, list[int]]]) -> list[np.ndarray]:
    """Per head the moments (ns) at which its cells were changed, by the notes; head 0 in a note means all of them."""
    notes = traces.notes
    rows = notes[notes["what"] == "cells"] if len(notes) else notes
    x, head = rows["x"].to_numpy(np.int64), rows["head"].to_numpy(np.int64)
    return [np.sort(x[(head <= 0) | np.isin(head - 1, columns)]) for _, columns in heads]


def _missed(a: Answers) -> tuple[np.ndarray, np.ndarray]:
    none = (a.event_of < 0) & bool(a.wired)
    partial = np.zeros(len(none), bool)
    hit = a.event_of >= 0
    partial[hit] = ~(a.rise[a.event_of[hit]] >= 0).all(axis=1)
    return none, partial


def _half_logged(a: Answers) -> np.ndarray:
    """Breaks whose missing heads did light, as the ends of their lights say."""
    lit = np.zeros(a.ended.shape, bool)
    hit = a.event_of >= 0
    lit[hit] = a.rise[a.event_of[hit]] >= 0
    return (lit | a.ended).all(axis=1) & a.ended.any(axis=1) | (~lit.any(axis=1) & a.ended.any(axis=1))


def _busy(beam: Beam, a: Answers, s: Settings) -> np.ndarray:
    """Breaks within the frame time after the last frame opened that got no frame of their own (camera path only)."""
    n = len(beam.start)
    if s.path != "beam_camera" or len(a.frames.open) == 0:
        return np.zeros(n, bool)
    own = frames.own_sync(a.frames, beam.start, beam.bi, a.matching.window.hi)
    k = np.searchsorted(a.frames.open, beam.start) - 1
    at = np.maximum(k, 0)
    length = np.nan_to_num(a.frames.exposure[at], nan=0.0) + s.frame_pause_s
    since = (beam.start - a.frames.open[at]) / 1e9
    after = (k >= 0) & (a.frames.bi[at] == beam.bi)
    return (own < 0) & after & (since < frames.busy_for(since, own >= 0, after, length))
