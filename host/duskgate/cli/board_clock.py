"""The board's clock against this computer's, to some milliseconds, by watching its seconds begin."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

LONGEST_S = 3.5  # a second has begun within this time, or the clock does not run
OLDEST_COMPUTER_S = 1_735_689_600  # 2025-01-01: a computer whose clock is before it has lost its time


@dataclass(frozen=True)
class ClockReading:
    """The chip's clock was `offset_s` ahead of the computer's at `utc_s`, give or take `unc_s`."""

    utc_s: float
    offset_s: float
    unc_s: float


def read_clock(link: Any, longest_s: float = LONGEST_S) -> ClockReading | None:
    """Ask for the state until a new second begins: it began between two answers. None where none is confirmed."""
    clock = link.clock
    end = clock.monotonic() + longest_s
    before_ns = clock.time_ns()
    second = link.state().get("clock_second")
    while clock.monotonic() < end:
        asked_ns = clock.time_ns()
        now = link.state().get("clock_second")
        told_ns = clock.time_ns()
        if isinstance(now, int) and isinstance(second, int) and now == second + 1:
            # the fall came after the earlier question was sent and before the later one was answered
            middle, half = (before_ns + told_ns) / 2e9, (told_ns - before_ns) / 2e9
            return ClockReading(middle, now - middle, half)
        second, before_ns = now, asked_ns
        clock.sleep(0.01)
    return None


def comparisons(logbook: Path, board: str) -> tuple[list[Any], float | None]:
    """Comparisons of the chip with computers in the logbook, and when it was set last (UTC s; None: not there)."""
    from ..logfile import decode
    from ..logfile.archive import Logbook
    from ..ready.drift import Comparison
    from ..timebase.clock import fit_clock

    files = [path for path in Logbook(logbook).files() if board.lower() in path.stem] if logbook.is_dir() else []
    if not files:
        return [], None
    rec = decode.read_dgl_files(files)
    fitted = fit_clock(rec)
    rows = {int(b): row for row, b in enumerate(rec.boots["boot_id"])}
    out = []
    for header in rec.headers:
        for told in header.get("host_clock") or []:
            row = rows.get(told.get("boot_id"))
            chip = fitted.chip[row] if row is not None else None
            if row is None or chip is None:
                continue
            t_ns = told["tick"] * int(rec.boots["tick_fs"].iloc[row]) // 1_000_000
            offset = float(chip.at(t_ns)) - told["utc_us"]
            out.append(Comparison(told["utc_us"] / 1e6, offset / 1e6, told["unc_us"] / 1e6))
    sets = rec.reading("clock_set_ms")
    last = fitted.utc_us(sets["boot"].to_numpy(), sets["t_ns"].to_numpy()).max() / 1e6 if len(sets) else None
    return out, last
