"""Board time to UTC: one monotone map per boot, with its uncertainty and with where it comes from.

Order of trust: the board's ticks for intervals, the clock chip's seconds through the night, the host's clock for the
absolute. Nothing is guessed silently: a boot without anchors is placed by its neighbours, or its time is unknown.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from duskgate.errors import ahead_text
from duskgate.timebase.anchors import Anchors, BootAnchors, Jump, collect
from duskgate.timebase.line import Line, line, straight
from duskgate.timebase.placing import place
from duskgate.timebase.steady import Steady, judge
from duskgate.timebase.tie import Tie, tie

if TYPE_CHECKING:
    from duskgate.logfile.recording import Recording

STATES = ("anchored", "neighbours", "unknown")
# DS3231 data sheet (Maxim 19-5170): +-2 ppm 0..40 degC, +-3.5 ppm -40..85 degC.
CHIP_DRIFT = 3.5e-6
BOARD_DRIFT = 50e-6  # +-30 ppm crystal, with temperature
BOARD_WANDER = 5e-6  # and how far it strays from a straight line through a night's cooling
KNOWN_DRIFT = 10e-6  # the same board's crystal once its rate was measured in another boot
UNCHECKED_US = 150_000.0  # one or two anchors cannot show that one of them is bad
CHIP_ALONE_US = 60e6  # a clock chip never compared with a host's clock: tens of seconds are usual
SET_US = 500_000.0  # setting the chip to whole seconds by a host, the line's delay included
UNKNOWN_GAP_US = 1_000_000
OUT_OF_ORDER = 2 * BOARD_DRIFT  # no two crystals in order differ by so much
FAR_OFF_S = CHIP_ALONE_US / 1e6  # a chip that is further from the host's clock is told


@dataclass
class ClockMap:
    """utc_us(boot, t_ns) and unc_us(boot, t_ns) for every boot of a recording.

    state: per boot "anchored", "neighbours" or "unknown". Boots of unknown time follow each other from 1970 on, so
    that their intervals can still be used; their uncertainty is infinite. `table` has one row per boot: n_rtc anchors
    seen, n_kept believed, n_host, rate_ppm of the board's crystal against UTC, unc_us in the boot's middle, flags.
    `notes` are sentences for a person.
    """

    lines: list[Line]
    unc: list[tuple[np.ndarray, np.ndarray, float]]
    state: list[str]
    table: pd.DataFrame
    notes: list[str] = field(default_factory=list)
    chip: list[Line | None] = field(default_factory=list)  # per boot: board time to the clock chip, before the tie

    def utc_us(self, boot: np.ndarray | int, t_ns: np.ndarray | int) -> np.ndarray:
        """UTC in us (int64). boot and t_ns broadcast; values of unknown boots are not UTC (see `state`)."""
        return self._each(boot, t_ns, np.int64, lambda b, t: self.lines[b].at(t))

    def unc_us(self, boot: np.ndarray | int, t_ns: np.ndarray | int) -> np.ndarray:
        """Half width of the uncertainty of utc_us in us (float64), infinite where the time is unknown."""
        return self._each(boot, t_ns, np.float64, self._unc_of)

    def _unc_of(self, boot: int, t_ns: np.ndarray) -> np.ndarray:
        knots, unc, growth = self.unc[boot]
        t = t_ns.astype(float)
        outside = np.maximum(knots[0] - t, 0) + np.maximum(t - knots[-1], 0)
        return np.interp(t, knots, unc) + outside / 1000 * growth

    @staticmethod
    def _each(boot, t_ns, dtype, function) -> np.ndarray:
        boot, t_ns = np.broadcast_arrays(np.asarray(boot), np.asarray(t_ns, np.int64))
        flat_boot, flat_t = boot.ravel(), t_ns.ravel()
        out = np.empty(len(flat_t), dtype)
        if len(flat_t) and flat_boot.min() == flat_boot.max():
            out[:] = function(int(flat_boot[0]), flat_t)
            return out.reshape(t_ns.shape)
        order = None if np.all(flat_boot[1:] >= flat_boot[:-1]) else np.argsort(flat_boot, kind="stable")
        sorted_boot = flat_boot if order is None else flat_boot[order]
        cuts = np.flatnonzero(np.diff(sorted_boot, prepend=-1, append=-1))
        for a, b in pairwise(cuts):
            where = slice(a, b) if order is None else order[a:b]
            out[where] = function(int(sorted_boot[a]), flat_t[where])
        return out.reshape(t_ns.shape)


@dataclass(eq=False)
class _Boot:
    """Work sheet of one boot. Compared by identity: it holds arrays."""

    anchors: BootAnchors
    epoch: int
    steady: Steady | None = None
    chip: Line | None = None
    line: Line | None = None
    unc: tuple[np.ndarray, np.ndarray, float] = field(default_factory=lambda: (np.zeros(1), np.full(1, np.inf), 0.0))
    state: str = "unknown"
    flags: list[str] = field(default_factory=list)


def fit_clock(rec: Recording) -> ClockMap:
    """Fit the map of every boot of a recording."""
    found = collect(rec)
    boots = [_Boot(anchors, epoch) for anchors, epoch in zip(found.boots, _epochs(found), strict=True)]
    _apply_jumps(boots, found.jumps)
    rate = _judge_all(boots, found.jumps)
    notes: list[str] = []
    for epoch in sorted({boot.epoch for boot in boots}):
        mine = [b for b in boots if b.epoch == epoch]
        _tie_epoch(mine, _doubted(found, boots, epoch), found.jumps, boots, notes, _drift(rate, notes))
    for boot in boots:
        if boot.line is None and len(boot.anchors.host_ns):
            _tie_directly(boot, rate, notes)
    _place_rest(boots, rec, rate)
    return _finish(boots, notes)


def _epochs(found: Anchors) -> list[int]:
    """A clock chip that stopped starts a new time scale, which nothing connects with the one before it."""
    starts = []
    since = (-1, 0)
    for boot, t_ns, stopped in found.stops:
        set_meanwhile = any(since <= (jump.boot, jump.t_ns) <= (boot, t_ns) for jump in found.jumps)
        if stopped or not set_meanwhile:
            starts.append(boot)
        since = (boot, t_ns)
    return [sum(start <= boot for start in starts) for boot in range(len(found.boots))]


def _doubted(found: Anchors, boots: list[_Boot], epoch: int) -> bool:
    """True where the chip's time began with a stopped oscillator and nobody set it since."""
    mine = [i for i, boot in enumerate(boots) if boot.epoch == epoch]
    began = any(stopped and boot == mine[0] for boot, _, stopped in found.stops)
    return began and not any(jump.told and jump.boot in mine for jump in found.jumps)


def _apply_jumps(boots: list[_Boot], jumps: list[Jump]) -> None:
    """Brings all chip seconds of a time scale onto the scale after its last jump."""
    for jump in jumps:
        for number, boot in enumerate(boots):
            if boot.epoch == boots[jump.boot].epoch and number <= jump.boot:
                before = boot.anchors.rtc_ns <= (jump.t_ns if number == jump.boot else 1 << 62)
                boot.anchors.rtc_us = boot.anchors.rtc_us + np.where(before, jump.jump_us, 0)


def _judge_all(boots: list[_Boot], jumps: list[Jump]) -> float | None:
    """Judges the anchors of every boot; returns the board's usual rate (s/s above nominal) if any boot shows it."""
    rates = []
    late = []
    for number, boot in enumerate(boots):
        if len(boot.anchors.rtc_ns) > 2:
            late += _judge_one(number, boot, jumps, None)
            rates.append(boot.steady.rate)
    usual = float(np.median(rates)) if rates else None
    for number, boot in enumerate(boots):
        if 0 < len(boot.anchors.rtc_ns) <= 2:
            _judge_one(number, boot, jumps, usual)
    _apply_jumps(boots, late)
    for boot in boots:
        if boot.steady is not None:
            keep = boot.steady.keep
            a = boot.anchors
            boot.chip = line(a.rtc_ns[keep], a.rtc_us[keep], boot.steady.slope_in, boot.steady.slope_out)
    return usual


def _judge_one(number: int, boot: _Boot, jumps: list[Jump], usual: float | None) -> list[Jump]:
    """Fills boot.steady; returns what the chip's seconds say beyond the jumps that the log told."""
    a = boot.anchors
    t_s = a.rtc_ns / 1e9
    y_s = (a.rtc_us - a.rtc_us[0]) / 1e6 - (t_s - t_s[0])
    told = [int(np.searchsorted(a.rtc_ns, j.t_ns, side="right")) for j in jumps if j.boot == number]
    boot.steady = judge(t_s, y_s, usual, [at for at in told if 0 < at < len(t_s)])
    if boot.steady.doubtful:
        boot.flags.append("most clock seconds contradict each other")
    out = []
    for at, size in boot.steady.steps:
        # shifts what is before the step: from halfway between the anchors on both sides of it
        middle = int(a.rtc_ns[at - 1] + (a.rtc_ns[at] - a.rtc_ns[at - 1]) // 2)
        out.append(Jump(number, middle, round(size * 1e6), at in told))
        if at not in told:
            boot.flags.append(f"the clock chip jumped by {size:+.3f} s without a note in the log")
    return out


def _drift(rate: float | None, notes: list[str]) -> float:
    """How far the chip's rate may be off; where it and the board's crystal contradict each other, by all of that."""
    if rate is None or abs(rate) <= OUT_OF_ORDER:
        return CHIP_DRIFT
    said = (
        f"the clock chip and the board's crystal run {abs(rate) * 1e6:.0f} ppm apart, so one of them is out of order: "
        f"{abs(rate) * 3600:.2g} s may be wrong for each hour from the nearest comparison with a computer"
    )
    if said not in notes:
        notes.append(said)
    return abs(rate) + CHIP_DRIFT


def _tie_epoch(
    mine: list[_Boot], doubted: bool, jumps: list[Jump], boots: list[_Boot], notes: list[str], drift: float
) -> None:
    """UTC for all boots of one time scale of the clock chip. drift: how far its rate may be off."""
    mine = [boot for boot in mine if boot.chip is not None]
    if not mine:
        return
    clock = [boot.chip.at(boot.anchors.host_ns) for boot in mine]
    clock_us = np.concatenate(clock)
    if len(clock_us):
        utc = np.concatenate([boot.anchors.host_us for boot in mine])
        fit = tie(clock_us, utc, np.concatenate([boot.anchors.host_unc_us for boot in mine]), drift)
        notes += [*fit.notes, *_far_off(clock_us, utc)]
    elif doubted:
        for boot in mine:
            boot.flags.append("the clock chip had stopped and was not set since")
        return
    else:
        fit = _chip_alone(mine, jumps, boots, drift)
    for boot in mine:
        _lay(boot, fit, len(clock_us) > 0)


def _chip_alone(mine: list[_Boot], jumps: list[Jump], boots: list[_Boot], drift: float) -> Tie:
    """Without a host's reading the chip is taken at its word, as surely as it was set."""
    sets = [j for j in jumps if j.told and boots[j.boot] in mine]
    unc = SET_US if sets else CHIP_ALONE_US
    at = boots[sets[-1].boot].chip.at(np.array([sets[-1].t_ns])) if sets else mine[0].chip.at(np.array([0]))
    return tie(at, at, np.array([unc]), drift)


def _far_off(clock_us: np.ndarray, utc_us: np.ndarray) -> list[str]:
    """A sentence where the chip showed another time than the host by more than chips stray."""
    off_s = float(np.median(clock_us - utc_us)) / 1e6
    if abs(off_s) <= FAR_OFF_S:
        return []
    return [f"the clock chip was {ahead_text(off_s)} the computer's clock: times are by the computer's"]


def _lay(boot: _Boot, fit: Tie, compared: bool) -> None:
    """Chip line plus tie: the boot's line to UTC, and its uncertainty at the knots."""
    a, chip, steady = boot.anchors, boot.chip, boot.steady
    knots = _knots(a, chip.knots_ns)
    clock = chip.at(knots)
    offset, unc = fit.at(clock)
    slope = [s + fit.slope for s in (chip.slope_in, chip.slope_out)]
    boot.line = line(knots, clock + np.rint(offset).astype(np.int64), *slope)
    sure = len(chip.knots_ns) > 2
    growth = KNOWN_DRIFT if sure else BOARD_DRIFT
    own = 2e6 * steady.spread_s + (1000 if sure else UNCHECKED_US) + _distance(knots, chip.knots_ns) / 1000 * growth
    lasting = max((abs(size) * 1e6 for _, size in steady.steps), default=0.0) if not compared else 0.0
    if steady.doubtful:
        lasting += CHIP_ALONE_US
    boot.unc = (knots.astype(float), np.hypot(unc, own) + lasting, growth)
    boot.state = "anchored"
    if not sure:
        boot.flags.append("only one or two clock seconds, which cannot check each other")
    if not compared:
        boot.flags.append("the clock chip was not compared with a host's clock")


def _knots(a: BootAnchors, chip_ns: np.ndarray) -> np.ndarray:
    """Where a map is laid down: at all anchors, and so often between them that uncertainty can grow and fall there."""
    between = np.linspace(a.first_ns, a.last_ns, 65).astype(np.int64)
    return np.unique(np.concatenate([chip_ns.astype(np.int64), a.host_ns, between]))


def _distance(at: np.ndarray, anchors: np.ndarray) -> np.ndarray:
    """From each place to the nearest anchor."""
    right = np.searchsorted(anchors, at).clip(0, len(anchors) - 1)
    return np.minimum(np.abs(anchors[right] - at), np.abs(anchors[np.maximum(right - 1, 0)] - at))


def _tie_directly(boot: _Boot, usual: float | None, notes: list[str]) -> None:
    """No usable clock chip, but a host read the board's time in this boot."""
    a = boot.anchors
    nominal = straight(0, 0, usual or 0.0)
    drift = BOARD_DRIFT if usual is None else KNOWN_DRIFT
    fit = tie(nominal.at(a.host_ns), a.host_us, a.host_unc_us, drift, BOARD_WANDER)
    notes += fit.notes
    knots = _knots(a, np.empty(0))
    offset, unc = fit.at(nominal.at(knots))
    slope = (usual or 0.0) + fit.slope
    boot.line = line(knots, nominal.at(knots) + np.rint(offset).astype(np.int64), slope, slope)
    boot.unc = (knots.astype(float), unc, drift)
    boot.state = "anchored"
    boot.flags.append("no clock chip: host clock readings only")


def _place_rest(boots: list[_Boot], rec: Recording, usual: float | None) -> None:
    """Boots without any anchor: between their neighbours, or unknown."""
    if all(boot.line is not None for boot in boots):
        return
    starts = np.array([float(b.line.at(np.array([0]))[0]) if b.line else np.nan for b in boots])
    lengths = np.array([b.anchors.last_ns / 1000 for b in boots])
    pulled = [h["pulled_utc_us"] for h in rec.headers if isinstance(h.get("pulled_utc_us"), int)]
    bound = float(max(pulled)) if pulled else np.inf
    places = place(starts, lengths, rec.boots["cause"].astype(str).tolist(), bound)
    next_unknown = 0
    for boot, where in zip(boots, places, strict=True):
        if boot.line is not None:
            continue
        rate = usual or 0.0
        if where is not None:
            boot.line = straight(0, round(where.start_us), rate)
            boot.state = "neighbours"
            half = where.half_width_us + 1000
        else:
            boot.line = straight(0, next_unknown, rate)
            half = np.inf
        knots = np.array([0.0, float(boot.anchors.last_ns)])
        boot.unc = (knots, np.array([half, half + boot.anchors.last_ns / 1000 * BOARD_DRIFT]), BOARD_DRIFT)
        if where is None:
            next_unknown += boot.anchors.last_ns // 1000 + UNKNOWN_GAP_US


def _finish(boots: list[_Boot], notes: list[str]) -> ClockMap:
    rows = []
    for number, boot in enumerate(boots):
        a = boot.anchors
        kept = int(boot.steady.keep.sum()) if boot.steady is not None else 0
        middle = np.array([(a.first_ns + a.last_ns) // 2])
        knots, unc, _ = boot.unc
        ends = boot.line.at(np.array([a.first_ns, a.last_ns]))
        length = (a.last_ns - a.first_ns) / 1000
        rate = ((ends[1] - ends[0]) / length - 1) * 1e6 if length > 60e6 and boot.state == "anchored" else np.nan
        rows.append({
            "boot": number, "state": boot.state, "n_rtc": len(a.rtc_ns) + a.dropped, "n_kept": kept,
            "n_host": len(a.host_ns), "rate_ppm": rate, "unc_us": float(np.interp(middle, knots, unc)[0]),
            "flags": "; ".join(boot.flags),
        })  # fmt: skip
        bad = len(a.rtc_ns) - kept
        if kept and bad:
            notes.append(
                f"boot {number}: {bad} of {len(a.rtc_ns)} clock seconds contradict the others and were left out"
            )
        notes += [f"boot {number}: {flag}" for flag in boot.flags]
        if boot.state != "anchored":
            how = "placed between its neighbours" if boot.state == "neighbours" else "time unknown"
            notes.append(f"boot {number}: no clock readings of its own, {how}")
    columns = ["boot", "state", "n_rtc", "n_kept", "n_host", "rate_ppm", "unc_us", "flags"]
    table = pd.DataFrame(rows, columns=columns)
    return ClockMap(
        [b.line for b in boots], [b.unc for b in boots], [b.state for b in boots], table, notes, [b.chip for b in boots]
    )
