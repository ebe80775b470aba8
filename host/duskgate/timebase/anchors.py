"""Collects what ties board time to the world: clock chip seconds, settings of the chip, host clock readings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from duskgate.logfile.recording import Recording

# Bits of the clock state reading.
STOPPED, NO_CHIP, NO_WAVE, UNCONFIRMED = 1, 2, 4, 8
# Half width taken for a host clock reading that does not bring its own, us: a telephone or field laptop set by
# network time, read over a serial line. Common practice, no source.
HOST_UNC_US = 50_000.0
LARGEST_UNC_US = 86_400e6  # a host clock that is not known to a day ties nothing, and its square would leave a double
LATEST_MS = 1 << 43  # the year 2248: what lies beyond is no date, and would not fit the sums below


@dataclass
class BootAnchors:
    """Anchors of one boot; times ns since boot, clocks us since 1970."""

    rtc_ns: np.ndarray
    rtc_us: np.ndarray
    host_ns: np.ndarray
    host_us: np.ndarray
    host_unc_us: np.ndarray
    first_ns: int = 0
    last_ns: int = 0
    dropped: int = 0  # clock seconds that the board itself marked as unsure


@dataclass
class Jump:
    """The clock chip's time went forward by `jump_us` at this place; `told` by the log, or seen in its seconds."""

    boot: int
    t_ns: int
    jump_us: int
    told: bool


@dataclass
class Anchors:
    boots: list[BootAnchors]
    jumps: list[Jump] = field(default_factory=list)
    stops: list[tuple[int, int, bool]] = field(
        default_factory=list
    )  # (boot, t_ns, stopped) at every change of that bit


def collect(rec: Recording) -> Anchors:
    """All anchors of a recording. Seconds without a sure phase (no 1 Hz wave, not confirmed) are left out."""
    n = len(rec.boots)
    readings = rec.readings[rec.readings["kind"].isin(["rtc_unix_ms", "host_unix_ms", "host_unc_us", "clock_state"])]
    rtc = _columns(readings, "rtc_unix_ms")
    state = _columns(readings, "clock_state")
    bits = _at_same_place(rtc, state, 0)
    unsure = ((bits & (NO_CHIP | NO_WAVE | UNCONFIRMED)) != 0) | (rtc[2] < 0) | (rtc[2] > LATEST_MS)
    host = _hosts(readings, rec)
    spans = rec.boots[["first_ns", "last_ns"]].to_numpy(np.int64).reshape(-1, 2)
    stops = _stop_changes(rtc, bits)
    # two seconds at one tick cannot both have begun there; the first counts, as where two blocks contradict each other
    again = (np.diff(rtc[0], prepend=-1) == 0) & (np.diff(rtc[1], prepend=-1) == 0)
    dropped = np.bincount(rtc[0][unsure | again], minlength=n)
    rtc = tuple(column[~unsure & ~again] for column in rtc)
    cut = np.searchsorted(rtc[0], np.arange(n + 1))
    host_cut = np.searchsorted(host[0], np.arange(n + 1))
    boots = []
    for boot in range(n):
        a, b, c, d = cut[boot], cut[boot + 1], host_cut[boot], host_cut[boot + 1]
        first, last = spans[boot].tolist()
        hosts = (host[1][c:d], host[2][c:d], host[3][c:d])
        boots.append(BootAnchors(rtc[1][a:b], rtc[2][a:b] * 1000, *hosts, first, last, int(dropped[boot])))
    sets = zip(*(c.tolist() for c in _columns(rec.readings, "clock_set_ms")), strict=True)
    jumps = [Jump(boot, t, ms * 1000, True) for boot, t, ms in sets if abs(ms) <= LATEST_MS]
    return Anchors(boots, jumps, stops)


def _columns(readings: pd.DataFrame, kind: str) -> tuple[np.ndarray, ...]:
    """boot, t_ns, value of one kind, in time order."""
    rows = readings[readings["kind"] == kind]
    columns = tuple(rows[name].to_numpy(np.int64) for name in ("boot", "t_ns", "value"))
    order = np.lexsort((columns[1], columns[0]))
    return tuple(column[order] for column in columns)


def _at_same_place(where: tuple[np.ndarray, ...], rows: tuple[np.ndarray, ...], missing: int) -> np.ndarray:
    """Value of `rows` with the same boot and time as each of `where`."""
    here = pd.MultiIndex.from_arrays(rows[:2])
    values = pd.Series(rows[2], index=here)
    values = values[~here.duplicated()]
    return values.reindex(pd.MultiIndex.from_arrays(where[:2]), fill_value=missing).to_numpy(np.int64)


def _stop_changes(rtc: tuple[np.ndarray, ...], bits: np.ndarray) -> list[tuple[int, int, bool]]:
    stopped = (bits & STOPPED) != 0
    change = np.flatnonzero(np.diff(stopped.astype(np.int8), prepend=0))
    return [(int(rtc[0][i]), int(rtc[1][i]), bool(stopped[i])) for i in change]


def _hosts(readings: pd.DataFrame, rec: Recording) -> tuple[np.ndarray, ...]:
    """boot, t_ns, us, half width us: those in the log and those that the pull wrote into the file's header."""
    boot, t_ns, ms = _columns(readings, "host_unix_ms")
    sound = (ms > 0) & (ms <= LATEST_MS)
    boot, t_ns, ms = boot[sound], t_ns[sound], ms[sound]
    unc = _at_same_place((boot, t_ns, ms), _columns(readings, "host_unc_us"), -1).astype(float)
    rows = [(boot, t_ns, ms * 1000, np.where(unc > 0, unc, HOST_UNC_US))]
    found = [row for header in rec.headers for row in _header_rows(header, rec.boots)]
    if found:
        b, t, us, u = zip(*sorted(set(found)), strict=True)
        rows.append((np.array(b), np.array(t, np.int64), np.array(us, np.int64), np.array(u, float)))
    joined = tuple(np.concatenate(parts) for parts in zip(*rows, strict=True))
    order = np.lexsort((joined[1], joined[0]))
    return tuple(column[order] for column in joined)


def _header_rows(header: dict, boots: pd.DataFrame) -> list[tuple[int, int, int, float]]:
    places = {int(b.boot_id): (int(b.boot), int(b.tick_fs)) for b in boots.itertuples(index=False)}
    entries = header.get("host_clock")
    out = []
    for entry in entries if isinstance(entries, list) else ():
        try:
            boot, tick_fs = places[entry["boot_id"]]
            tick, utc, unc = int(entry["tick"]), int(entry["utc_us"]), float(entry["unc_us"])
        except (KeyError, TypeError, ValueError, OverflowError):
            continue  # a boot that is not in these files, or a damaged entry: no anchor
        if 0 <= tick < 1 << 48 and 0 < utc < 1 << 55 and 0 <= unc <= LARGEST_UNC_US:
            out.append((boot, tick * tick_fs // 10**6, utc, max(unc, 1000.0)))
    return out
