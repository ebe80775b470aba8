"""What an animal's speed does to the picture: blur while the flash burns, way flown before it burns, verdict per path.

Speeds in m/s, times in us, lengths in mm. Estimates are dicts with value, lo, hi, n.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from . import lead
from .depth import Depth

DECAY_RATIO = math.log(10) / math.log(2)  # t0.1 / t0.5 of light that dies away exponentially: 3.32
SHARP_PIXELS = 2.0  # blur that a sensor just shows; common practice, no source


@dataclass(frozen=True)
class Durations:
    """Flash duration above half (t05_us) and above a tenth (t01_us) of the peak; computed: which one, "" none."""

    t05_us: float
    t01_us: float
    computed: str = ""


def durations(t05_us: float | None, t01_us: float | None) -> Durations | None:
    """Both durations. One that is missing is computed for an exponential decay and marked; None where both are.

    A flash cut off early ends sooner than that, so a computed t0.1 is on the long side and a computed t0.5 on the
    short. ValueError where one is not above 0, or t0.1 is shorter than t0.5.
    """
    if any(t is not None and not t > 0 for t in (t05_us, t01_us)):
        raise ValueError("a flash duration must be above 0")
    if t05_us is None:
        return None if t01_us is None else Durations(t01_us / DECAY_RATIO, t01_us, "t05_us")
    if t01_us is None:
        return Durations(t05_us, t05_us * DECAY_RATIO, "t01_us")
    if t01_us < t05_us:
        raise ValueError("t0.1 cannot be shorter than t0.5: the light is above a tenth for longer than above a half")
    return Durations(t05_us, t01_us)


@dataclass(frozen=True)
class Blur:
    """Blur on the animal (mm) and on the sensor (pixels; None without magnification and pitch), by both durations."""

    seen_mm: float  # during t0.1: what the eye sees in the picture
    stated_mm: float  # during t0.5: as makers state durations
    seen_px: float | None
    stated_px: float | None
    computed: str


def blur(speed_m_s: float, flash: Durations, magnification: float | None, pixel_pitch_um: float | None) -> Blur:
    """Blur of something that moves across the picture at that speed. ValueError for a negative speed."""
    seen, stated = (lead.way_mm(speed_m_s, t) for t in (flash.t01_us, flash.t05_us))
    if magnification is None or pixel_pitch_um is None:
        return Blur(seen, stated, None, None, flash.computed)
    per_mm = magnification * 1000 / pixel_pitch_um
    return Blur(seen, stated, seen * per_mm, stated * per_mm, flash.computed)


def longest_flash_us(speed_m_s: float, magnification: float, pixel_pitch_um: float, pixels: float = SHARP_PIXELS):
    """Longest t0.1 that keeps the blur within so many pixels, us; inf for something at rest."""
    return math.inf if speed_m_s == 0 else pixels * pixel_pitch_um / magnification / speed_m_s


@dataclass(frozen=True)
class Delay:
    """Delay of one path from break to light: estimates (us) of its 5 %, 50 % and 95 % points; None: not measured.

    late_us, late_share: firings that come so much later (sent a second time), and their share of all.
    """

    path: str
    low_us: dict[str, Any] | None
    median_us: dict[str, Any] | None
    high_us: dict[str, Any] | None
    late_us: float | None = None
    late_share: float = 0.0


@dataclass(frozen=True)
class Speeds:
    """Speed that is reckoned with, and the range of speeds that animals show (both ends equal where not known)."""

    typical_m_s: float
    low_m_s: float
    high_m_s: float


@dataclass(frozen=True)
class Place:
    """Where the light finds animals, mm past the beam, and what a path can do.

    ahead_mm: how far ahead of the plane in focus the beam belongs (estimate, of the delay alone, at the typical speed).
    from_mm, to_mm: slowest at the 5 % point of the delay, fastest at the 95 % point; needed_mm: depth, as much before
    the plane as behind it, that holds this range and the animal's body; depth_mm: depth of field there is (None
    unknown). verdict: works, partly, cannot or unknown; text says it in words.
    """

    path: str
    ahead_mm: dict[str, Any] | None
    from_mm: float | None
    to_mm: float | None
    needed_mm: float | None
    depth_mm: float | None
    verdict: str
    text: str


WAYS = {"beam_flash": "flashes fired by the beam", "beam_camera": "a camera fired by the beam"}
VERDICTS = {
    "works": "can work", "partly": "can work for part of the animals", "cannot": "cannot work at this speed",
    "unknown": "cannot be judged yet",
}  # fmt: skip


def place(delay: Delay, speeds: Speeds, body_mm: float, field: Depth | None) -> Place:
    """Place of the beam for one path, the depth that it takes, and whether the depth of field holds it.

    The beam is taken to stand so far ahead that the typical animal is in focus. Flight along the lens's axis is taken,
    which is the hardest case; across it the same range is needed in the frame instead.
    """
    total = None if field is None else field.total_mm
    low, middle, high = (_value(e) for e in (delay.low_us, delay.median_us, delay.high_us))
    if middle is None or low is None or high is None or delay.median_us is None:
        text = f"{_way(delay)}: the delay is not known well enough; measure it with `duskgate bench`"
        return Place(delay.path, None, None, None, None, total, "unknown", text)
    ahead = lead.way_estimate(speeds.typical_m_s, delay.median_us)
    near, far = lead.way_mm(speeds.low_m_s, low), lead.way_mm(speeds.high_m_s, high)
    width = 2 * max(ahead["value"] - near, far - ahead["value"], 0.0)
    needed, verdict = width + body_mm, _verdict(width, body_mm, total)
    return Place(delay.path, ahead, near, far, needed, total, verdict, _words(delay, ahead, needed, total, verdict))


def through_camera(direct: Delay, lag_ms: tuple[float, float]) -> Delay:
    """Delay of a camera that the beam fires, from that of flashes fired directly and the camera's shutter lag.

    lag_ms: shortest and longest lag as measured; its middle is taken for the median. ValueError unless 0 <= shortest <=
    longest. A lag changes with the camera's settings; a log of that path itself says more.
    """
    short, long = lag_ms
    if not 0 <= short <= long < math.inf:
        raise ValueError("the shutter lag takes two numbers, the shortest and the longest, not below 0")
    lags = {"value": (short + long) * 500, "lo": short * 1000, "hi": long * 1000}
    ends = {"value": short * 1000}, {"value": long * 1000}
    low, high = (_plus(e, by) for e, by in zip((direct.low_us, direct.high_us), ends, strict=True))
    return Delay("beam_camera", low, _plus(direct.median_us, lags), high, direct.late_us, direct.late_share)


def _plus(e: dict[str, Any] | None, by: dict[str, float]) -> dict[str, Any] | None:
    """An estimate moved by a figure; its ends by the figure's ends, where it has them."""
    if e is None or e.get("value") is None:
        return e
    moved = {k: e[k] + by.get(k, by["value"]) for k in ("value", "lo", "hi") if e.get(k) is not None}
    return e | moved


def which_path(places: list[Place]) -> str:
    """One sentence on all paths: which can work, which can in part, which cannot, which are not known."""
    said = []
    for verdict, words in VERDICTS.items():
        mine = [WAYS.get(p.path, p.path) for p in places if p.verdict == verdict]
        if mine:
            said.append(f"{' and '.join(mine)} {words}")
    return "; ".join(said) or "no path is known"


def sharp_share(delays_us: np.ndarray, speed_m_s: float, ahead_mm: float, field: Depth, level: float = 0.95) -> dict:
    """Share of firings that find the animal's middle in the depth of field, the beam so far ahead of the focus.

    At one speed along the lens's axis, to or from it: the nearer end of the depth counts on both sides. Interval:
    Clopper & Pearson 1934, Biometrika 26:404. {"value", "lo", "hi", "n", "level"}; value None without a firing.
    """
    from scipy.special import betaincinv

    lag = np.asarray(delays_us, float)
    lag = lag[np.isfinite(lag)]
    n = len(lag)
    if n == 0:
        return {"value": None, "n": 0, "need": 1, "text": "not enough data, n = 0, need about 1"}
    focus = 2 / (1 / field.near_mm + 1 / field.far_mm)  # exact for the thin lens; 1 / inf is 0
    side = min(focus - field.near_mm, field.far_mm - focus)
    k = int((np.abs(lag * speed_m_s * lead.US_PER_MM - ahead_mm) <= side).sum())
    tail = (1 - level) / 2
    lo = float(betaincinv(k, n - k + 1, tail)) if k else 0.0
    hi = float(betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
    return {"value": k / n, "lo": lo, "hi": hi, "n": n, "level": level}


def _value(e: dict[str, Any] | None) -> float | None:
    return None if e is None else e.get("value")


def _way(delay: Delay) -> str:
    return WAYS.get(delay.path, delay.path)


def _verdict(range_mm: float, body_mm: float, depth_mm: float | None) -> str:
    """works: range and body fit; partly: at least half of the range fits; cannot: not even that."""
    if depth_mm is None:
        return "unknown"
    if range_mm + body_mm <= depth_mm:
        return "works"
    return "partly" if range_mm <= 2 * depth_mm else "cannot"


def _words(delay: Delay, ahead: dict, needed: float, depth: float | None, verdict: str) -> str:
    n = ahead["n"]
    beam = f"{_way(delay)}: the beam belongs {ahead['value']:.3g} mm ahead of the focus"
    beam += f" ({ahead['lo']:.3g} to {ahead['hi']:.3g} mm by the delay, n = {n})"
    if depth is None:
        tail = f"the depth of field must cover {needed:.0f} mm; what it covers is not known"
    else:
        have = "all from its near end on" if math.isinf(depth) else f"{depth:.0f} mm"
        tail = {
            "works": f"{needed:.0f} mm of depth are needed and {have} are there: this way works",
            "partly": f"{needed:.0f} mm of depth are needed and {have} are there: part of the animals will be sharp",
            "cannot": f"{needed:.0f} mm of depth are needed and {have} are there: this way cannot work at this speed",
        }[verdict]
    late = f"; {delay.late_share:.1%} of the firings come later still" if delay.late_share else ""
    return f"{beam}; {tail}{late}"
