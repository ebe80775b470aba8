"""How fast a clock chip gains or loses, from comparisons of it with computers' clocks. Pure."""

from __future__ import annotations

from dataclasses import dataclass

SHORTEST_S = 3600.0  # two comparisons closer than this say nothing about parts in a million
MOST_PPM = 200.0  # no chip in order is so wrong: it was set in between, or a computer's clock was


@dataclass(frozen=True)
class Comparison:
    """The chip was `offset_s` ahead of a computer's clock at `utc_s`, give or take `unc_s`."""

    utc_s: float
    offset_s: float
    unc_s: float


@dataclass(frozen=True)
class Drift:
    """Gain of the chip in parts in a million with its interval; `text` says why there is none where ppm is None."""

    ppm: float | None
    low: float = 0.0
    high: float = 0.0
    days: float = 0.0
    n: int = 0
    text: str = ""

    def __str__(self) -> str:
        if self.ppm is None:
            return f"drift not known: {self.text}"
        a_day = self.ppm * 0.0864
        return (
            f"drift {self.ppm:+.2f} ppm ({self.low:+.2f} to {self.high:+.2f}, n = 2 comparisons, "
            f"{self.days:.1f} days apart), "
            f"{a_day:+.2f} s a day, if it was not set after the last pull"
        )


def drift(now: Comparison, earlier: list[Comparison], set_at_s: float | None = None) -> Drift:
    """Drift since the earliest comparison after the chip was last set (`set_at_s`, where that is known)."""
    since = [c for c in earlier if set_at_s is None or c.utc_s >= set_at_s]
    if not since:
        return Drift(None, text="no earlier comparison with a computer since it was set is in the logbook")
    first = min(since, key=lambda c: c.utc_s)
    span = now.utc_s - first.utc_s
    if span < SHORTEST_S:
        return Drift(None, text="the last comparison is less than an hour old")
    ppm = (now.offset_s - first.offset_s) / span * 1e6
    half = (now.unc_s + first.unc_s) / span * 1e6
    if abs(ppm) - half > MOST_PPM:
        return Drift(None, text="it was set since the last comparison in the logbook, or a computer's clock was wrong")
    return Drift(ppm, ppm - half, ppm + half, span / 86_400, len(since) + 1)
