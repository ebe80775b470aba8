"""How far an animal flies between breaking the beam and the light, and so how far ahead of the focus the beam belongs.

Speed in m/s, delays in microseconds, ways in mm: way = speed x delay. Estimates are dicts with value, lo, hi, n.
"""

from __future__ import annotations

from typing import Any

import numpy as np

US_PER_MM = 1e-3  # 1 m/s for 1 us is 0.001 mm


def way_mm(speed_m_s: float, delay_us: float) -> float:
    """Way flown in mm. Raises ValueError for a negative speed."""
    if speed_m_s < 0:
        raise ValueError("a speed must not be negative")
    return speed_m_s * delay_us * US_PER_MM


def way_estimate(speed_m_s: float, delay: dict[str, Any]) -> dict[str, Any]:
    """The same of an estimate of a delay (us): value, lo and hi in mm, n and level kept. A lacking one stays lacking.

    The interval is that of the delay alone, at this very speed: a doubtful speed widens it in proportion.
    """
    return {k: way_mm(speed_m_s, v) if k in ("value", "lo", "hi", "seen") and v is not None else v
            for k, v in delay.items()}  # fmt: skip


def spread_mm(speed_m_s: float, delays_us: np.ndarray, share: float = 0.9) -> dict[str, Any]:
    """Range of places in which the middle `share` of the firings find the animal, mm past the beam, and its width.

    delays_us: one per firing. {"from_mm", "to_mm", "width_mm", "share", "n"}; None in them below 20 firings, where the
    ends of the middle 90 % rest on single ones.
    """
    lag = np.asarray(delays_us, float)
    lag = lag[np.isfinite(lag)]
    out: dict[str, Any] = {"from_mm": None, "to_mm": None, "width_mm": None, "share": share, "n": len(lag)}
    if len(lag) < 20:
        return out
    lo, hi = (way_mm(speed_m_s, float(q)) for q in np.quantile(lag, [(1 - share) / 2, (1 + share) / 2]))
    return out | {"from_mm": lo, "to_mm": hi, "width_mm": hi - lo}
