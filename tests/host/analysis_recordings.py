"""Small recordings written by hand, for the edge cases of the analysis, and a clock that is exactly right."""

from dataclasses import dataclass, field

import numpy as np
from duskgate.fields import CHANNELS
from duskgate.logfile.recording import Recording, table

UTC0 = 1_784_399_400_000_000  # 2026-07-18T18:30:00Z
NS = 1_000_000_000


@dataclass
class ExactClock:
    """Board time plus a start for each boot; a boot without start is of unknown time."""

    starts_s: list[float | None] = field(default_factory=lambda: [0.0])

    @property
    def state(self) -> list[str]:
        return ["unknown" if s is None else "anchored" for s in self.starts_s]

    def utc_us(self, boot, t_ns) -> np.ndarray:
        starts = np.array([(UTC0 + round(s * 1e6)) if s is not None else 0 for s in self.starts_s], np.int64)
        return starts[np.asarray(boot)] + np.asarray(t_ns, np.int64) // 1000

    def unc_us(self, boot, t_ns) -> np.ndarray:
        return np.full(np.shape(t_ns), 5000.0)


def pulses(*spans: tuple[float, float]) -> list[tuple[float, int]]:
    """(time s, level) of pulses given as (start, end)."""
    return [edge for start, end in spans for edge in ((start, 1), (end, 0))]


def recording(
    *boots: dict[str, list[tuple[float, int]]],
    length_s: float | list[float] = 3600.0,
    channels: tuple[str, ...] = ("BEAM", "FLASH1"),
    levels: list[int] | None = None,
    causes: list[str] | None = None,
    readings: list[tuple[int, float, str, int]] = (),  # type: ignore[assignment]
    notes: list[tuple[int, float, str, int]] = (),  # type: ignore[assignment]
    blind: list[tuple[int, float, float, str]] = (),  # type: ignore[assignment]
    chatter: dict | None = None,
) -> Recording:
    """A recording of boots, each {channel: [(time s, level), ...]}."""
    rows = [
        (boot, round(t * NS), CHANNELS.index(name), level)
        for boot, edges in enumerate(boots)
        for name, changes in edges.items()
        for t, level in changes
    ]
    rows.sort()
    n = len(boots)
    lengths = length_s if isinstance(length_s, list) else [length_s] * n
    mask = sum(1 << CHANNELS.index(name) for name in channels)
    nothing = [""] * n
    return Recording(
        edges=table("edges", **_columns(rows, ("boot", "t_ns", "channel", "level"))),
        readings=table(
            "readings",
            **_columns(
                [(b, round(t * NS), k, v, 0) for b, t, k, v in readings], ("boot", "t_ns", "kind", "value", "index")
            ),
        ),
        notes=table(
            "notes",
            **_columns(
                [(b, round(t * NS), w, h, "") for b, t, w, h in notes], ("boot", "t_ns", "what", "head", "text")
            ),
        ),
        blind=table(
            "blind",
            **_columns(
                [(b, round(x * NS), round(y * NS), w) for b, x, y, w in blind], ("boot", "from_ns", "to_ns", "why")
            ),
        ),
        chatter=table("chatter", **(chatter or {})),
        boots=table(
            "boots",
            boot=np.arange(n),
            boot_id=np.arange(n) + 1,
            boot_no=np.arange(n),
            cause=causes or ["power-on"] * n,
            first_ns=np.zeros(n),
            last_ns=[round(s * NS) for s in lengths],
            levels=levels or [0] * n,
            stopped=np.zeros(n),
            firmware=nothing,
            interpreter=nothing,
            interpreter_version=nothing,
            tick_fs=np.full(n, 72_000_000),
            low_mask=np.zeros(n),
            channel_mask=np.full(n, mask),
            board=nothing,
        ),
    )


def _columns(rows: list[tuple], names: tuple[str, ...]) -> dict:
    return {name: [row[i] for row in rows] for i, name in enumerate(names)}


def visit(start: float, n: int = 3, broken: float = 0.1, clear: float = 0.15) -> list[tuple[float, float]]:
    """Breaks of one visit."""
    return [(start + k * (broken + clear), start + k * (broken + clear) + broken) for k in range(n)]


def lights(*starts: float, delay: float = 0.0035) -> list[tuple[float, int]]:
    """Light pulses that answer breaks at `starts`."""
    return pulses(*[(t + delay, t + delay + 5e-4) for t in starts])
