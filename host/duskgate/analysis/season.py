"""Several nights together: rate by time of night, best windows, nights and rigs compared. Nights may differ in length.

Time of night is counted from a zero that the caller gives for each night: sunset, or the clock's midnight.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from duskgate.analysis import rates, spans
from duskgate.analysis.settings import Settings
from duskgate.analysis.stats import Z95, estimate, garwood, lacking

UNSEEN = ("off", "reset", "loss", "store lost", "bench", "blocked", "near dark")
NEED_NIGHTS = 3
NEED_TREND = 5
DAY_S = 86_400
WATCHED = 0.5  # a night counts in a window that it watched for at least half
MOST = 0.6  # of the nights must count in a window


@dataclass
class NightView:
    """Visits of one night and when it was watched, in seconds from the night's zero."""

    name: str
    zero_utc_us: int
    visits_s: np.ndarray
    session_s: tuple[float, float]
    closed_s: np.ndarray

    def count(self, lo: float, hi: float) -> int:
        """Visits that begin in [lo, hi), s from the night's zero."""
        return int(np.searchsorted(self.visits_s, hi) - np.searchsorted(self.visits_s, lo))

    def exposure(self, edges: np.ndarray) -> np.ndarray:
        """Seconds watched in each bin between successive edges."""
        out = np.array([[-np.inf, self.session_s[0]], [self.session_s[1], np.inf]])
        lo, hi = float(edges[0]), float(edges[-1])
        shut = spans.union(spans.clip(np.concatenate([self.closed_s, out]), lo - 1, hi + 1))
        return np.maximum(np.diff(edges) - spans.covered(shut, np.asarray(edges, float)), 0)

    @property
    def n(self) -> int:
        """Visits of the whole night."""
        return len(self.visits_s)

    @property
    def live_s(self) -> float:
        """Time of sight, s."""
        return float(self.exposure(np.array(self.session_s))[0])


def night_view(tables: dict[str, pd.DataFrame], zero_utc_us: int, name: str = "") -> NightView:
    """What the season needs of one night's tables (visits, boots, gaps)."""
    boots, gaps = tables["boots"], tables["gaps"]
    known = boots[boots["clock"] != "unknown"]
    at = known if len(known) else boots
    session = (
        (_s(at["start_utc_us"].min(), zero_utc_us), _s(at["end_utc_us"].max(), zero_utc_us)) if len(at) else (0.0, 0.0)
    )
    shut = gaps[gaps["why"].astype(object).isin(UNSEEN)]
    closed = np.column_stack([_s(shut[c].to_numpy(np.int64), zero_utc_us) for c in ("start_utc_us", "end_utc_us")])
    visits = np.sort(_s(tables["visits"]["start_utc_us"].to_numpy(np.int64), zero_utc_us))
    inside = (visits >= session[0]) & (visits <= session[1])
    return NightView(name, zero_utc_us, visits[inside], session, spans.union(closed.reshape(-1, 2)))


def inside(night: NightView, hours_utc_us: tuple[int, int] | None) -> NightView:
    """The part of a night between two instants; the whole night for None, or where nothing of it lies between."""
    if hours_utc_us is None:
        return night
    lo, hi = (_s(v, night.zero_utc_us) for v in hours_utc_us)
    lo, hi = max(lo, night.session_s[0]), min(hi, night.session_s[1])
    if hi <= lo:
        return night
    kept = night.visits_s[(night.visits_s >= lo) & (night.visits_s <= hi)]
    return NightView(night.name, night.zero_utc_us, kept, (lo, hi), night.closed_s)


def _s(utc_us: Any, zero_us: int) -> Any:
    return (utc_us - zero_us) / 1e6


def rate_over_nights(n: np.ndarray, exposure_s: np.ndarray, dispersion: float = 1.0) -> dict:
    """Mean rate per hour of nights with counts n and exposure, with the log-t interval between nights.

    The interval is never narrower than counting alone allows; that spread is known, not found from these few nights,
    and takes no t. Nights without any visit tell nothing of how nights differ: then the upper limit is the exact one
    of a Poisson count (Garwood 1936), widened by `dispersion`, the variance over mean of counts where it is known.
    """
    n, hours = np.asarray(n, float), np.asarray(exposure_s, float) / 3600
    seen = hours > 0
    n, hours = n[seen], hours[seen]
    k = len(n)
    if k < NEED_NIGHTS:
        return lacking(k, NEED_NIGHTS) | ({"seen": float(n.sum() / hours.sum())} if k else {})
    if not n.sum():
        return estimate(0.0, 0.0, dispersion * float(garwood(0)[1]) / hours.sum(), k)
    rate, e = n.sum() / hours.sum(), 0.5 / hours.sum()
    s = np.sqrt(k / (k - 1) * ((n - rate * hours) ** 2).sum()) / hours.sum()
    w = max(_t95(k - 1) * s / (rate + e), Z95 / np.sqrt(n.sum() + 0.5))
    return estimate(rate, max((rate + e) * np.exp(-w) - e, 0.0), (rate + e) * np.exp(w) - e, k)


def _t95(df: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.975))


def rate_by_time(nights: list[NightView], bin_s: float = 3600.0) -> pd.DataFrame:
    """A row per bin of time after the zero; lo and hi are NaN where fewer than three nights were watched."""
    rows, phi = [], dispersion_of(nights)
    for lo, hi in _bins(nights, bin_s):
        counts = np.array([night.count(lo, hi) for night in nights])
        exposure = np.array([night.exposure(np.array([lo, hi]))[0] for night in nights])
        e = rate_over_nights(counts, exposure, phi)
        total = exposure.sum()
        mean = counts.sum() / (total / 3600) if total else np.nan
        rows.append(
            (
                lo,
                hi,
                total,
                int(counts.sum()),
                int((exposure > 0).sum()),
                mean,
                e.get("lo", np.nan),
                e.get("hi", np.nan),
            )
        )
    columns = ["start_s", "end_s", "exposure_s", "n", "n_nights", "rate_per_h", "lo", "hi"]
    return pd.DataFrame(rows, columns=columns)


def dispersion_of(nights: list[NightView], bin_s: float = Settings.dispersion_bin_s) -> float:
    """Variance over mean of counts in short bins of all nights together: how visits come in bouts; at least 1."""
    pairs = []
    for night in nights:
        lo, hi = (np.floor(v / bin_s) for v in night.session_s)
        edges = np.arange(lo, hi + 2) * bin_s
        counts = np.diff(np.searchsorted(night.visits_s, edges))
        pairs.append(rates.differences(counts, night.exposure(edges), bin_s))
    return rates.over_dispersion(*np.sum(pairs, axis=0)) if pairs else 1.0


def _bins(nights: list[NightView], bin_s: float) -> list[tuple[float, float]]:
    if not nights:
        return []
    lo = np.floor(min(night.session_s[0] for night in nights) / bin_s)
    hi = np.ceil(max(night.session_s[1] for night in nights) / bin_s)
    return [(k * bin_s, (k + 1) * bin_s) for k in range(int(lo), int(hi))]


def best_window(nights: list[NightView], length_s: float = 7200.0, step_s: float = 1800.0) -> dict:
    """The window with the highest sum of nightly rates, and all windows that it does not beat beyond doubt.

    A window counts on nights that watched at least half of it, and only if most nights did.
    """
    start, rate = window_rates(nights, length_s, step_s)
    head = {"length_s": length_s, "n_nights": len(nights)}
    enough = np.isfinite(rate).sum(axis=0) >= max(1, MOST * len(nights)) if len(nights) else np.zeros(0, bool)
    if not enough.any() or np.nansum(rate) == 0:
        return (
            head
            | lacking(len(nights), NEED_NIGHTS)
            | {"text": "no window was watched in most nights, or no visit came"}
        )
    # a window's sum of nightly rates, on the nights that watched it
    with np.errstate(invalid="ignore"):
        mean = np.where(enough, np.nanmean(np.where(enough, rate, 0.0), axis=0), -1.0)
    lead = int(np.argmax(mean))
    kept = enough & ~_beaten(rate, lead)
    lo, hi = float(start[lead]), float(start[lead] + length_s)
    counts = [night.count(lo, hi) for night in nights]
    exposure = [night.exposure(np.array([lo, hi]))[0] for night in nights]
    return head | {
        "start_s": lo, "end_s": hi, "rate_per_h": rate_over_nights(np.array(counts), np.array(exposure)),
        "not_beaten": [[float(s), float(s + length_s)] for s in start[kept]], "n_windows": int(enough.sum()),
        "text": _window_words(len(nights), int(kept.sum()), int(enough.sum())),
    }  # fmt: skip


def _window_words(nights: int, kept: int, of: int) -> str:
    if nights < NEED_NIGHTS:
        return f"{nights} night{'s' if nights > 1 else ''} cannot rank windows: take it as a first hint"
    return f"{kept} of {of} windows, the leader among them, may be the best after {nights} nights"


def window_rates(nights: list[NightView], length_s: float, step_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Starts of all windows that some night reaches, s, on full steps from the zero, and (nights, windows) visits per
    hour; NaN where a night watched less than half of a window."""
    if not nights:
        return np.zeros(0), np.zeros((0, 0))
    lo = np.ceil(min(night.session_s[0] for night in nights) / step_s)
    hi = np.floor((max(night.session_s[1] for night in nights) - length_s) / step_s)
    start = np.arange(lo, hi + 1) * step_s
    rate = np.full((len(nights), len(start)), np.nan)
    for i, night in enumerate(nights):
        exposure = np.array([night.exposure(np.array([a, a + length_s]))[0] for a in start])
        n = np.searchsorted(night.visits_s, start + length_s) - np.searchsorted(night.visits_s, start)
        ok = exposure >= WATCHED * length_s
        rate[i, ok] = n[ok] / (exposure[ok] / 3600)
    return start, rate


def _beaten(rate: np.ndarray, lead: int) -> np.ndarray:
    """Windows below the leader by a paired t over nights, each night scaled to the same total."""
    known = np.isfinite(rate)
    scale = (np.where(known, rate, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1))[:, None]
    scaled = rate / np.where(scale > 0, scale, 1.0)
    gap = scaled[:, [lead]] - scaled
    both = np.isfinite(gap)
    k = both.sum(axis=0)
    if k.max(initial=0) < NEED_NIGHTS:
        return np.zeros(rate.shape[1], bool)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.nansum(gap, axis=0) / k
        sd = np.sqrt(np.nansum(np.where(both, (gap - mean) ** 2, 0.0), axis=0) / (k - 1))
        t95 = np.array([_t95(max(n - 1, 1)) for n in k])
        return (k >= NEED_NIGHTS) & (mean > t95 * sd / np.sqrt(k)) & (mean > 0)


def compare_rates(a: list[NightView], b: list[NightView]) -> dict:
    """Rate of a over rate of b, two rigs, sites or sets of nights: log ratio with a t interval of unequal variances.

    Welch 1947, Biometrika 34:28, on the log scale of `rate_over_nights`.
    """
    parts = [_log_rate(nights) for nights in (a, b)]
    if any(p is None for p in parts):
        return lacking(min(len(a), len(b)), NEED_NIGHTS)
    (ma, va, na), (mb, vb, nb) = parts  # type: ignore[misc]
    df = (va + vb) ** 2 / (va**2 / (na - 1) + vb**2 / (nb - 1))
    half = _t95(df) * np.sqrt(va + vb)
    return estimate(np.exp(ma - mb), np.exp(ma - mb - half), np.exp(ma - mb + half), na + nb)


def _log_rate(nights: list[NightView]) -> tuple[float, float, int] | None:
    """ln of the mean rate, its variance between nights and their number."""
    n = np.array([night.n for night in nights], float)
    hours = np.array([night.live_s for night in nights]) / 3600
    n, hours = n[hours > 0], hours[hours > 0]
    k = len(n)
    if k < NEED_NIGHTS:
        return None
    rate, e = n.sum() / hours.sum(), 0.5 / hours.sum()
    s = np.sqrt(k / (k - 1) * ((n - rate * hours) ** 2).sum()) / hours.sum()
    return float(np.log(rate + e)), max((s / (rate + e)) ** 2, 1 / (n.sum() + 0.5)), k


def trend(nights: list[NightView]) -> dict:
    """Change of the nightly rate, as a factor a week, from a straight line through ln(rate)."""
    watched = [night for night in nights if night.live_s > 0]
    if len(watched) < NEED_TREND:
        return lacking(len(watched), NEED_TREND)
    day = np.array([night.zero_utc_us for night in watched]) / 1e6 / DAY_S
    hours = np.array([night.live_s for night in watched]) / 3600
    y = np.log((np.array([night.n for night in watched]) + 0.5) / hours)
    x = day - day.mean()
    if (x**2).sum() == 0:
        return lacking(len(watched), NEED_TREND)
    slope = (x @ y) / (x @ x)
    rest = y - y.mean() - slope * x
    half = _t95(len(y) - 2) * np.sqrt((rest @ rest) / (len(y) - 2) / (x @ x))
    return estimate(np.exp(7 * slope), np.exp(7 * (slope - half)), np.exp(7 * (slope + half)), len(y))


def spread(nights: list[NightView]) -> dict:
    """How nights differ: rates a night, their coefficient of variation and the share beyond what counting explains."""
    watched = [night for night in nights if night.live_s > 0]
    n = np.array([night.n for night in watched], float)
    hours = np.array([night.live_s for night in watched]) / 3600
    rates = n / hours
    out = {"nights": [night.name for night in watched], "rate_per_h": rates.tolist(), "n": len(watched)}
    if len(watched) < NEED_NIGHTS or n.sum() == 0:
        return out | {"cv": lacking(len(watched), NEED_NIGHTS)}
    k, cv = len(rates), rates.std(ddof=1) / rates.mean()
    from scipy.special import chdtri

    lo, hi = (cv * np.sqrt((k - 1) / chdtri(k - 1, p)) for p in (0.025, 0.975))
    counting = (rates.mean() / hours).mean() / rates.mean() ** 2
    return out | {
        "cv": estimate(cv, lo, hi, k),
        "beyond_counting": float(max(1 - counting / cv**2, 0.0)) if cv else 0.0,
    }


def pooled_gaps(parts: list[Any]) -> np.ndarray:
    """Clear times between breaks of visits of several nights' parts, for one criterion of them all."""
    from duskgate.analysis.kinds import VISIT, gaps_of

    found = []
    for p in parts:
        at = np.flatnonzero(p.kinds.kind == VISIT)
        gap = gaps_of(p.beams.start[at], p.beams.end[at], p.beams.bi[at], p.beams.blind)
        found.append(gap[np.isfinite(gap)])
    return np.concatenate(found) if found else np.zeros(0)


__all__ = [
    "Z95",
    "NightView",
    "best_window",
    "compare_rates",
    "dispersion_of",
    "inside",
    "night_view",
    "pooled_gaps",
    "rate_by_time",
    "rate_over_nights",
    "spread",
    "trend",
]  # fmt: skip
