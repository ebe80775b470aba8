"""Places boots without any anchor between their neighbours, with the room that is left as uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SELF_CAUSES = ("watchdog", "asked", "program fault")  # the board restarted by itself: power was never off
# From the last record that reached the store to the start of the next boot: at most 10 s of records in RAM, then
# the watchdog's time and the start-up of the program.
RESTART_S = (0.0, 30.0)


@dataclass
class Place:
    start_us: float
    half_width_us: float


def place(
    start_us: np.ndarray, length_us: np.ndarray, causes: list[str], not_after_us: float = np.inf
) -> list[Place | None]:
    """Start of each boot that has none (start_us NaN), or None where nothing bounds it.

    start_us, length_us: UTC start and length per boot, in time order; causes: why each boot began;
    not_after_us: the log was pulled then, so every boot had ended.
    """
    n = len(start_us)
    earliest, latest = np.full(n, -np.inf), np.full(n, np.inf)
    for i in range(n):
        if not np.isnan(start_us[i]):
            earliest[i] = latest[i] = start_us[i]
        elif i:
            earliest[i] = earliest[i - 1] + length_us[i - 1] + (RESTART_S[0] if causes[i] in SELF_CAUSES else 0) * 1e6
            if causes[i] in SELF_CAUSES:
                latest[i] = latest[i - 1] + length_us[i - 1] + RESTART_S[1] * 1e6
    bound = not_after_us
    for i in range(n - 1, -1, -1):
        if np.isnan(start_us[i]):
            follows = i + 1 < n and causes[i + 1] in SELF_CAUSES
            latest[i] = max(min(latest[i], bound - length_us[i]), earliest[i])
            if follows:
                earliest[i] = max(earliest[i], min(earliest[i + 1] - length_us[i] - RESTART_S[1] * 1e6, latest[i]))
        bound = latest[i]
    return [_middle(low, high) for low, high in zip(earliest.tolist(), latest.tolist(), strict=True)]


def _middle(low: float, high: float) -> Place | None:
    if not (np.isfinite(low) and np.isfinite(high)):
        return None
    return Place((low + high) / 2, (high - low) / 2)
