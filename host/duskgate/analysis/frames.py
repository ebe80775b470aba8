"""Frames of the camera, from the sync contact: which fires and visits each one holds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.analysis.recycle_data import rough_threshold
from duskgate.analysis.settings import Settings
from duskgate.analysis.traces import Traces
from duskgate.fields import SYNC

BOUNCE_NS = 20_000_000  # contacts bounce for milliseconds; no two frames are this close
HELD_S = 0.1  # a contact held longer than this shows the exposure itself
SOONER = 5  # so many frames sooner than the stated pause show that the camera is quicker than that
EARLY_NS = 2_000_000  # light this long before the contact still belongs to its frame


@dataclass
class Frames:
    """open (ns), bi, exposure (s, NaN unknown) of each frame; bounces is the number of closings left out."""

    open: np.ndarray
    bi: np.ndarray
    exposure: np.ndarray
    bounces: int


def sync_frames(traces: Traces, s: Settings) -> Frames:
    """Closings of the sync contact without their bounces; exposure from the site file or the contact's own length."""
    mine = traces.channel == SYNC
    x, bi, level = traces.x[mine], traces.bi[mine], traces.level[mine]
    up = np.flatnonzero(level == 1)
    if len(up) == 0:
        return Frames(x[:0], bi[:0], np.zeros(0), 0)
    rise = x[up]
    new = np.concatenate([[True], np.diff(rise) > BOUNCE_NS])
    first = np.flatnonzero(new)
    last = np.concatenate([first[1:], [len(up)]]) - 1
    close = np.minimum(up[last] + 1, len(x) - 1)
    held = np.where((level[close] == 0) & (bi[close] == bi[up[last]]), (x[close] - rise[first]) / 1e9, 0.0)
    exposure = np.where(held >= HELD_S, held, np.nan if s.exposure_s is None else s.exposure_s)
    return Frames(rise[first], bi[up[first]], exposure, int(len(up) - len(first)))


def fires_in_frames(frames: Frames, light_x: np.ndarray) -> np.ndarray:
    """Frame of each light, -1 where none was open."""
    if len(frames.open) == 0 or len(light_x) == 0:
        return np.full(len(light_x), -1, np.int64)
    k = np.searchsorted(frames.open, light_x + EARLY_NS, side="right") - 1
    length = np.nan_to_num(frames.exposure, nan=0.005) * 1e9
    at = np.maximum(k, 0)
    return np.where((k >= 0) & (light_x <= frames.open[at] + length[at]), k, -1)


def contents(
    frames: Frames, frame_of_fire: np.ndarray, visit_of_fire: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Per frame: fires, visits among them, and whether it holds exactly one fire and that of a visit."""
    n = len(frames.open)
    held = frame_of_fire >= 0
    fires = np.bincount(frame_of_fire[held], minlength=n)
    of_visit = held & (visit_of_fire >= 0)
    pairs = np.unique(np.column_stack([frame_of_fire[of_visit], visit_of_fire[of_visit]]), axis=0)
    visits = np.bincount(pairs[:, 0], minlength=n) if len(pairs) else np.zeros(n, int)
    return fires, visits, (fires == 1) & (visits == 1)


def busy_for(since: np.ndarray, opened: np.ndarray, after: np.ndarray, stated: np.ndarray) -> np.ndarray:
    """Seconds for which each break found the camera busy: as stated, or less where frames opened sooner this night.

    since: s from the frame before to each break; opened: it got a frame of its own; after: there was a frame before.
    """
    near = after & (since < 2 * stated)
    if (near & opened & (since < stated)).sum() < SOONER:
        return stated
    share = rough_threshold(since[near] / stated[near], opened[near])
    return stated * min(share, 1.0) if np.isfinite(share) else stated


def own_sync(frames: Frames, start: np.ndarray, bi: np.ndarray, limit_ns: float) -> np.ndarray:
    """First frame opened within limit_ns after each break; -1 none."""
    if len(frames.open) == 0 or len(start) == 0:
        return np.full(len(start), -1, np.int64)
    k = np.searchsorted(frames.open, start)
    at = np.minimum(k, len(frames.open) - 1)
    ok = (k < len(frames.open)) & (frames.open[at] - start <= limit_ns) & (frames.bi[at] == bi)
    return np.where(ok, at, -1)
