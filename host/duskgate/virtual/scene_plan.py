"""What an invented night is made of. Every figure here is made up for the demonstration garden; none was measured.

The setting: hawk-moths at a flowering-tobacco border in a walled garden in south-west France, watched by one beam
whose trigger unit fires three identical heads by radio. Times of night are hours after the scene's start, rates are
per scene, and shares are fractions of 1. A preset is this set of figures with some of them changed.
"""

from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from typing import Any


@dataclass(frozen=True)
class Moths:
    """Visits come in bouts (one animal returning), bouts gather around dusk and dawn."""

    visits: float = 580.0  # expected number on a dry night
    per_bout: float = 4.0  # mean visits of one bout
    dusk_h: float = 1.35
    dusk_width_h: float = 0.55
    dusk_share: float = 0.5
    dawn_h: float = 8.8
    dawn_width_h: float = 0.4
    dawn_share: float = 0.28  # the rest is spread evenly over the night
    return_s: float = 45.0  # median time from one visit's end to the same animal's next
    wait_s: float = 8.0  # median time a newcomer leaves after the one before it
    wait_sigma: float = 0.55
    more_breaks: float = 4.2  # mean number of breaks after the first
    hover_ms: float = 115.0  # median break
    hover_sigma: float = 0.75
    pause_s: float = 0.3  # median clear time between breaks of one visit
    pause_sigma: float = 0.6
    rest_share: float = 0.06  # of those pauses, how many are a short look elsewhere
    rest_s: float = 1.0
    in_rain: float = 0.1  # share of visits that come although it rains
    bounce_share: float = 0.02  # breaks whose leading edge chatters once


@dataclass(frozen=True)
class Nuisance:
    """What breaks the beam and is no moth."""

    insects: float = 330.0
    insect_ms: float = 3.4
    showers: tuple[tuple[float, float, float], ...] = ((4.1, 9.0, 0.5),)  # start h, length min, drops a second
    drop_ms: float = 1.1
    leaves: tuple[tuple[float, int], ...] = ((5.3, 44),)  # start h, swings
    swing_s: float = 1.25
    dew: tuple[tuple[float, float, int], ...] = ((6.4, 31.0, 26),)  # start h, length min, flickers on either side
    blocks: tuple[tuple[float, float], ...] = ((3.2, 14.0),)  # start h, seconds: something sits in the beam
    glitches: int = 24
    knock: tuple[tuple[float, float, int], ...] = ()  # start h, length h, spells: beam out of line
    buzz: tuple[tuple[float, float, float], ...] = ()  # start h, seconds, edges a second: very fast


@dataclass(frozen=True)
class Radio:
    """Trigger unit and radio: from the beam's break to the heads' contacts."""

    filter_us: float = 400.0  # breaks shorter than this leave no command
    holdoff_ms: float = 70.0  # after a command the unit does not look for this long
    delay_us: float = 2350.0
    jitter_us: float = 38.0
    tail_us: float = 25.0  # mean of the one-sided part of the jitter
    miss: float = 0.01  # commands that reach no head
    retry: float = 0.02  # commands that needed a second sending
    retry_us: tuple[float, float] = (6200.0, 8800.0)
    strangers: float = 7.0  # commands of someone else's transmitter, answered by these heads
    torches: float = 2.0  # someone else's flash, seen by the sensors only


@dataclass(frozen=True)
class Head:
    """One flash head. Chance of light at a gap g since its last light: (1 - lapse) Phi(ln(g / R) / sigma)."""

    skew_us: float
    recycle_s: float
    sag: float = 0.15  # R(n fires) = recycle_s (1 + sag (n / 1000) ** sag_power)
    sag_power: float = 1.3
    sigma: float = 0.09
    lapse: float = 0.004
    jitter_us: float = 4.5
    pulse_us: float = 210.0


@dataclass(frozen=True)
class Photodiode:
    """What the photodiode before the heads gives, in codes of the board's converter (0 to 4095), and the heads' light.

    Each head's light rises evenly, falls exponentially and is cut off; its capacitor charges through a resistor.
    """

    baseline: float = 118.0
    noise: float = 1.6
    peaks: tuple[float, ...] = (1130.0, 1085.0, 1110.0)  # of each head alone, fully charged
    rise_us: float = 24.0
    tau_us: float = 310.0
    cut_us: float | None = 195.0
    charge_s: float = 0.33


@dataclass(frozen=True)
class Camera:
    """On the camera path the trigger unit releases the camera, and the camera's contact fires the heads."""

    release_ms: float = 47.0
    release_jitter_ms: float = 0.9
    frame_s: float = 0.42  # after a frame the camera is busy for this long
    contact_ms: float = 6.0


@dataclass(frozen=True)
class Air:
    """Temperature, supply, crystal and clock chip."""

    start_degc: float = 26.5
    fall_k: float = 11.0
    crystal_ppm: float = 20.0  # fast, at 25 degrees
    crystal_ppm_per_k: float = -0.18
    crystal_ppm_per_k3: float = 1.1e-4
    clock_ppm: float = -1.3
    clock_ahead_ms: float = 140.0
    supply_mv: float = 5990.0
    supply_fall_mv: float = 540.0
    supply_noise_mv: float = 2.5


@dataclass(frozen=True)
class SecondBeam:
    """A second beam beside the first tells direction and speed."""

    spacing_mm: float = 38.0
    speed_mm_s: float = 640.0
    speed_sigma: float = 0.3
    inward_share: float = 0.72
    echo_share: float = 0.93  # breaks of a visit seen by both beams


@dataclass(frozen=True)
class NightPlan:
    """One invented night."""

    name: str = "border-night"
    title: str = "an ordinary summer night: dusk and dawn peaks, one shower, a swaying leaf, half an hour of dew"
    start: datetime = datetime(2026, 7, 18, 19, 0, 0, 250_000, tzinfo=UTC)
    hours: float = 10.0
    moths: Moths = field(default_factory=Moths)
    nuisance: Nuisance = field(default_factory=Nuisance)
    radio: Radio = field(default_factory=Radio)
    heads: tuple[Head, ...] = (Head(0.0, 0.78), Head(34.0, 0.82), Head(71.0, 0.88))
    air: Air = field(default_factory=Air)
    photodiode: Photodiode | None = field(default_factory=Photodiode)
    camera: Camera | None = None
    second_beam: SecondBeam | None = None
    resets: tuple[tuple[float, int], ...] = ()  # hour, boot cause as the log numbers them
    losses: tuple[tuple[float, int], ...] = ()  # hour, edges that the stamper loses from then on
    buttons: tuple[float, ...] = (2.75,)  # hours at which the board's button is pressed
    board: str = "d5a5c0f1de170718"


def changed(plan: NightPlan, **changes: Any) -> NightPlan:
    """A plan with parts changed: a dict for a part changes fields inside it, anything else replaces the field."""
    whole = {}
    for name, value in changes.items():
        part = getattr(plan, name)
        whole[name] = replace(part, **value) if isinstance(value, dict) and part is not None else value
    return replace(plan, **whole)


def as_json(plan: NightPlan) -> dict:
    """The plan as plain values, for the truth file."""
    return {**asdict(plan), "start": plan.start.isoformat()}


_BASE = NightPlan()
_DRY: dict[str, Any] = {"showers": (), "leaves": (), "dew": (), "blocks": ()}
_OLD_CELLS: dict[str, Any] = {"sag": 1.3, "sag_power": 1.6}
_TIRED = tuple(replace(h, recycle_s=r, **_OLD_CELLS) for h, r in zip(_BASE.heads, (0.9, 0.93, 1.05), strict=True))

_ALL = (
    _BASE,
    changed(
        _BASE, name="quiet-night", title="few moths, dry and still",
        moths={"visits": 130.0, "per_bout": 2.5, "return_s": 80.0}, nuisance={**_DRY, "insects": 90.0},
    ),
    changed(
        _BASE, name="busy-night", title="many moths, newcomers close on each other's heels",
        moths={"visits": 1150.0, "per_bout": 6.0, "return_s": 25.0, "wait_s": 6.0}, nuisance={**_DRY, "insects": 420.0},
    ),
    changed(
        _BASE, name="wet-night", title="three showers and a long dew, with moths in between",
        moths={"visits": 420.0},
        nuisance={
            "showers": ((1.9, 7.0, 0.9), (3.6, 16.0, 0.5), (7.9, 6.0, 1.4)), "dew": ((5.1, 52.0, 40),),
            "leaves": ((2.6, 60), (4.6, 35)), "insects": 160.0,
        },
    ),
    changed(
        _BASE, name="tired-cells", title="heads on old cells: recycle times grow through the night",
        moths={"visits": 860.0, "dusk_share": 0.4}, nuisance=_DRY, heads=_TIRED, air={"supply_fall_mv": 1350.0},
    ),
    changed(
        _BASE, name="knocked-beam", title="the emitter was knocked early on and only just reaches its receiver",
        moths={"visits": 300.0},
        nuisance={**_DRY, "knock": ((2.2, 5.6, 34),), "buzz": ((4.0, 5.0, 420.0),)}, losses=((5.0, 12),),
    ),
    changed(
        _BASE, name="empty-garden", title="no moth came: insects, a cat on the wall, and electrical noise",
        moths={"visits": 0.0}, nuisance={**_DRY, "insects": 70.0, "blocks": ((4.4, 21.0),)}, radio={"strangers": 2.0},
    ),
    changed(
        _BASE, name="two-resets", title="a loose plug: the board starts afresh twice",
        moths={"visits": 520.0}, nuisance=_DRY, resets=((1.62, 1), (8.71, 2)),
    ),
    changed(
        _BASE, name="guided-evening",
        title="three hours with guests; the beam releases a camera whose contact fires the heads",
        hours=3.2, camera=Camera(), buttons=(1.0, 2.4),
        moths={"visits": 260.0, "dusk_share": 0.85, "dawn_share": 0.0, "dusk_h": 1.5},
        nuisance={**_DRY, "insects": 110.0},
    ),
    changed(
        _BASE, name="two-beams", title="a second beam 38 mm further in tells direction and speed",
        second_beam=SecondBeam(), moths={"visits": 400.0},
    ),
)

PRESETS: dict[str, NightPlan] = {plan.name: plan for plan in _ALL}
