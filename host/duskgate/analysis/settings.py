"""Thresholds of the analysis, each editable in the site file; the defaults stand here with their meaning."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any


@dataclass(frozen=True)
class Settings:
    """Thresholds and facts of the rig that the analysis uses. Times in seconds unless the name says otherwise."""

    # breaks
    merge_ms: float = 1.0  # clear times shorter than this are chatter of one break
    glitch_ms: float = 0.1  # shorter than this is electrical
    blocked_s: float = 2.0  # no passing animal breaks the beam this long
    blocked_near_s: float = 2.5  # breaks this close to a long one belong to it
    chatter_breaks: int = 24  # this many breaks ...
    chatter_s: float = 5.0  # ... within this time is no animal
    dew_s: float = 300.0  # darkness this long is dew or a fallen leaf
    dew_near_s: float = 180.0  # flicker this close to it belongs to it
    dew_short_ms: float = 6.0  # shorter than this is a drop or an insect even there
    dew_density_s: float = 30.0  # time on either side over which the flicker's density is counted
    dew_odds: float = 2.0  # a visit there must be this many times likelier than flicker
    dark_join_s: float = 30.0  # dark pieces closer than this are one darkness
    leaf_breaks: int = 7
    leaf_strokes: int = 12  # at least so many in all, in runs no farther apart than ...
    leaf_spell_s: float = 30.0  # ... this
    leaf_min_ms: float = 30.0
    leaf_sd_interval: float = 0.25  # of ln(interval)
    leaf_sd_duration: float = 0.45  # of ln(duration)
    leaf_interval_s: tuple[float, float] = (0.45, 3.0)
    leaf_animal_breaks: int = 25  # shorter runs echoed by BEAM2 are an animal
    echo_s: float = 0.2
    visit_ms: float = 18.0  # the longest break of a visit lasts at least this
    rain_breaks: int = 10
    rain_near_s: float = 90.0
    rain_median_ms: float = 2.0
    rain_ms: float = 5.0
    # visits
    visit_gap_s: float = 0.8  # assumed where too few gaps were seen to fit it
    min_gaps: int = 60
    beam_spacing_mm: float | None = None
    # light and triggers
    light_join_ms: float = 1.5
    light_glitch_us: float = 8.0
    lag_max_ms: float = 300.0
    retry_ms: float = 20.0
    retry_camera_ms: float = 50.0
    path: str = "beam_flash"
    channels: tuple[str, ...] | None = None  # channels in use; None: as the board says
    heads: tuple[tuple[str, tuple[int, ...]], ...] | None = (
        None  # None: learn from the night which sensors are separate
    )
    unit_filter_ms: float = 0.0  # the trigger unit leaves shorter breaks without a command; 0 = not known
    # recycle
    command_dead_s: float = 0.06
    needed_gap_s: float = 3.0
    battery_growth: float = 1.1
    # camera
    exposure_s: float | None = None
    frame_pause_s: float = 0.5
    # rates
    bin_s: float = 1800.0
    dispersion_bin_s: float = 1200.0  # longer than a bout: shorter bins would take its visits for independent ones
    best_window_s: float = 7200.0
    window_step_s: float = 1800.0
    refill_s: float = 3600.0  # time after a refill of the feeder that is also shown apart
    # supply of the logger
    cutoff_mv: float = 3300.0
    chemistry: str = ""
    logger_cells: int | None = None  # in series
    supply_curve: tuple[tuple[float, float], ...] | None = None  # an earlier discharge: (hours, mV) down to the cut-off
    assumed: tuple[str, ...] = field(default=())  # names that the site file left to the default


def settings_of(site: Any) -> Settings:
    """Settings from a site object: its own `analysis_settings()` where it has one, else defaults."""
    if site is None:
        return Settings()
    if isinstance(site, Settings):
        return site
    given = getattr(site, "analysis_settings", None)
    values = dict(given() if callable(given) else given or {})
    known = {f.name for f in fields(Settings)}
    values = {k: v for k, v in values.items() if k in known and v is not None}
    return replace(Settings(), **values)
