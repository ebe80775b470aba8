"""Weeks of nights through the real firmware on a virtual board, with cuts, pulls and changes at random moments.

    python tests/nothing_lost/soak.py [--weeks 6] [--seed 1] [--rows FILE]

One flash and one logbook live through all weeks. Meanwhile the power is cut, the board restarts by itself, pulls are
made and cut half-way, the clock is set, notes and settings are written. Then every boot in the logbook is compared
with the scene it saw: up to its last record, each edge is there once, at its tick, and nothing else is; seconds that
the chatter guard summarised have the scene's count and broken time. After a restart at a known moment no edge older
than the commit delay may be missing. The last part fills the store without pulling: what is missing must lie in the
time that the log itself calls blind. Ends with code 1 where anything was lost or invented.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import zlib
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from duskgate.cli.pull import pull_with
from duskgate.errors import DuskgateError, LinkError
from duskgate.link.port import BoardLink
from duskgate.logfile.archive import Logbook
from duskgate.logfile.decode import read_dgl_files
from duskgate.logfile.recording import MISSING, OVERRUN, STORE
from duskgate.virtual import scene_file
from duskgate.virtual.board import VirtualBoard

from tests.nothing_lost import rows

TICK_NS = 72
WEEK_S, DAY_S, HOUR_NS = 604_800, 86_400, 3_600_000_000_000
BOARD, START_UTC_S = "e66138528361ac2f", 1_750_000_000
COMMIT_S, LATE_S = 10, 0.1  # longest wait of a record for its commit, and what the loop may be late by
LONG_BOOT_H = 24
LAST_TRIES = 5


@dataclass
class Tally:
    """What was done and found in one soak."""

    did: dict[str, int] = field(default_factory=dict)
    edges: int = 0
    guarded: int = 0
    boots: int = 0
    lost: int = 0
    invented: int = 0
    wrong_guard: int = 0
    full_while_pulled: int = 0
    told: int = 0
    tail_s: float = 0.0
    late_s: float = LATE_S  # by which the loop may be late for a commit
    heap: list[tuple[int, int]] = field(default_factory=list)

    def count(self, what: str) -> None:
        self.did[what] = self.did.get(what, 0) + 1

    @property
    def wrong(self) -> int:
        """Everything that must not be."""
        return self.lost + self.invented + self.wrong_guard + self.full_while_pulled


@dataclass
class Week:
    """A scene and the moments, in ns of scene time, at which a boot of it may have begun or was ended by the scene."""

    seed: int
    path: Path
    t_ns: np.ndarray
    channel: np.ndarray
    level: np.ndarray
    began_ns: list[int] = field(default_factory=list)
    reset_ns: list[int] = field(default_factory=list)


class Followed(VirtualBoard):
    """A virtual board that notes when each of its boots begins."""

    def __init__(self, week: Week, flash: Path, **how):
        super().__init__(week.path, flash, **how)
        self.week = week

    def _spawn(self, boot_at_ns: int):
        self.week.began_ns.append(boot_at_ns)
        return super()._spawn(boot_at_ns)


def make_week(folder: Path, seed: int, days: int, a_night: int, rng: np.random.Generator, resets: int = 2) -> Week:
    """A scene of `days` days, with about `a_night` breaks in each night, a chattering beam in some, and resets."""
    length_ns = days * DAY_S * 10**9
    starts, ends, channel = [], [], []
    for day in range(days):
        t = np.sort(rng.uniform(day * DAY_S + 600, day * DAY_S + 36_000, a_night)) * 1e9
        for ch, after, long in ((0, 0, rng.uniform(2e6, 4e8, a_night)), (3, 3e6, 2e5), (4, 3.03e6, 2e5)):
            starts.append(t + after)
            ends.append(t + after + long)
            channel.append(np.full(a_night, ch))
        if day % 2 == 0:
            every = rng.integers(2, 5) * 1e6
            chatter = day * DAY_S * 1e9 + 40_000e9 + np.arange(int(20e9 / every)) * every
            starts.append(chatter)
            ends.append(chatter + every / 3)
            channel.append(np.zeros(len(chatter), int))
    levels = scene_file.level_records(
        np.concatenate(channel), np.concatenate(starts).astype(np.int64), np.concatenate(ends).astype(np.int64)
    )
    minutes = np.arange(0, length_ns, 60 * 10**9)
    sudden = np.sort(rng.uniform(0.1, 0.9, resets) * length_ns).astype(np.int64)
    rows = scene_file.in_order(
        [
            levels,
            scene_file.records(minutes + 1, scene_file.CLOCK_SECOND, START_UTC_S + minutes // 10**9),
            scene_file.records([2], scene_file.SUPPLY_MV, [3900]),
            scene_file.records(sudden, scene_file.RESET, 2 + 2 * (np.arange(resets) % 2)),
        ]
    )
    header = {
        "name": "soak", "seed": seed, "board": BOARD, "clock_hz": 125_000_000, "cycles_per_tick": 9,
        "end_ns": length_ns, "start_utc_us": START_UTC_S * 10**6, "channels": 127,
    }  # fmt: skip
    path = folder / f"week{seed}"
    scene_file.write(path, header, rows)
    return Week(seed, path, *scene_file.edges(rows), reset_ns=sudden.tolist())


# -- what happens meanwhile ------------------------------------------------------------------------------------------


def pull(url: str, book: Path, stop_at: float | None = None) -> bool:
    """One pull; with `stop_at` the wire is cut there (share of its bytes). Whether it went through."""

    def progress(done: int, total: int) -> None:
        if stop_at is not None and total and done >= stop_at * total:
            raise LinkError("cut by the soak")

    with BoardLink(url) as link:
        try:
            pull_with(link, book, None, progress)
        except LinkError:
            if stop_at is None:
                raise
            return False
    return True


def last_pull(url: str, book: Path) -> None:
    """A pull that has to go through; the board may be starting just then, on a computer that is busy."""
    for _ in range(LAST_TRIES):
        try:
            pull(url, book)
            return
        except LinkError:
            time.sleep(2)
    pull(url, book)


def small_change(url: str, rng: np.random.Generator) -> str:
    """One of the things that people do to a running board; its name."""
    with BoardLink(url) as link:
        what = rng.choice(["note", "clock set", "setting", "commit", "restart"])
        if what == "note":
            link.note("text", 0, "soak")
        elif what == "clock set":
            link.set_clock(START_UTC_S + int(rng.integers(0, 10**6)))
        elif what == "setting":
            link.setting("chatter_limit", int(rng.choice([0, 100, 200, 400])))
        elif what == "commit":
            link.commit()
        else:
            link.restart("log")
    return str(what)


def live_through(week: Week, flash: Path, book: Path, tally: Tally, rng: np.random.Generator) -> None:
    """Play the week; after every few per cent of it something happens to the board, at a moment left to chance."""
    with Followed(week, flash) as board:
        while not board.scene_ended:
            wait_for(board, board.percent + int(rng.integers(1, 7)))
            time.sleep(rng.uniform(0, 0.05))
            what = rng.choice(["cut", "pull", "pull cut", "change"], p=[0.2, 0.25, 0.25, 0.3])
            try:
                if what == "cut":
                    board.kill()
                    board.restart()
                elif what == "change":
                    what = small_change(board.url, rng)
                else:
                    pull(board.url, book, None if what == "pull" else float(rng.uniform(0, 1)))
                tally.count(str(what))
            except DuskgateError:
                tally.count("no answer in a restart")  # the board was off or starting just then: tried again later
        board.wait_scene_end()
        last_pull(board.url, book)
        with BoardLink(board.url) as link:
            tally.full_while_pulled += link.state()["store"] != "ok"
        tally.count("pull")


def wait_for(board: VirtualBoard, percent: int) -> None:
    """Until so much of the scene was played; at most some seconds, as a board may be off."""
    end = time.monotonic() + 5.0
    while board.percent < percent and not board.scene_ended and time.monotonic() < end:
        time.sleep(0.005)


# -- comparing -------------------------------------------------------------------------------------------------------


def boot_began(boot_id: int, boot_no: int, weeks: list[Week]) -> tuple[Week, int]:
    """The week and moment of a boot: its id is made from them. KeyError where the log invents a boot."""
    for week in weeks:
        for began in week.began_ns:
            if (zlib.crc32(f"{week.seed} {began} {boot_no}".encode()) or 1) == boot_id:
                return week, began
    raise KeyError(f"boot {boot_no} of the log was never started")


def compare(book: Path, weeks: list[Week], tally: Tally, blind_allowed: bool = False) -> None:
    """Every boot of the logbook against the scene that it saw."""
    recording = read_dgl_files(Logbook(book).files())
    damage = [what for what in recording.problems["what"] if not (blind_allowed and "missing before" in what)]
    assert not damage, damage
    for boot in recording.boots.itertuples():
        week, began = boot_began(boot.boot_id, boot.boot_no, weeks)
        part = {
            name: getattr(recording, name)[getattr(recording, name)["boot"] == boot.boot]
            for name in ("edges", "chatter", "readings", "blind")
        }
        tally.boots += 1
        compare_boot(week, began, boot, part, tally, blind_allowed)


def keys(tick: np.ndarray, channel: np.ndarray, level: np.ndarray) -> np.ndarray:
    """One number for each edge, in time order."""
    return (tick.astype(np.int64) * 8 + channel) * 2 + level


def compare_boot(week: Week, began: int, boot, part: dict, tally: Tally, blind_allowed: bool) -> None:
    seen = week.t_ns > began
    tick = -((began - week.t_ns[seen]) // TICK_NS)  # a stamp is that of the first sample at or after the edge
    channel, level = week.channel[seen], week.level[seen]
    edges = part["edges"]
    found = keys(edges["t_ns"].to_numpy() // TICK_NS, edges["channel"].to_numpy(), edges["level"].to_numpy())
    true = keys(tick, channel, level)
    guarded = np.zeros(len(true), bool)
    for row in part["chatter"].itertuples():
        first = row.t_ns // TICK_NS
        inside = (channel == row.channel) & (tick >= first) & (tick < first + row.span_ns // TICK_NS)
        guarded |= inside
        broken = active_ticks(tick[inside], level[inside], first, row.span_ns // TICK_NS, row.end_level)
        tally.wrong_guard += int(inside.sum() != row.edges) + int(broken * TICK_NS != row.active_ns)
        tally.guarded += int(inside.sum())
    stored = tick * TICK_NS <= boot.last_ns
    missing = ~np.isin(true, found) & ~guarded & stored
    if blind_allowed:
        for row in part["blind"][part["blind"]["why"].isin([STORE, MISSING, OVERRUN])].itertuples():
            missing &= ~((tick * TICK_NS >= row.from_ns) & (tick * TICK_NS <= row.to_ns))
        unseen = int((~np.isin(true, found) & ~guarded & stored).sum())
        told = sum(last_of(part["readings"], kind) for kind in ("store_lost", "lost_edges"))
        tally.lost += max(0, unseen - 7 * told)  # a record holds up to seven edges
        tally.told += told
    tally.edges += len(found)
    tally.lost += int(missing.sum())
    tally.invented += len(found) - int(np.isin(found, true[~guarded]).sum()) + len(found) - len(np.unique(found))
    look_at_tail(week, began, tick[~stored & ~guarded] * TICK_NS, tally)
    heap = part["readings"][part["readings"]["kind"] == "heap_free"]
    if len(heap) > LONG_BOOT_H:
        tally.heap.append((int(heap["value"].iloc[0]), int(heap["value"].iloc[-1])))


def last_of(readings, kind: str) -> int:
    """The highest value of a running total; 0 where it was never told."""
    values = readings["value"][readings["kind"] == kind]
    return int(values.max()) if len(values) else 0


def active_ticks(tick: np.ndarray, level: np.ndarray, first: int, span: int, end_level: int) -> int:
    """Ticks of a span in which the channel was active; with no edge in it, all or none by the level at its end."""
    active = int(level[0] == 0) if len(level) else int(end_level)
    moments, at = [first, *tick.tolist(), first + span], active
    total = 0
    for k, (a, b) in enumerate(pairwise(moments)):
        total += (b - a) * at
        if k < len(level):
            at = int(level[k])
    return total


def look_at_tail(week: Week, began: int, tail_ns: np.ndarray, tally: Tally) -> None:
    """Where the scene ended this boot at a known moment: how old was the oldest edge that was not yet committed?"""
    ends = [t for t in week.reset_ns if t > began]
    later = [t for t in week.began_ns if t > began]
    if not ends or (later and min(later) < min(ends)):
        return
    seen = tail_ns[tail_ns < min(ends) - began]
    if len(seen):
        age = (min(ends) - began - int(seen[0])) / 1e9
        tally.tail_s = max(tally.tail_s, age)
        tally.lost += int(age > COMMIT_S + tally.late_s) * len(seen)


# -- the two parts ---------------------------------------------------------------------------------------------------


def weeks_of_nights(folder: Path, weeks: float, seed: int) -> Tally:
    """Whole weeks (a part of one: its days), pulled now and then."""
    rng, tally, lived = np.random.default_rng(seed), Tally(), []
    days = max(1, round(weeks * 7))
    while days > 0:
        week = make_week(folder, seed * 1000 + len(lived), min(days, 7), 2000, rng)
        lived.append(week)
        live_through(week, folder / "flash", folder / "book", tally, rng)
        days -= 7
    compare(folder / "book", lived, tally)
    return tally


def until_full(folder: Path, seed: int) -> Tally:
    """Nights that nobody pulls until the store is full, then a pull, then another night."""
    rng, tally = np.random.default_rng(seed), Tally()
    lived = [make_week(folder, seed * 1000 + 900 + k, 2, n, rng, resets=0) for k, n in enumerate((16_000, 2_000))]
    for week in lived:
        with Followed(week, folder / "flash") as board:
            board.wait_scene_end()
            with BoardLink(board.url) as link:
                tally.count("full" if link.state()["store"] == "full" else "not full")
            pull(board.url, folder / "book")
            with BoardLink(board.url) as link:
                for _ in range(2):  # the first record finds that there is room again, the second tells what was lost
                    link.note("text", 0, "room again")
                    link.commit()
            pull(board.url, folder / "book")
    compare(folder / "book", lived, tally, blind_allowed=True)
    return tally


def rows_of(tally: Tally, full: Tally, days: int, command: str) -> list[dict]:
    """The two rows of the table of what was tried."""
    done = ", ".join(f"{n} {what}" for what, n in sorted(tally.did.items()))
    note = f"{tally.edges:,} edges exact, {tally.guarded:,} in the guard's sums, {tally.boots} boots; {done}"
    if tally.tail_s:
        note += f"; oldest edge lost in a sudden restart: {tally.tail_s:.1f} s"
    if tally.heap:
        note += f"; heap in one boot of a day or more: at most {max(a - b for a, b in tally.heap):,} bytes less"
    told = f"{full.told:,} records told as not stored, all in time that the log calls blind"
    return [
        rows.row("soak: random cuts, pulls and changes", days, "days", tally.wrong, note, command),
        rows.row("soak: store filled without a pull, then pulled", full.edges, "edges", full.wrong, told, command),
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weeks", type=float, default=6)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", type=Path, help="file that gets the rows of the table of what was tried")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
        tally = weeks_of_nights(Path(one), given.weeks, given.seed)
        full = until_full(Path(other), given.seed)
    command = f"python tests/nothing_lost/soak.py --weeks {given.weeks:g} --seed {given.seed}"
    found = rows_of(tally, full, max(1, round(given.weeks * 7)), command)
    for row in found:
        print(f"{row['what']}: {row['tried']:,} {row['unit']}, lost or wrong {row['lost']}. {row['note']}")
    print(f"full part: {full.did}; heap pairs {tally.heap}")
    rows.keep(given.rows, found)
    return int(bool(tally.wrong or full.wrong))


if __name__ == "__main__":
    sys.exit(main())
