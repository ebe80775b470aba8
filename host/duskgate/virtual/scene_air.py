"""Temperature, supply, crystal and clock chip of an invented night, and the map between true and board time."""

from dataclasses import dataclass

import numpy as np

from .scene_plan import Air, NightPlan

AT_DEGC = 25.0  # temperature at which a crystal's offset is stated


def temperature_degc(air: Air, hours: float, at_s: np.ndarray) -> np.ndarray:
    """Cooling towards dawn, fast at first, with a small slow swing; (n,) degrees at (n,) seconds."""
    share = np.asarray(at_s) / (hours * 3600.0)
    fall = (1.0 - np.exp(-2.2 * share)) / (1.0 - np.exp(-2.2))
    return air.start_degc - air.fall_k * fall + 0.25 * np.sin(2.0 * np.pi * 5.0 * share)


def crystal_ppm(air: Air, degc: np.ndarray) -> np.ndarray:
    """Parts per million by which the board's crystal runs fast."""
    off = np.asarray(degc) - AT_DEGC
    return air.crystal_ppm + air.crystal_ppm_per_k * off + air.crystal_ppm_per_k3 * off**3


@dataclass(frozen=True)
class SceneTime:
    """True seconds since the scene's start against board nanoseconds, at a grid of a few seconds."""

    true_s: np.ndarray
    board_ns: np.ndarray  # float64; a 10 h night stays exact to some nanoseconds

    def board(self, true_s) -> np.ndarray:
        """Board nanoseconds, int64, of true seconds."""
        return np.rint(np.interp(true_s, self.true_s, self.board_ns)).astype(np.int64)

    def true(self, board_ns) -> np.ndarray:
        """True seconds of board nanoseconds."""
        return np.interp(board_ns, self.board_ns, self.true_s)


def scene_time(plan: NightPlan) -> SceneTime:
    """Integral of the crystal's rate over the night."""
    end_s = plan.hours * 3600.0
    grid = np.linspace(0.0, end_s, int(end_s / 4.0) + 2)
    ppm = crystal_ppm(plan.air, temperature_degc(plan.air, plan.hours, grid))
    rate = 1e9 * (1.0 + 1e-6 * ppm)
    steps = 0.5 * (rate[1:] + rate[:-1]) * np.diff(grid)
    return SceneTime(grid, np.concatenate([[0.0], np.cumsum(steps)]))


def clock_seconds(plan: NightPlan, every_s: float = 60.0) -> tuple[np.ndarray, np.ndarray]:
    """Seconds of the clock chip, about one a minute: (unix int64, true seconds since start at which they begin)."""
    start = plan.start.timestamp()
    rate = 1.0 + plan.air.clock_ppm * 1e-6
    shown = start + plan.air.clock_ahead_ms / 1e3
    first = int(np.ceil(shown))
    unix = np.arange(first, int(shown + plan.hours * 3600.0 * rate), int(every_s), dtype=np.int64)
    true_s = (unix - shown) / rate
    inside = true_s <= plan.hours * 3600.0
    return unix[inside], true_s[inside]


def supply_mv(plan: NightPlan, at_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Supply of the logger: quick first sag, long slope, and the reading's own noise; int64 millivolts."""
    share = np.asarray(at_s) / (plan.hours * 3600.0)
    fall = plan.air.supply_fall_mv * (0.25 * (1.0 - np.exp(-9.0 * share)) + 0.75 * share)
    noise = plan.air.supply_noise_mv * rng.standard_normal(len(share))
    return np.rint(plan.air.supply_mv - fall + noise).astype(np.int64)
