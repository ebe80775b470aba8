"""When the beam could be seen: session, time without sight and why, time blocked, and what is left."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from duskgate.analysis import spans
from duskgate.analysis.kinds import Kinds, long_darkness
from duskgate.analysis.settings import Settings
from duskgate.analysis.traces import BENCH, Traces
from duskgate.fields import BEAM

MARGIN_SHOWN_S = 5.5  # shorter ones lie within what a darkness takes with it on either side
FLICKER_JOIN_S = 25.0  # clear time in which a lone break of a visit would still be taken for flicker
RESETS = ("watchdog", "program fault", "asked")


@dataclass
class Gap:
    """A span of the axis (s) in which visits could not be seen."""

    start: float
    end: float
    why: str
    detail: str


@dataclass
class Exposure:
    """Spans in seconds on the axis. `closed` is all time in which a visit could not have been told."""

    session: np.ndarray
    gaps: list[Gap]
    off: np.ndarray
    blind: np.ndarray
    blocked: np.ndarray
    shadow: np.ndarray
    dark_s: float
    guarded_broken_s: float = 0.0  # time broken inside the chatter guard's summaries

    @property
    def closed(self) -> np.ndarray:
        """Spans without sight, shape (k, 2), s of the axis; they do not overlap."""
        return spans.union(np.concatenate([self.off, self.blind, self.blocked, self.shadow]))

    def live_s(self) -> float:
        """Time of sight in the session, s."""
        lo, hi = self.bounds
        return hi - lo - spans.total(spans.clip(self.closed, lo, hi))

    @property
    def bounds(self) -> tuple[float, float]:
        """First and last moment of the session, s of the axis; (0, 0) without one."""
        return (float(self.session[0, 0]), float(self.session[-1, 1])) if len(self.session) else (0.0, 0.0)


def measure(traces: Traces, kinds: Kinds, s: Settings) -> Exposure:
    """Exposure of one night."""
    session = np.column_stack([traces.x0, traces.x1]) / 1e9 if len(traces.boot) else spans.EMPTY
    gaps = _between_boots(traces) + _blind(traces)
    off = _of(gaps, ("off", "reset"))
    blind = _of(gaps, ("loss", "store lost", "bench"))
    blocked = spans.union(np.concatenate([kinds.spells, kinds.chatter]), s.blocked_near_s)
    if len(session):
        blocked = spans.clip(blocked, session[0, 0], session[-1, 1])
    # in flicker a visit cannot always be told from it; between two drops far apart, or after the last one, it can
    drops = np.concatenate([kinds.flicker, long_darkness(kinds, s)]) if len(kinds.flicker) else spans.EMPTY
    drops = _wide(spans.union(drops, FLICKER_JOIN_S), s.blocked_near_s)
    shadow = spans.union(np.concatenate([_wide(kinds.spells, s.blocked_near_s), drops]))
    gaps += _blocked(blocked, kinds) + _near_dark(shadow, blocked) + _chatter_guard(traces)
    gaps.sort(key=lambda g: g.start)
    dark_s = spans.total(spans.union(kinds.spells))
    return Exposure(session, gaps, off, blind, blocked, shadow, dark_s, _guarded_broken(traces))


def summary(e: Exposure) -> dict:
    """Seconds of session, live, blind, blocked and off time; `shadow_s` is the flicker's neighbourhood."""
    lo, hi = e.bounds
    off = spans.union(spans.clip(e.off, lo, hi))
    blind = spans.union(np.concatenate([off, spans.clip(e.blind, lo, hi)]))
    blocked = spans.union(np.concatenate([blind, spans.clip(e.blocked, lo, hi)]))
    return {
        "session_s": hi - lo,
        "live_s": e.live_s(),
        "off_s": spans.total(off),
        "blind_s": spans.total(blind) - spans.total(off),
        "blocked_s": spans.total(blocked) - spans.total(blind),
        "dark_s": e.dark_s,
        "guarded_broken_s": e.guarded_broken_s,
        "shadow_s": spans.total(spans.clip(e.closed, lo, hi)) - spans.total(spans.clip(blocked, lo, hi)),
    }


def _wide(pieces: np.ndarray, margin: float) -> np.ndarray:
    return np.column_stack([pieces[:, 0] - margin, pieces[:, 1] + margin]) if len(pieces) else pieces


def _of(gaps: list[Gap], why: tuple[str, ...]) -> np.ndarray:
    return np.array([(g.start, g.end) for g in gaps if g.why in why]).reshape(-1, 2)


def _between_boots(traces: Traces) -> list[Gap]:
    x0, x1 = traces.x0 / 1e9, traces.x1 / 1e9
    out = []
    for k in range(1, len(traces.boot)):
        cause = traces.cause[k]
        why = "reset" if cause in RESETS else "off"
        detail = f"the logger started again: {cause}"
        if not (traces.known[k] and traces.known[k - 1]):
            detail += "; the length of this gap is not known"
        out.append(Gap(float(x1[k - 1]), float(x0[k]), why, detail))
    return out


def _blind(traces: Traces) -> list[Gap]:
    out = []
    for (lo, hi), why in zip(traces.blind / 1e9, traces.blind_why, strict=True):
        kind = "bench" if why == BENCH else "store lost" if why.startswith("store") else "loss"
        out.append(Gap(float(lo), float(hi), kind, why))
    return out


def _blocked(blocked: np.ndarray, kinds: Kinds) -> list[Gap]:
    flicker = spans.touching(blocked[:, 0], blocked[:, 1], kinds.chatter) if len(blocked) else []
    dark = spans.touching(blocked[:, 0], blocked[:, 1], kinds.spells) if len(blocked) else []
    out = []
    for (lo, hi), f, d in zip(blocked, flicker, dark, strict=True):
        detail = "the beam was dark and flickered" if f and d else "the beam flickered" if f else "the beam was dark"
        out.append(Gap(float(lo), float(hi), "blocked", detail))
    return out


def _near_dark(shadow: np.ndarray, blocked: np.ndarray) -> list[Gap]:
    """The longer margins of a darkness, in which flicker cannot be told from a visit."""
    if len(shadow) == 0:
        return []
    margins = np.concatenate([spans.outside(blocked, lo, hi) for lo, hi in shadow])
    detail = "too close to a long darkness to tell a visit from flicker"
    return [Gap(float(lo), float(hi), "near dark", detail) for lo, hi in margins if hi - lo >= MARGIN_SHOWN_S]


def _guarded_broken(traces: Traces) -> float:
    c = traces.chatter
    return float(c["active_ns"][c["channel"] == BEAM].sum() / 1e9) if len(c) else 0.0


def _chatter_guard(traces: Traces) -> list[Gap]:
    c = traces.chatter
    out = []
    for x, span, n, channel in zip(
        c["x"].to_numpy(), c["span_ns"].to_numpy(), c["edges"].to_numpy(), c["channel"].to_numpy(), strict=True
    ):
        out.append(Gap(x / 1e9, (x + span) / 1e9, "chatter", f"{n} edges of channel {channel} stored as a summary"))
    return out
