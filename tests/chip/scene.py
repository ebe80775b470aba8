"""Edges to be played on the input pins, with their exact times. Seeded; all of it invented."""

from dataclasses import dataclass

import numpy as np

FIRST_INPUT = 2  # GP2 is channel 0, as firmware/wiring.py has it
CHANNELS = 7  # BEAM .. FLASH4; SECOND is the clock chip's own wire
TICK_US = 0.072  # 9 cycles of 125 MHz


@dataclass(frozen=True)
class Edges:
    """Times (us from the scene's begin, rising), channels 0..6, levels (1: active, the wire is low)."""

    t_us: np.ndarray
    channel: np.ndarray
    level: np.ndarray

    def __len__(self) -> int:
        return len(self.t_us)

    @property
    def end_us(self) -> float:
        return float(self.t_us[-1])

    def as_scene(self) -> dict:
        rows = zip(self.t_us.tolist(), self.channel.tolist(), self.level.tolist(), strict=True)
        return {"origin": "now", "edges": [{"pin": FIRST_INPUT + c, "level": 1 - a, "t_us": t} for t, c, a in rows]}


def from_channels(t_us: np.ndarray, channel: np.ndarray) -> Edges:
    """Each edge changes its channel; all rest before the first. An odd edge too many is put back at the end."""
    level = np.zeros(len(channel), np.int64)
    back_t, back_c = [], []
    for number in range(CHANNELS):
        mine = channel == number
        level[mine] = (np.arange(mine.sum()) + 1) % 2
        if mine.sum() % 2:
            back_t.append(t_us[-1] + 5000.0 * (1 + len(back_t)))
            back_c.append(number)
    return Edges(
        np.concatenate([t_us, back_t]),
        np.concatenate([channel, np.array(back_c, np.int64)]),
        np.concatenate([level, np.zeros(len(back_c), np.int64)]),
    )


def spread(seed: int, n: int, least_us: float, most_us: float, begin_us: float = 200_000.0) -> Edges:
    """`n` edges on all channels, the pauses between them even in `least_us`..`most_us`, times in whole nanoseconds."""
    rng = np.random.default_rng(seed)
    t = begin_us + np.cumsum(rng.uniform(least_us, most_us, n))
    return from_channels(np.round(t, 3), rng.integers(0, CHANNELS, n))


def burst(n: int, spacing_us: float, begin_us: float = 200_000.0) -> Edges:
    """`n` edges one after the other at an even spacing, channel after channel."""
    return from_channels(np.round(begin_us + spacing_us * np.arange(n), 3), np.arange(n) % CHANNELS)


def chatter(seed: int, channel: int, n: int, least_us: float, most_us: float, begin_us: float) -> Edges:
    """`n` edges of one channel."""
    rng = np.random.default_rng(seed)
    t = begin_us + np.cumsum(rng.uniform(least_us, most_us, n))
    return from_channels(np.round(t, 3), np.full(n, channel))
