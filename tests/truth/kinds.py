"""Kinds of night: figures of an invented garden, made up so that the analysis meets what a real night may bring.

How long an animal stays decides how much a night tells of the flash. One visit is one hover: light barriers at flowers
measured a median of 0.32 s for nectar bats (Tschapka & von Helversen 2007, J. Trop. Ecol. 23:385) and 0.32 s with a
standard deviation of 0.14 s (Voigt 2004, J. Comp. Physiol. B 174:541). Wings and head break the beam a few times in
it, so a visit here has 1 to 6 breaks, 2.6 on average, and its median length is 0.6 s, which allows for a beam that
also sees the animal come and go. Most visits are then shorter than a flash takes to recycle, and the next break comes
when the heads are full. An animal that stays for several hovers, 1.2 s and 4.5 breaks, fires, is missed while the heads
recycle, and is there again at the very moment when they are nearly full: a command lost then cannot be told from a
flash that was not quite ready. Such nights are the kind `lingering`.
"""

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Head:
    skew_us: float
    recycle_s: float = 0.9
    lapse: float = 0.004
    sigma: float = 0.09


@dataclass(frozen=True)
class Plan:
    """One kind of night. Seconds unless the name says otherwise; counts are expected ones."""

    name: str = "calm"
    length: float = 36_000.0
    visits: float = 140.0
    per_bout: float = 3.0
    bout_gap: float = 14.0  # median clear time between visits of one bout
    bout_gap_sd: float = 0.7  # of its ln
    wait: float = 1.1  # median time after which the next animal takes a place that has become free
    more_breaks: float = 1.6  # breaks of a visit beyond its first
    pause: float = 0.17  # median clear time inside a visit
    pause_sd: float = 0.48
    pause_max: float = 2.5
    hover_ms: float = 110.0
    hover_sd: float = 0.75
    insects: float = 160.0
    glitches: float = 20.0
    showers: int = 0
    leaves: int = 0
    dew: int = 0
    chatter_spells: int = 0
    dark_spells: int = 0
    lost_edges: float = 0.0
    resets: float = 0.5
    strangers: float = 6.0
    radio_miss: float = 0.01
    retry: float = 0.02
    heads: tuple[Head, ...] = (Head(0.0), Head(60.0, 0.95), Head(-35.0, 0.88), Head(110.0, 1.05, 0.04))
    growth: float = 0.0  # R at the end of 1000 fires = (1 + growth) R
    power: float = 1.3
    knee: float = 0.0  # fires/1000 after which R rises steeply; 0 = none
    unit_us: float = 3200.0
    jitter_us: float = 35.0
    path: str = "beam_flash"
    lag_us: float = 0.0  # shutter lag of the camera path
    lag_sd_us: float = 0.0
    frame_s: float = 0.0
    second: bool = False
    shared_sensors: bool = False  # every sensor sees every head
    ppm: float = 20.0
    swing_ppm: float = 3.0
    rtc_bad: float = 0.0


CALM = Plan()
PLANS = {
    "calm": CALM,
    "busy": replace(
        CALM, name="busy", visits=1100.0, per_bout=9.0, bout_gap=12.0, bout_gap_sd=0.8, insects=300.0, strangers=10.0
    ),
    "lingering": replace(
        CALM,
        name="lingering",
        visits=700.0,
        per_bout=6.0,
        bout_gap=14.0,
        bout_gap_sd=0.7,
        more_breaks=3.5,
        pause_sd=0.42,
        wait=1.5,
        insects=200.0,
    ),
    "rain": replace(CALM, name="rain", visits=300.0, per_bout=4.0, showers=3, leaves=2, dew=1, insects=200.0),
    "failing": replace(CALM, name="failing", visits=700.0, per_bout=6.0, growth=2.4, resets=2.0, insects=200.0),
    "knee": replace(CALM, name="knee", visits=700.0, per_bout=6.0, knee=0.35, resets=1.0, insects=200.0),
    "misaligned": replace(CALM, name="misaligned", visits=350.0, chatter_spells=26, dark_spells=18, lost_edges=0.001),
    "daytime": replace(
        CALM,
        name="daytime",
        visits=260.0,
        per_bout=1.6,
        bout_gap=60.0,
        wait=9.0,
        more_breaks=2.0,
        pause=0.5,
        pause_sd=0.5,
        hover_ms=220.0,
        path="beam_camera",
        lag_us=58_000.0,
        lag_sd_us=900.0,
        frame_s=0.35,
        retry=0.0,
        insects=120.0,
    ),
    "empty": replace(CALM, name="empty", visits=0.0, strangers=2.0, insects=120.0),
    "two_beams": replace(CALM, name="two_beams", visits=300.0, per_bout=4.0, second=True, showers=2, leaves=2),
    "one_sensor": replace(CALM, name="one_sensor", visits=300.0, shared_sensors=True, heads=CALM.heads[:3]),
    "resets": replace(CALM, name="resets", visits=300.0, resets=6.0),
    "drift": replace(CALM, name="drift", visits=300.0, ppm=45.0, swing_ppm=12.0, rtc_bad=0.02),
}
