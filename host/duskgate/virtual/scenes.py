"""Seeded invented nights: the scene that the virtual board plays, and the truth behind it.

`make("border-night", seed=1)` gives a Scene; the same name and seed give the same bytes. The parts: scene_plan (figures
and presets), scene_breaks (what breaks the beam), scene_chain (what the flashes do), scene_air (clock, temperature,
supply), scene_file (bytes), scene_truth (what really happened).
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from .. import fields
from ..errors import UsageError
from . import scene_air, scene_breaks, scene_chain, scene_file, scene_truth
from .scene_air import SceneTime
from .scene_plan import PRESETS, NightPlan, Photodiode, changed

CLOCK_HZ, CYCLES_PER_TICK = 125_000_000, 9
DEFAULT_PRESET = "border-night"
__all__ = ["DEFAULT_PRESET", "PRESETS", "NightPlan", "Scene", "changed", "make"]


@dataclass(frozen=True)
class Scene:
    """One invented night: plan, what the board's inputs do (dtype scene_file.RECORD), and the truth (plain values)."""

    plan: NightPlan
    seed: int
    header: dict
    rows: np.ndarray
    truth: dict
    time: SceneTime

    def write(self, path: Path) -> Path:
        """Write the scene file; gives its path."""
        scene_file.write(Path(path), self.header, self.rows)
        return Path(path)

    def write_truth(self, path: Path) -> Path:
        """Write the truth as JSON; gives its path."""
        scene_truth.save(Path(path), self.truth)
        return Path(path)

    def edges(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(t_ns, channel, level) of every edge of the scene, in time order."""
        return scene_file.edges(self.rows)

    @property
    def start_utc_us(self) -> int:
        """True UTC of the scene's begin, us."""
        return self.truth["start_utc_us"]

    @property
    def end_utc_us(self) -> int:
        """True UTC of the scene's end, us."""
        return self.truth["end_utc_us"]


def plan_of(preset: str | NightPlan, changes: dict[str, Any]) -> NightPlan:
    """The named plan with parts changed. UsageError for an unknown name."""
    if isinstance(preset, str):
        if preset not in PRESETS:
            raise UsageError(f"there is no invented night called '{preset}': choose one of {', '.join(PRESETS)}")
        preset = PRESETS[preset]
    return changed(preset, **changes)


def make(preset: str | NightPlan = DEFAULT_PRESET, seed: int = 1, **changes: Any) -> Scene:
    """Draw a night. `changes` replace fields of the plan (a dict changes fields inside a part): make(hours=0.5)."""
    plan = plan_of(preset, changes)
    # a stream of its own for each part, so that changing one part leaves the others as they were
    streams = np.random.SeedSequence(seed).spawn(6)
    moths, other, flash, electric, stranger, air = (np.random.default_rng(s) for s in streams)
    time = scene_air.scene_time(plan)
    visits, spans = scene_breaks.visit_breaks(plan, moths)
    nuisance, found = scene_breaks.nuisance_breaks(plan, other)
    noise, noise_pulses = scene_breaks.glitches(plan, electric)
    first = within(plan, scene_breaks.united(np.concatenate([visits, nuisance, noise])))
    second, passing = scene_breaks.second_beam(plan, first, other)
    commands, chain = scene_chain.walk(plan, first, scene_chain.strangers(plan, stranger), flash)
    foreign = scene_chain.torches(plan, stranger)
    pulses = np.concatenate([
        scene_chain.light(plan, commands, flash), foreign, noise_pulses,
        scene_chain.contacts(plan, commands), beam_pulses(plan, first, second, moths),
    ])
    rows = scene_file.in_order([*air_records(plan, time, air), board_records(plan, time), level_records(time, pulses)])
    seen_alone = foreign[:: len(plan.heads), 1]  # every sensor sees each of them
    drawn = scene_truth.Drawn(np.concatenate([first, second]), spans, passing, commands, chain, seen_alone)
    truth = truth_of(plan, seed, time, drawn, found)
    return Scene(plan, seed, header_of(plan, seed, time), rows, truth, time)


def within(plan: NightPlan, rows: np.ndarray) -> np.ndarray:
    """Breaks that begin and end inside the scene: it starts and stops with a clear beam."""
    return rows[(rows["start"] > 1.0) & (rows["end"] < plan.hours * 3600.0 - 1.0)]


def beam_pulses(plan: NightPlan, first: np.ndarray, second: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """(n, 3) channel, start, end of both beams' edges. Some leading edges chatter: the break opens once more."""
    rows = np.concatenate([first, second])
    channel = np.where(rows["beam"] == 0, fields.BEAM, fields.BEAM2)
    moth = (rows["kind"] == scene_breaks.KIND["visit"]) & (rows["end"] - rows["start"] > 0.005)
    bounce = moth & (rng.random(len(rows)) < plan.moths.bounce_share)
    opens = rows["start"] + rng.uniform(0.15e-3, 0.45e-3, len(rows))
    shuts = opens + rng.uniform(0.05e-3, 0.4e-3, len(rows))
    whole = np.column_stack([channel, np.where(bounce, shuts, rows["start"]), rows["end"]])
    return np.concatenate([whole, np.column_stack([channel, rows["start"], opens])[bounce]])


def level_records(time: SceneTime, pulses: np.ndarray) -> np.ndarray:
    """Records of all channels' levels from (n, 3) channel, start, end in true seconds."""
    return scene_file.level_records(pulses[:, 0].astype(np.int64), time.board(pulses[:, 1]), time.board(pulses[:, 2]))


def air_records(plan: NightPlan, time: SceneTime, rng: np.random.Generator) -> list[np.ndarray]:
    """Clock seconds, clock state, supply and temperature, each about once a minute."""
    unix, begins = scene_air.clock_seconds(plan)
    at = np.arange(0.0, plan.hours * 3600.0, 60.0)
    degc = scene_air.temperature_degc(plan.air, plan.hours, at)
    return [
        scene_file.records(0, scene_file.LEVELS, 0),
        scene_file.records(0, scene_file.CLOCK_STATE, 0),
        scene_file.records(time.board(begins), scene_file.CLOCK_SECOND, unix),
        scene_file.records(time.board(at), scene_file.SUPPLY_MV, scene_air.supply_mv(plan, at, rng)),
        scene_file.records(time.board(at), scene_file.TEMP_C100, np.rint(100.0 * degc)),
    ]


def board_records(plan: NightPlan, time: SceneTime) -> np.ndarray:
    """Resets, losses of the stamper and presses of the button."""
    parts = [scene_file.records(time.board(h * 3600.0), scene_file.RESET, cause) for h, cause in plan.resets]
    parts += [scene_file.records(time.board(h * 3600.0), scene_file.LOSE, n) for h, n in plan.losses]
    parts += [scene_file.records(time.board(h * 3600.0), scene_file.BUTTON, 1) for h in plan.buttons if h < plan.hours]
    return scene_file.in_order([np.zeros(0, scene_file.RECORD), *parts])


def header_of(plan: NightPlan, seed: int, time: SceneTime) -> dict:
    """First line of the scene file."""
    header = {
        "name": plan.name, "seed": seed, "board": plan.board, "clock_hz": CLOCK_HZ, "cycles_per_tick": CYCLES_PER_TICK,
        "end_ns": int(time.board(plan.hours * 3600.0)), "start_utc_us": int(scene_truth.utc_us(plan, 0.0)),
        "channels": 0b0111001 | (2 if plan.second_beam else 0) | (4 if plan.camera else 0),
        "shot_rig": {
            "latency_us": [round(plan.radio.delay_us + head.skew_us) for head in plan.heads],
            "jitter_us": round(plan.radio.jitter_us), "light_us": round(plan.heads[0].pulse_us) if plan.heads else 0,
        },
    }  # fmt: skip
    return header if plan.photodiode is None else {**header, "light_pulse": light_pulse(plan, plan.photodiode)}


def light_pulse(plan: NightPlan, diode: Photodiode) -> dict:
    """What the photodiode sees of each head: one for each in the plan, as far as it has a peak."""
    shape = {"rise_us": diode.rise_us, "tau_us": diode.tau_us, "cut_us": diode.cut_us, "charge_s": diode.charge_s}
    return {
        "baseline": diode.baseline, "noise": diode.noise,
        "heads": [{"peak": peak, **shape} for peak in diode.peaks[: len(plan.heads)]],
    }  # fmt: skip


def truth_of(plan: NightPlan, seed: int, time: SceneTime, drawn: scene_truth.Drawn, found: list[dict]) -> dict:
    """Everything that really happened, as plain values (scene_truth says what each table holds)."""
    spells = scene_truth.spells(plan, time, found)
    breaks = scene_truth.breaks_table(plan, time, drawn, spells)
    return {
        **scene_truth.head_of_truth(plan, seed), "breaks": breaks,
        "visits": scene_truth.visits_table(plan, drawn, breaks),
        "fires": scene_truth.fires_table(plan, time, drawn.commands),
        "heads": scene_truth.heads_table(plan, drawn.chain, drawn.commands),
        "torches": {"utc_us": scene_truth.utc_us(plan, drawn.torches).tolist()},
        "spells": spells, "air": scene_truth.air_table(plan, time),
    }
