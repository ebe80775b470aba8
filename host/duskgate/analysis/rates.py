"""Visits per hour of one night, with intervals that allow for visits coming in bouts, and its best window."""

from __future__ import annotations

import numpy as np

from duskgate.analysis import spans
from duskgate.analysis.stats import Z95, estimate, garwood, lacking

MIN_EXPOSURE_SHARE = 0.1  # a bin seen for less says nothing
SLACK_US = 60_000_000  # a window may reach this far out of the session, which seldom begins on the very minute
FULL_BIN_SHARE = 0.8  # bins seen for less do not tell how counts vary


def dispersion(counts: np.ndarray, exposure: np.ndarray, full: float) -> float:
    """Variance over mean of counts, from successive differences, at least 1.

    Differences of neighbours cancel the slow change of the rate through the night: von Neumann 1941,
    Ann. Math. Stat. 12:367; as an over-dispersion factor: McCullagh & Nelder 1989, section 4.5.
    """
    return over_dispersion(*differences(counts, exposure, full))


def differences(counts: np.ndarray, exposure: np.ndarray, full: float) -> tuple[float, float]:
    """Sums of squared differences and of totals of neighbouring bins that were both seen; those of nights add up."""
    ok = exposure >= FULL_BIN_SHARE * full
    pair = ok[1:] & ok[:-1]
    c = np.asarray(counts, float)
    return float((np.diff(c)[pair] ** 2).sum()), float((c[1:] + c[:-1])[pair].sum())


def over_dispersion(squares: float, totals: float) -> float:
    """Variance over mean from the sums of `differences`, at least 1."""
    return max(1.0, float(squares / totals)) if totals > 0 else 1.0


def interval(n, exposure_s, phi: float) -> tuple[np.ndarray, np.ndarray]:
    """Rate interval per hour from counts, their exposure and the dispersion phi: phi x Garwood(n / phi)."""
    lo, hi = garwood(np.asarray(n, float) / phi)
    with np.errstate(divide="ignore", invalid="ignore"):
        hours = np.asarray(exposure_s, float) / 3600
        return phi * lo / hours, phi * hi / hours


def binned(starts_us: np.ndarray, closed_us: np.ndarray, lo_us: int, hi_us: int, bin_s: float):
    """Bin edges on the clock's full bins (us), counts and exposure (s) of each bin."""
    step = int(bin_s * 1e6)
    edges = np.arange(lo_us // step * step, -(-hi_us // step) * step + 1, step)
    if len(edges) < 2:
        return edges, np.zeros(0, int), np.zeros(0)
    counts = np.histogram(starts_us, edges)[0]
    out = np.concatenate([closed_us, [[edges[0], lo_us], [hi_us, edges[-1]]]])
    exposure = np.maximum(step - spans.covered(out, edges), 0) / 1e6
    return edges, counts, exposure


def night_rates(
    starts_us: np.ndarray, closed_us: np.ndarray, lo_us: int, hi_us: int, bin_s: float, dispersion_bin_s: float
):
    """Columns of the rates table, and the night's mean rate with its dispersion."""
    whole = session_rate(starts_us, closed_us, lo_us, hi_us, dispersion_bin_s)
    phi = whole["dispersion"]
    edges, counts, exposure = binned(starts_us, closed_us, lo_us, hi_us, bin_s)
    seen = exposure >= MIN_EXPOSURE_SHARE * bin_s
    low, high = interval(counts, exposure, phi)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = counts / (exposure / 3600)
    columns = {
        "start_utc_us": edges[:-1],
        "end_utc_us": edges[1:],
        "exposure_s": exposure,
        "n": counts,
        "rate_per_h": np.where(seen, rate, np.nan),
        "lo": np.where(seen, low, np.nan),
        "hi": np.where(seen, high, np.nan),
    }
    return columns, {"bin_s": bin_s} | whole


def session_rate(starts_us: np.ndarray, closed_us: np.ndarray, lo_us: int, hi_us: int, dispersion_bin_s: float) -> dict:
    """Mean rate of the whole session and its dispersion; on any axis of microseconds, board time too."""
    _, counts, exposure = binned(starts_us, closed_us, lo_us, hi_us, dispersion_bin_s)
    phi, n, hours = dispersion(counts, exposure, dispersion_bin_s), int(counts.sum()), exposure.sum() / 3600
    if hours <= 0:
        return {"session_per_h": lacking(0, 1), "dispersion": phi}
    a, b = interval(n, exposure.sum(), phi)
    return {"session_per_h": estimate(n / hours, a, b, n), "dispersion": phi}


def around_refills(
    starts_us, closed_us, lo_us: int, hi_us: int, refills_us: np.ndarray, after_s: float, phi: float
) -> dict:
    """Rates in the time after refills of the feeder and in all other time."""
    if len(refills_us) == 0:
        return {"n_refills": 0}
    after = spans.union(np.column_stack([refills_us, refills_us + int(after_s * 1e6)]))
    out: dict = {"n_refills": len(refills_us), "after_s": after_s}
    for name, shut in (("after", spans.outside(after, lo_us, hi_us)), ("without", after)):
        closed = spans.union(np.concatenate([closed_us, spans.clip(shut, lo_us, hi_us)]))
        seconds = (hi_us - lo_us - spans.total(closed)) / 1e6
        n = int((~spans.inside(starts_us, closed)).sum())
        a, b = interval(n, max(seconds, 1e-9), phi)
        out[name] = estimate(n / (seconds / 3600), a, b, n) if seconds > 60 else lacking(0, 1)
    return out


def best_window(
    starts_us: np.ndarray,
    closed_us: np.ndarray,
    lo_us: int,
    hi_us: int,
    length_s: float,
    step_s: float,
    phi: float,
    hours_us: tuple[int, int] | None = None,
) -> dict:
    """The window of the night with the highest rate, and all windows that it does not clearly beat.

    A window lies in the session, and in `hours_us` where they are given and long enough; at least half of it was
    watched, and some of its first and of its last step.
    """
    step, length = int(step_s * 1e6), int(length_s * 1e6)
    inside = np.count_nonzero((starts_us >= lo_us) & (starts_us <= hi_us))
    lo_us, hi_us, kept_to = _within(lo_us, hi_us, hours_us, length)
    outside = inside - np.count_nonzero((starts_us >= lo_us) & (starts_us <= hi_us))
    first = -(-(lo_us - SLACK_US) // step) * step
    start = np.arange(first, hi_us + SLACK_US - length + 1, step)
    head = {"length_s": length_s, "n_nights": 1, "hours_kept": kept_to, "n_outside": int(outside)}
    if len(start) == 0:
        hours = (hi_us - lo_us) / 3.6e9
        return (
            head
            | lacking(0, 1)
            | {"text": f"the night shown is {hours:.1f} h long, shorter than a window of {length_s / 3600:g} h"}
        )
    ends = np.column_stack([start, start + length])
    n = np.searchsorted(starts_us, ends[:, 1]) - np.searchsorted(starts_us, ends[:, 0])
    out = np.array([[first, lo_us], [hi_us, hi_us + length]], np.int64)
    shut = spans.union(np.concatenate([closed_us, out[out[:, 1] > out[:, 0]]]))
    exposure = _watched(shut, ends) / 1e6
    tips = min(step, length)
    ok = (exposure >= 0.5 * length_s) & (_watched(shut, np.column_stack([start, start + tips])) > 0)
    ok &= _watched(shut, np.column_stack([start + length - tips, start + length])) > 0
    if not ok.any() or n[ok].sum() == 0:
        return head | lacking(0, 1) | {"text": "no visit in any window that was watched for at least half its length"}
    rate = np.where(ok, n / np.maximum(exposure, 1) * 3600, -1.0)
    lead = int(np.argmax(rate))
    kept = ok & ~_beaten(n, exposure, rate, start, starts_us, lead, length, phi)
    a, b = interval(n[lead], exposure[lead], phi)
    return head | {
        "start_utc_us": int(start[lead]),
        "end_utc_us": int(start[lead] + length),
        "rate_per_h": estimate(rate[lead], a, b, int(n[lead])),
        "not_beaten": ends[kept].tolist(),
        "text": f"One night says little: {kept.sum()} of {ok.sum()} windows, the leader among them, may be the best.",
    }


def _within(lo_us: int, hi_us: int, hours_us: tuple[int, int] | None, length: int) -> tuple[int, int, bool | None]:
    """The part of the session inside the hours, and whether it is kept to; False where it holds no window."""
    if hours_us is None:
        return lo_us, hi_us, None
    lo, hi = max(lo_us, hours_us[0]), min(hi_us, hours_us[1])
    return (lo, hi, True) if hi - lo >= length else (lo_us, hi_us, False)


def _watched(shut_us: np.ndarray, parts: np.ndarray) -> np.ndarray:
    """Microseconds of each part (start, end) outside the shut spans."""
    return np.array([b - a - spans.total(spans.clip(shut_us, a, b)) for a, b in parts.tolist()], float)


def _beaten(n, exposure, rate, start, starts_us, lead: int, length: int, phi: float) -> np.ndarray:
    """Windows whose rate is below the leader's by more than counts of that dispersion vary."""
    lo, hi = np.maximum(start, start[lead]), np.minimum(start, start[lead]) + length
    common = np.where(hi > lo, np.searchsorted(starts_us, hi) - np.searchsorted(starts_us, lo), 0)
    apart = np.maximum(n + n[lead] - 2 * common, 1)
    scale = 3600 / np.maximum((exposure + exposure[lead]) / 2, 1)
    return (rate[lead] - rate) > Z95 * np.sqrt(phi * apart) * scale
