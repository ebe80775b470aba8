"""Nights of known time for the clock's tests: invented crystals, an invented chip, readings as a board logs them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from duskgate.logfile.recording import Recording, table

NIGHT_S = 12 * 3600
START_US = 1_781_000_000_000_000
HOST_SD_US = 20_000.0


@dataclass
class Truth:
    """Board seconds of the night's one time axis to true UTC, and to what the clock chip showed, both us."""

    t_s: np.ndarray
    utc_us: np.ndarray
    chip_us: np.ndarray

    def utc(self, boot_start_s: float, t_ns: np.ndarray) -> np.ndarray:
        return np.interp(boot_start_s + t_ns / 1e9, self.t_s, self.utc_us)

    def chip(self, boot_start_s: float, t_ns: np.ndarray) -> np.ndarray:
        return np.interp(boot_start_s + t_ns / 1e9, self.t_s, self.chip_us)


def truth(rng: np.random.Generator, hours: float = 12) -> Truth:
    """A board crystal some 20 ppm off with a temperature term, 11 K of cooling, a chip within 2 ppm."""
    t = np.arange(0, hours * 3600 + 60, 10.0)
    cooling = 11 * (1 - np.exp(-t / rng.uniform(2.5, 5) / 3600)) / (1 - np.exp(-4))
    temperature = 22 - cooling + 0.3 * np.sin(t / 1700 + rng.uniform(0, 6))
    board = rng.normal(0, 20) - 0.035 * (temperature - 25) ** 2 + rng.uniform(-0.2, 0.2) * (temperature - 22)
    chip = rng.uniform(-2, 2) - 0.01 * (temperature - 24) ** 2
    dt = np.diff(t, prepend=0)
    utc = np.cumsum(dt * (1 - board * 1e-6)) * 1e6
    shown = np.cumsum(dt * (1 - board * 1e-6) * (1 + chip * 1e-6)) * 1e6 + rng.uniform(-40e6, 40e6)
    return Truth(t, START_US + utc, START_US + shown)


@dataclass
class Night:
    rec: Recording
    truth: Truth
    starts_s: list[float]
    lengths_s: list[float]


def night(
    seed: int, every_s: float = 60, bad: float = 0.05, resets: int = 2, hosts: int = 2, jitter_us: float = 2000,
    rtc: bool = True, hours: float = 12,
) -> Night:  # fmt: skip
    rng = np.random.default_rng(seed)
    real = truth(rng, hours)
    cuts = np.sort(rng.uniform(0.1, 0.9, resets)) * hours * 3600
    starts = [0.0, *(cuts + 3).tolist()]
    ends = [*cuts.tolist(), hours * 3600.0]
    rows: list[tuple[int, int, str, int]] = []
    for boot, (start, end) in enumerate(zip(starts, ends, strict=True)):
        t_ns = (np.arange(rng.uniform(0, min(every_s, 60)), end - start, every_s) * 1e9).astype(np.int64)
        shown = real.chip(start, t_ns) + rng.uniform(-jitter_us, jitter_us, len(t_ns))
        wrong = rng.random(len(t_ns)) < bad
        sizes = rng.choice([-1, 1], len(t_ns)) * np.exp(rng.uniform(np.log(2e4), np.log(2e6), len(t_ns)))
        shown = np.where(wrong, shown + sizes, shown)
        if rtc:
            rows += [(boot, int(t), "rtc_unix_ms", round(ms / 1000)) for t, ms in zip(t_ns, shown, strict=True)]
    for k, (boot, at) in enumerate([(0, 30.0), (len(starts) - 1, ends[-1] - starts[-1] - 30)][:hosts]):
        t_ns = int(at * 1e9)
        utc = real.utc(starts[boot], np.array([t_ns]))[0] + rng.normal(0, HOST_SD_US)
        rows.append((boot, t_ns, "host_unix_ms", round(utc / 1000)))
        assert k < 2
    return Night(recording(rows, [e - s for s, e in zip(starts, ends, strict=True)]), real, starts, ends)


def recording(
    rows: list[tuple[int, int, str, int]], lengths_s: list[float], causes: list[str] | None = None
) -> Recording:
    rows = sorted(rows, key=lambda row: row[:2])
    columns = list(zip(*rows, strict=True)) or [[], [], [], []]
    n = len(lengths_s)
    readings = table(
        "readings", boot=columns[0], t_ns=columns[1], kind=columns[2], value=columns[3], index=[0] * len(rows)
    )
    boots = table(
        "boots", boot=range(n), boot_id=[100 + i for i in range(n)], boot_no=range(n), first_ns=[0] * n,
        cause=causes or ["power-on"] * n, last_ns=[int(s * 1e9) for s in lengths_s], levels=[0] * n, stopped=[0] * n,
        firmware=[""] * n, interpreter=[""] * n, interpreter_version=[""] * n, tick_fs=[72_000_000] * n,
        low_mask=[127] * n, channel_mask=[127] * n, board=[""] * n,
    )  # fmt: skip
    return Recording(readings=readings, boots=boots)
