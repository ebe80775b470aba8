"""What a site file can say: every key with its unit, bounds, default and the remark that stands beside it.

Keys end in their unit. A value of None was not stated: what needs it says so, or uses a default and calls it assumed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import Any

from duskgate.fields import CHANNELS

SIGNALS = CHANNELS[:7]
SENSORS = CHANNELS[3:7]
CHEMISTRIES = ("alkaline", "NiMH", "Li-ion", "LiFePO4", "lead-acid", "power bank", "mains", "other")
SMALLEST_POWER = 1 / 1024


def key(default: Any, help: str, kind: str = "number", **rule: Any) -> Any:
    """A field that is a key. kind: number, whole, text, zone, choice, names, power, pair, curve.

    rule: low, high, choices, and an example that the template shows commented out.
    """
    return field(default=default, metadata={"help": help, "kind": kind, **rule})


@dataclass(frozen=True)
class Animal:
    label: str = key("", "the visitor, in your words", "text", example="hawk-moth")
    scientific_name: str = key(
        "", "its scientific name, only if you are sure of it: data that you pass on will carry it", "text",
        example="Sphingidae",
    )  # fmt: skip
    speed_m_s: float | None = key(
        None, "typical speed across the beam, m/s: yours to measure or estimate", low=0.001, high=50, example=1.0
    )
    speed_range_m_s: tuple[float, float] | None = key(
        None, "slowest and fastest that you reckon with, m/s", "pair", example=[0.5, 2.0]
    )
    fires_per_h: float = key(
        60.0,
        "the plan keeps the flash below so many fires an hour for the animal's sake; 60 is our own cautious choice",
        low=1,
        high=100_000,
    )
    body_length_mm: float | None = key(
        None, "typical body length along its way, mm: yours to measure", low=0.5, high=1000, example=40
    )
    visit_gap_s: float = key(
        0.8,
        "pause between two visits, assumed where a night shows too few pauses to find it, s",
        low=0.01,
        high=600,
    )


@dataclass(frozen=True)
class Camera:
    iso: float | None = key(None, "sensitivity, ISO", low=1, high=10_000_000, example=400)
    aperture_f: float | None = key(None, "f-number", low=0.5, high=128, example=11)
    shutter_s: float | None = key(None, "time the shutter stays open, s", low=0.00001, high=3600, example=2.0)
    pause_s: float | None = key(None, "shortest pause from one frame to the next, s", low=0, high=600, example=0.5)
    pixel_pitch_um: float | None = key(None, "distance between pixels of the sensor, um", low=0.5, high=50, example=4.3)
    focal_length_mm: float | None = key(None, "focal length, mm", low=1, high=5000, example=100)
    distance_m: float | None = key(None, "lens to flower, m", low=0.01, high=1000, example=0.8)
    shutter_lag_ms: tuple[float, float] | None = key(
        None, "shortest and longest time from release to open shutter, measured, ms", "pair", example=[45, 60]
    )
    sync_s: float | None = key(
        None, "shortest shutter time at which flash lights the whole frame, s", low=0.00001, high=1, example=0.005
    )
    stops_under: float = key(
        5.0, "how far the sky's light must stay under the flash, stops; 5 adds 3 %", low=0, high=20
    )


@dataclass(frozen=True)
class Supply:
    chemistry: str = key("", "kind of cells", "choice", choices=CHEMISTRIES, example="NiMH")
    cells: int | None = key(None, "cells in series", "whole", low=1, high=100, example=4)
    capacity_mah: float | None = key(None, "capacity of the set, mAh", low=1, high=1_000_000, example=2000)
    cutoff_mv: float | None = key(None, "voltage of the set at which it fails, mV", low=100, high=60_000, example=3600)


@dataclass(frozen=True)
class Logger(Supply):
    discharge_h_mv: tuple[tuple[float, float], ...] = key(
        (), "an earlier discharge of such cells down to the cut-off: pairs of hours and mV", "curve",
        example=[[0, 5400], [9, 4900], [14, 3600]],
    )  # fmt: skip


@dataclass(frozen=True)
class Head(Supply):
    name: str = key("", "name of the head on the page", "text", example="left")
    power: float | None = key(None, 'share of full power, such as "1/32" or 0.03125', "power", example="1/32")
    guide_number_m: float | None = key(
        None, "guide number at full power, m, for the ISO below", low=0.1, high=1000, example=30
    )
    guide_number_iso: float = key(100.0, "ISO of that guide number", low=1, high=100_000)
    distance_m: float | None = key(None, "flash to flower, m", low=0.01, high=100, example=0.6)
    burst_fires: int | None = key(
        None, "fires in a row after which its manual asks for a rest ...", "whole", low=1, high=100_000, example=20
    )
    burst_rest_s: float | None = key(None, "... of this length, s", low=1, high=86_400, example=600)
    loss_stops: float = key(0.0, "light that a diffuser or filter takes, stops", low=0, high=20)
    unsure_stops: float | None = key(
        None, "how far you think the guide number may be off, stops", low=0, high=5, example=0.5
    )
    width_mm: float | None = key(
        None,
        "width of the lit face; close to a wide one light falls less with distance, mm",
        low=1,
        high=5000,
        example=70,
    )
    sensors: tuple[str, ...] = key(
        (), "light sensors that see this head alone, once measured; leave out while not proved", "names",
        choices=SENSORS, example=["FLASH1"],
    )  # fmt: skip


@dataclass(frozen=True)
class PowerStep:
    """What was measured of a head at one power; nothing is made up where it is left out."""

    head: str = key("", "name of the head; left out: every head", "text", example="left")
    power: float | None = key(None, 'share of full power, such as "1/32"', "power", example="1/32")
    t05_us: float | None = key(
        None, "light above half of its peak, us: measured, not from a leaflet", low=0.1, high=1e6, example=100
    )
    t01_us: float | None = key(None, "light above a tenth of its peak, us", low=0.1, high=1e7, example=330)
    recycle_s: float | None = key(None, "from light to ready again, s", low=0.001, high=600, example=0.4)
    fires: int | None = key(None, "firings that these figures rest on", "whole", low=1, high=1_000_000, example=20)


@dataclass(frozen=True)
class Passing:
    """What data packages for others must say; nothing is made up where it is left out."""

    title: str = key("", "title of the study; left out: the site's name", "text", example="Garden moths in July")
    contributor: str = key("", "who to name as the data's source; left out: unknown", "text", example="a photo club")
    data_licence: str = key(
        "", "licence of the data, by its short name; left out: none is given", "text", example="CC0-1.0"
    )
    media_licence: str = key(
        "", "licence of the pictures; a package wants both licences or neither", "text", example="CC-BY-4.0"
    )


@dataclass(frozen=True)
class Thresholds:
    """How breaks, visits and lights are judged. The defaults are those of the analysis."""

    merge_ms: float = key(1.0, "clear times shorter than this are chatter of one break, ms", low=0, high=1000)
    glitch_ms: float = key(0.1, "breaks shorter than this are electrical, ms", low=0, high=1000)
    blocked_s: float = key(2.0, "no animal breaks the beam this long, s", low=0.05, high=3600)
    blocked_near_s: float = key(2.5, "breaks this close to a long one belong to it, s", low=0, high=3600)
    chatter_breaks: int = key(24, "this many breaks ...", "whole", low=2, high=100_000)
    chatter_s: float = key(5.0, "... within this time are no animal, s", low=0.1, high=3600)
    dew_s: float = key(300.0, "darkness this long is dew, s", low=1, high=86_400)
    dew_near_s: float = key(180.0, "flicker this close to it belongs to it, s", low=0, high=86_400)
    dew_short_ms: float = key(6.0, "shorter than this is a drop or an insect even there, ms", low=0, high=1000)
    dew_density_s: float = key(30.0, "time on either side over which flicker is counted, s", low=1, high=3600)
    dew_odds: float = key(2.0, "a visit there must be this many times likelier than flicker", low=0.001, high=1e6)
    dark_join_s: float = key(30.0, "dark pieces closer than this are one darkness, s", low=0, high=86_400)
    leaf_breaks: int = key(7, "this many regular breaks in a row are a leaf", "whole", low=3, high=1000)
    leaf_strokes: int = key(12, "such runs hold at least this many in all ...", "whole", low=3, high=10_000)
    leaf_spell_s: float = key(30.0, "... where one begins this soon after another, s", low=0, high=3600)
    leaf_min_ms: float = key(30.0, "each of them at least this long, ms", low=0, high=10_000)
    leaf_sd_interval: float = key(0.25, "spread of ln(interval) up to which they are regular", low=0.001, high=10)
    leaf_sd_duration: float = key(0.45, "spread of ln(duration) up to which they are regular", low=0.001, high=10)
    leaf_interval_s: tuple[float, float] = key((0.45, 3.0), "shortest and longest middle interval of a leaf, s", "pair")
    leaf_animal_breaks: int = key(25, "shorter runs that BEAM2 echoes are an animal", "whole", low=1, high=100_000)
    echo_s: float = key(0.2, "BEAM2 echoes BEAM within this time, s", low=0.0001, high=60)
    visit_ms: float = key(18.0, "the longest break of a visit lasts at least this, ms", low=0, high=10_000)
    rain_breaks: int = key(10, "this many short breaks ...", "whole", low=2, high=100_000)
    rain_near_s: float = key(90.0, "... within this time before and after are rain, s", low=1, high=86_400)
    rain_median_ms: float = key(2.0, "if their middle duration is below this, ms", low=0, high=1000)
    rain_ms: float = key(5.0, "and the break itself is shorter than this, ms", low=0, high=1000)
    min_gaps: int = key(60, "pauses needed to find the pause between visits in a night", "whole", low=10, high=100_000)
    light_join_ms: float = key(1.5, "lights of all heads within this time are one fire, ms", low=0.001, high=1000)
    light_glitch_us: float = key(8.0, "light pulses shorter than this are electrical, us", low=0, high=10_000)
    lag_max_ms: float = key(300.0, "longest delay from break to light that is looked for, ms", low=1, high=60_000)
    retry_ms: float = key(20.0, "late lights up to this after the usual delay still answer, ms", low=0, high=60_000)
    retry_camera_ms: float = key(50.0, "the same through a camera, ms", low=0, high=60_000)
    command_dead_s: float = key(0.06, "a break this soon after the last command sends none, s", low=0, high=60)
    needed_gap_s: float = key(3.0, "recycle time at which cells are called spent, s", low=0.01, high=600)
    battery_growth: float = key(1.1, "growth of recycle time from which cells are blamed", low=1, high=100)
    bin_s: float = key(1800.0, "length of one bar of the visit rate, s", low=60, high=86_400)
    dispersion_bin_s: float = key(
        1200.0, "bins that show how uneven visits come, longer than a bout, s", low=10, high=86_400
    )
    best_window_s: float = key(7200.0, "length of the best window, s", low=60, high=86_400)
    window_step_s: float = key(1800.0, "step from one window to the next, s", low=60, high=86_400)
    refill_s: float = key(3600.0, "time after a refill of the feeder that is also shown apart, s", low=60, high=86_400)


@dataclass(frozen=True)
class Site:
    """A site file. `stated` holds the names of thresholds and facts that the file itself gave."""

    name: str = key("the site", "name of the site", "text")
    latitude_deg: float | None = key(None, "degrees, north positive", low=-90, high=90, example=44.2)
    longitude_deg: float | None = key(None, "degrees, east positive", low=-180, high=180, example=0.6)
    zone: str = key("UTC", "time zone, such as Europe/Paris", "zone", example="Europe/Paris")
    active: str = key(
        "night", "when the visitor comes: night, day or both; a day runs from midnight to midnight", "choice",
        choices=("night", "day", "both"),
    )  # fmt: skip
    path: str = key(
        "beam_flash", "the beam fires the flashes (beam_flash) or the camera (beam_camera)", "choice",
        choices=("beam_flash", "beam_camera"),
    )  # fmt: skip
    beam_source: str = key(
        "own", "BEAM is: own, a receiver of this board; tap, the trigger unit's output; beside, a second beam",
        "choice", choices=("own", "tap", "beside"),
    )  # fmt: skip
    channels: tuple[str, ...] = key(
        (), "channels in use; left out: as the board says", "names", choices=SIGNALS, example=["BEAM", "FLASH1"]
    )
    beam_spacing_mm: float | None = key(None, "from BEAM to BEAM2, mm", low=1, high=5000, example=30)
    unit_filter_ms: float = key(
        0.0, "the trigger unit leaves breaks shorter than this without a command, ms; 0: not known", low=0, high=10_000
    )
    photodiode_khz: float | None = key(
        None, "bandwidth of the photodiode and its amplifier on PULSE, kHz; light pulses are freed of it",
        low=5, high=100_000, example=330,
    )  # fmt: skip
    shade_share: float = key(
        1.0, "share of the open sky's light that reaches the flower: 1 nothing shades it", low=0.001, high=1
    )
    glow_lux: float = key(0.0, "light of lamps and of a lit sky at the flower, measured, lux", low=0, high=100_000)
    haze_mag: float = key(0.0, "moonlight lost in haze beyond clear air, magnitudes per air mass", low=0, high=5)
    animal: Animal = field(default_factory=Animal)
    camera: Camera = field(default_factory=Camera)
    logger: Logger = field(default_factory=Logger)
    passing_on: Passing = field(default_factory=Passing)
    heads: tuple[Head, ...] = ()
    power_steps: tuple[PowerStep, ...] = ()
    thresholds: Thresholds = field(default_factory=Thresholds)
    stated: frozenset[str] = frozenset()

    def analysis_settings(self) -> dict[str, Any]:
        """What the analysis takes from here, by the names of its settings; None: not stated."""
        said = {f.name: getattr(self.thresholds, f.name) for f in fields(self.thresholds)}
        alone = [(head.name, tuple(map(SENSORS.index, head.sensors))) for head in self.heads if head.sensors]
        return {
            **said,
            "visit_gap_s": self.animal.visit_gap_s,
            "beam_spacing_mm": self.beam_spacing_mm,
            "path": self.path,
            "channels": self.channels or None,
            "heads": tuple(alone) or None,
            "unit_filter_ms": self.unit_filter_ms,
            "exposure_s": self.camera.shutter_s,
            "frame_pause_s": self.camera.pause_s,
            "cutoff_mv": self.logger.cutoff_mv,
            "chemistry": self.logger.chemistry,
            "logger_cells": self.logger.cells,
            "supply_curve": self.logger.discharge_h_mv or None,
            "assumed": () if "animal.visit_gap_s" in self.stated else ("visit_gap_s",),
        }


SECTIONS: dict[str, type] = {"animal": Animal, "camera": Camera, "logger": Logger, "passing_on": Passing,
                             "thresholds": Thresholds}  # fmt: skip
LISTS: dict[str, type] = {"heads": Head, "power_steps": PowerStep}
REMARKS = {
    "animal": "The visitor. Speed and length are yours: they decide the freezing time and the place of the beam.",
    "camera": "What the frame is taken with.",
    "logger": "The board's own supply; its voltage is logged.",
    "passing_on": "For data that you pass on (`duskgate export`). Round the place above where a species is sensitive.",
    "heads": "One block for each flash head. Never open a head: its capacitor holds a deadly charge for a long time.",
    "power_steps": "One block for each power that you measured. Leave out what you do not know.",
    "thresholds": "How breaks and lights are judged. Lines that begin with # show the default.",
}


def step_faults(site: Site) -> Iterator[tuple[int, str, str]]:
    """What is wrong with the measured powers as a whole: number of the block, its key and a sentence."""
    seen: set[tuple[str, float]] = set()
    names = [head.name for head in site.heads]
    for i, step in enumerate(site.power_steps):
        if step.power is None:
            yield i, "", 'a block of [[power_steps]] needs its power, such as power = "1/32".'
            continue
        if step.head and step.head not in names:
            known = f"known are {', '.join(names)}" if names else "there is no block [[heads]]"
            yield i, "head", f"no head is called {step.head[:40]!r}; {known}."
        if (step.head, step.power) in seen:
            yield i, "power", "this power of this head stands in two blocks; keep one of them."
        seen.add((step.head, step.power))
        if None not in (step.t05_us, step.t01_us) and step.t01_us < step.t05_us:
            yield i, "t01_us", "t01_us is below t05_us; light is longer above a tenth of its peak than above half."
