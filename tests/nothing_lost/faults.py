"""Faults of the board itself, played on the real firmware, with what it and the host say of them.

    python tests/nothing_lost/faults.py [--quick] [--seeds 10] [--rows FILE]

Bad blocks, a flash that cannot be written, erases at the data sheet's worst (400 ms), a watchdog in the middle of a
commit, a supply that sags and comes back, a clock chip that is gone or lies, a settings file with any byte wrong. Each
time every committed edge has to be in the logbook once, at its tick, nothing invented, the board has to go on with what
still works, and log, `check`, `pull` and the night's facts have to name the fault. Ends with code 1 where one does not.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from duskgate.link.port import BoardLink
from duskgate.logfile.archive import Logbook
from duskgate.logfile.decode import read_dgl_files
from duskgate.timebase.clock import fit_clock
from duskgate.virtual import scene_file

from tests import fakes
from tests.contract.board_here import BoardHere
from tests.nothing_lost import rows, soak
from tests.nothing_lost.link_chaos import CHILD

WORST_ERASE_MS = 400  # W25Q family, 4 kB sector, data sheet maximum
COMMIT_LATE_S = 20 * WORST_ERASE_MS / 1000  # a commit with its folder entries, each of its erases at the worst
SEC = 10**9
Checks = list[str]  # what did not hold, in words


def night(
    top: Path, seed: int, breaks: int = 300, hours: float = 2.0, every_s: float | None = None, more=(),
    start_s: int = soak.START_UTC_S, chip_ppm: float = 0.0,
) -> soak.Week:  # fmt: skip
    """A scene of some hours; with `every_s` one beam break each so many seconds. `more`: records of other kinds.

    start_s: Unix second of the clock chip at its begin; chip_ppm: how much too fast the chip runs.
    """
    rng = np.random.default_rng(seed)
    end = hours * 3600
    t = np.sort(rng.uniform(5, end - 5, breaks)) if every_s is None else np.arange(5, end - 5, every_s)
    start = (t * SEC).astype(np.int64)
    long = (rng.uniform(0.2, 0.45, len(t)) * SEC * np.append(np.diff(t), 1)).clip(1000, SEC // 4).astype(np.int64)
    minutes = np.arange(0, int(end), 60)
    rows = scene_file.in_order([
        scene_file.level_records(np.zeros(len(t), np.int64), start, start + long),
        scene_file.records((minutes * SEC / (1 + chip_ppm * 1e-6)).astype(np.int64) + 1, scene_file.CLOCK_SECOND,
                           start_s + minutes),
        scene_file.records([2], scene_file.SUPPLY_MV, [3900]), *more,
    ])  # fmt: skip
    header = {
        "name": "faults", "seed": seed, "board": soak.BOARD, "clock_hz": 125_000_000, "cycles_per_tick": 9,
        "end_ns": int(end * SEC), "start_utc_us": start_s * 10**6, "channels": 127,
    }  # fmt: skip
    path = top / f"night{seed}"
    scene_file.write(path, header, rows)
    sudden = rows[rows["what"] == scene_file.RESET]["t_ns"].astype(np.int64).tolist()
    return soak.Week(seed, path, *scene_file.edges(rows), reset_ns=sudden)


class Lived:
    """A night lived through on a flash with faults; what its board, its pull, its check and its facts said."""

    def __init__(self, top: Path, week: soak.Week, flash_faults: str = "", look: bool = True, late_s=soak.LATE_S,
                 blind=False, **settings: int):  # fmt: skip
        self.book = top / "book"
        self.checked = self.pulled = self.facts = ""
        with soak.Followed(week, top / "flash", flash_faults=flash_faults, settings=settings) as board:
            board.wait_scene_end()
            with BoardLink(board.url) as link:
                self.state = link.state()
            self.pulled = said("pull", "--port", board.url, "--logbook", str(self.book))
            if look:
                self.checked = said("check", "--no-hands", "--port", board.url)
        self.files = Logbook(self.book).files() if self.book.is_dir() else []
        if self.files and look:
            self.facts = said("night", str(self.book), "--json")
        self.tally = soak.Tally(late_s=late_s)
        soak.compare(self.book, [week], self.tally, blind)
        self.recording = read_dgl_files(self.files)

    def exact(self, least: int) -> Checks:
        """Nothing lost or invented among at least so many edges."""
        tally = self.tally
        return [] if not tally.wrong and tally.edges >= least else [f"edges not exact: {tally}"]

    def faults(self) -> set[int]:
        """Numbers of the faults in the log."""
        return {int(v) & 0xFFFF for v in self.recording.reading("fault")["value"]}


def said(*words: str) -> str:
    """What a command printed, on both streams."""
    done = subprocess.run([sys.executable, "-c", CHILD, *words], capture_output=True, text=True, check=False)
    assert done.returncode in (0, 4, 5, 6), (words, done.returncode, done.stderr)
    return done.stdout + done.stderr


def wants(where: str, text: str, *words: str) -> Checks:
    """Complaints about words that a text does not hold."""
    return [f"{where} does not say '{word}'" for word in words if word not in text]


# -- the faults --------------------------------------------------------------------------------------------------------


def bad_blocks(top: Path, seed: int) -> Checks:
    rng = np.random.default_rng(seed)
    bad = rng.choice(np.arange(2, 352), rng.integers(1, 30), replace=False)
    lived = Lived(top, night(top, seed, 2000), "bad=" + ":".join(map(str, bad)), look=False)
    return lived.exact(4000) + ([] if lived.state["store"] == "ok" else ["the store gave up over bad blocks"])


def cannot_write(top: Path, seed: int) -> Checks:
    """The flash takes nothing any more after a good evening: what was stored stays, the rest is told as not kept."""
    week = night(top, seed)
    with soak.Followed(week, top / "flash") as board:
        board.wait_scene_end()
        with BoardLink(board.url) as link:
            link.commit()
    after = night(top, seed + 5000)
    with soak.Followed(after, top / "flash", flash_faults="read_only=1") as board:
        board.wait_scene_end()
        with BoardLink(board.url) as link:
            state = link.state()
        pulled = said("pull", "--port", board.url, "--logbook", str(top / "book"))
        checked = said("check", "--no-hands", "--port", board.url)
    facts = said("night", str(top / "book"), "--json")
    tally = soak.Tally()
    soak.compare(top / "book", [week], tally)
    wrong = [] if not tally.wrong and tally.edges >= 600 else [f"edges not exact: {tally}"]
    wrong += [] if state["store"] == "failing" and state["store_lost"] >= 600 else ["state does not tell the loss"]
    wrong += wants("pull", pulled, "could not write to its store") + wants("check", checked, "store failing", "MEND")
    return wrong + wants("facts", facts, "At the pull: the board could not write to its store")


def slow_erase(top: Path, seed: int) -> Checks:
    """500, 200 and 4 edges a second with every erase at its worst lose none; 2,000 are more than such a flash takes:
    what is lost is told, and lies in the time that the log calls blind."""
    per_s, hours = ((250, 0.03), (100, 0.1), (2, 1), (1000, 0.02))[seed % 4]
    lived = Lived(
        top, night(top, seed, every_s=1 / per_s, hours=hours), f"erase_ms={WORST_ERASE_MS}", look=False,
        blind=per_s == 1000, chatter_limit=0,
    )  # fmt: skip
    if per_s == 1000:
        return lived.exact(10_000) + ([] if lived.tally.told else ["no loss told at 2,000 edges a second"])
    return lived.exact(int(2 * per_s * (hours * 3600 - 10) * 0.99))


def watchdog_in_commit(top: Path, seed: int) -> Checks:
    """Resets at random moments while commits take long: many fall into a commit."""
    rng = np.random.default_rng(seed)
    at = np.sort(rng.uniform(20, 7000, 150)) * SEC
    resets = scene_file.records(at, scene_file.RESET, np.full(150, 2))
    lived = Lived(top, night(top, seed, 4000, more=[resets]), f"erase_ms={WORST_ERASE_MS}", late_s=COMMIT_LATE_S)
    causes = set(lived.recording.boots["cause"].astype(str))
    wrong = lived.exact(4000) + ([] if "watchdog" in causes else [f"no start by the watchdog in the log: {causes}"])
    return wrong + wants("pull", lived.pulled, "every block checked") + wants("facts", lived.facts, "watchdog")


def sagging_supply(top: Path, seed: int) -> Checks:
    """Brown-out and back, again and again, some starts lasting a second only; then a stop in order by the setting."""
    rng = np.random.default_rng(seed)
    at = np.sort(np.concatenate([rng.uniform(100, 3000, 20), 3100 + np.cumsum(rng.uniform(3.2, 6, 20))])) * SEC
    minutes = np.arange(61, 7200, 60)
    volts = np.where(minutes < 3600, rng.integers(3000, 3900, len(minutes)), 2900)
    more = [scene_file.records(at, scene_file.RESET, np.ones(40)),
            scene_file.records(minutes * SEC, scene_file.SUPPLY_MV, volts)]  # fmt: skip
    lived = Lived(top, night(top, seed, 1500, more=more), stop_below_mv=2950)
    wrong = lived.exact(500)
    stops = set(lived.recording.reading("stop")["value"])
    wrong += [] if 2 in stops else [f"no orderly stop for a low supply in the log: {stops}"]
    wrong += wants("facts", lived.facts, "logger off", "power-on") + wants("check", lived.checked, "supply")
    return wrong + wants("pull", lived.pulled, "every block checked")


GONE: list[tuple[int, str, str]] = [  # scene's state bits, what check says, what pull and page say
    (2 | 4, "no clock chip answers", "no clock chip answered"),
    (1, "its oscillator had stopped", "oscillator had stopped"),
    (4, "no 1 Hz wave from it", "no 1 Hz wave came"),
]


def clock_gone(top: Path, seed: int) -> Checks:
    """Silent, stopped, or without its wave from the middle on: the edges stay, and the time is doubted aloud."""
    bits, checked, told = GONE[seed % 3]
    gone = scene_file.records([3600 * SEC], scene_file.CLOCK_STATE, [bits])
    lived = Lived(top, night(top, seed, more=[gone], start_s=int(time.time()) - 7200))
    wrong = lived.exact(600) + wants("check", lived.checked, checked, "MEND") + wants("pull", lived.pulled, told)
    states = lived.recording.reading("clock_state")["value"].tolist()
    wrong += [] if any(state & bits == bits for state in states) else [f"no clock state {bits} in the log"]
    return wrong + wants("facts", lived.facts, told) + time_kept(lived)


def clock_lies(top: Path, seed: int) -> Checks:
    """A wrong date, 200 ppm off, registers that stand still, a jump: the wave goes on, and the log does not believe."""
    kind = ("wrong date", "200 ppm", "frozen", "jump")[seed % 4]
    hours = 8 if kind == "200 ppm" else 2
    rng, half = np.random.default_rng(seed), 1800 * hours
    days, jump = int(rng.choice([-3650, -365, 365])), int(rng.choice([-1, 1]) * rng.integers(300, 90_000))
    ticking = half + np.arange(half - 5)
    ahead = {
        "wrong date": scene_file.records([0], scene_file.CLOCK_AHEAD, [days * 86_400]),
        "frozen": scene_file.records(ticking * SEC + SEC // 1000, scene_file.CLOCK_AHEAD, half - ticking),
        "jump": scene_file.records([half * SEC + 100], scene_file.CLOCK_AHEAD, [jump]),
    }
    more = [ahead[kind]] if kind in ahead else []
    ppm = -200.0 if kind == "200 ppm" else 0.0  # the scene's board runs exactly, so it is the chip's
    start_s = int(time.time()) - 3600 * hours
    lived = Lived(top, night(top, seed, hours=hours, more=more, start_s=start_s, chip_ppm=ppm))
    wrong = lived.exact(600) + time_kept(lived)
    if kind == "200 ppm":  # the board cannot know which of both crystals is wrong; check sees what has gathered
        clock = wants("check", lived.checked, "MEND   clock")
        return wrong + clock + wants("facts", lived.facts, "run 200 ppm apart", "one of them is out of order")
    if kind == "wrong date":
        said = f"{abs(days):.1f} days {'ahead of' if days > 0 else 'behind'}"
        wrong += wants("pull", lived.pulled, said) + wants("check", lived.checked, "MEND   clock")
        return wrong + wants("facts", lived.facts, said)
    wrong += [] if 13 in lived.faults() else [f"no jump in the log: {lived.faults()}"]
    wrong += wants("pull", lived.pulled, "jumped or stood still") + wants("check", lived.checked, "clock chip jumped")
    return wrong + wants("facts", lived.facts, "the clock chip jumped", "jumped or stood still")


def time_kept(lived: Lived) -> Checks:
    """The night's begin, by the log and its comparison with this computer, has to lie within its own uncertainty."""
    clock, told = fit_clock(lived.recording), lived.recording.headers[0]["host_clock"][0]
    tick_fs = int(lived.recording.boots["tick_fs"].iloc[0])
    true_us = told["utc_us"] - told["tick"] * tick_fs // 10**9
    off = abs(int(clock.utc_us(0, 0)) - true_us)
    return [] if off <= clock.unc_us(0, 0) else [f"the begin is {off / 1e6:.2f} s off, beyond its uncertainty"]


def damaged_settings(top: Path, seed: int) -> Checks:
    """Every byte of the settings file turned, and the file cut at every length: it starts, logs, and says so."""
    scene = fakes.scene_file(top / "scene", 60.0, [(2.0 + k, 0.1) for k in range(40)])
    good = BoardHere(scene, top / "first")
    good.station.change_setting("chatter_limit", 300)
    text = (top / "first" / "settings.txt").read_bytes()
    rng, wrong = np.random.default_rng(seed), []
    turned = [text[:k] + bytes([text[k] ^ int(rng.integers(1, 256))]) + text[k + 1 :] for k in range(len(text))]
    for k, bad in enumerate([*turned, *(text[:k] for k in range(len(text) - 1))]):
        flash = top / f"flash{k}"
        flash.mkdir()
        (flash / "settings.txt").write_bytes(bad)
        board = BoardHere(scene, flash)
        board.play()
        told = [number for number, _ in board.station.settings.problems]
        lines = board.station.parts.faults.lines
        if board.station.recorder.records < 80 or not (told and lines):
            wrong.append(f"settings {bad!r}: told {told}, {board.station.recorder.records} records")
    return wrong


FAULTS: list[tuple[str, Callable[[Path, int], Checks], int]] = [
    ("flash with bad blocks", bad_blocks, 1),
    ("flash that cannot be written any more", cannot_write, 1),
    ("erases of 400 ms at 500, 200, 4 and 2,000 edges a second", slow_erase, 4),
    ("watchdog in the middle of commits (150 resets in 2 h)", watchdog_in_commit, 1),
    ("supply that sags and comes back (40 times in an hour)", sagging_supply, 1),
    ("clock chip gone, stopped, without wave", clock_gone, 3),
    ("clock chip with a wrong date, 200 ppm off, frozen, jumping", clock_lies, 4),
    ("settings file, every byte turned and every length", damaged_settings, 1),
]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="one seed of each")
    parser.add_argument("--seeds", type=int, default=10, help="nights of each fault (a multiple where it has kinds)")
    parser.add_argument("--rows", type=Path, help="file that gets the rows of the table of what was tried")
    given = parser.parse_args()
    command = "python tests/nothing_lost/faults.py" + (" --quick" if given.quick else f" --seeds {given.seeds}")
    failed = 0
    for what, act, kinds in FAULTS:
        nights = kinds if given.quick else -(-given.seeds // kinds) * kinds
        wrong: Checks = []
        for seed in range(nights):
            with tempfile.TemporaryDirectory() as top:
                wrong += act(Path(top), seed)
        failed += len(wrong)
        print(f"{what}: {nights} nights, wrong {len(wrong)}", *wrong, sep="\n  ", flush=True)
        note = "edges exact, the fault told by log, check, pull or page"
        rows.keep(given.rows, [rows.row(what, nights, "nights", len(wrong), note, command)])
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
