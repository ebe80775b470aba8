"""Tables of a night -> figures. One module per figure; each has `figure(tables, facts)`, which gives plain dicts.

`facts` is the dict of `report.facts`: titles, zone, sky and intervals come from there, so that a figure says nothing
that the facts do not say.
"""

from . import (
    bench_pulse,
    blind,
    delay,
    delay_rigs,
    false_triggers,
    misses,
    pulse,
    rate,
    season_drift,
    season_map,
    season_rates,
    supply,
    visits,
)

FIGURES = {
    "visits": visits.figure,
    "rate": rate.figure,
    "delay": delay.figure,
    "pulse": pulse.figure,
    "misses": misses.figure,
    "supply": supply.figure,
    "false": false_triggers.figure,
    "blind": blind.figure,
    "season_map": season_map.figure,
    "season_hours": season_rates.hours,
    "season_nights": season_rates.nights,
    "season_compare": season_rates.compare,
    "season_delay": season_drift.delay,
    "season_recycle": season_drift.recycle,
}


BENCH_FIGURES = {"pulses": bench_pulse.pulses, "charge": bench_pulse.charge}
RIG_FIGURES = {"shapes": delay_rigs.shapes, "late": delay_rigs.late, "time": delay_rigs.over_time}


def describe(name: str, tables: dict, facts: dict) -> dict:
    """Data and layout of the figure called `name` (a key of facts["figures"]), as dicts with numpy arrays.

    This is all that a page needs; it costs a tenth of the time of a checked plotly Figure.
    """
    return FIGURES[name](tables, facts)


def describe_rigs(name: str, facts: dict) -> dict:
    """The same for the delay's page, whose figures say in their facts under "draw" which of RIG_FIGURES they are."""
    said = facts["figures"][name]
    return RIG_FIGURES[said["draw"]](said, facts)


def describe_bench(name: str, facts: dict) -> dict:
    """The same for the page of the bench's light pulses; its facts say under "draw" which of BENCH_FIGURES it is."""
    said = facts["figures"][name]
    return BENCH_FIGURES[said["draw"]](said, facts)


def build(name: str, tables: dict, facts: dict):
    """The same as a plotly Figure, every property checked by plotly: for notebooks."""
    import plotly.graph_objects as go

    figure = go.Figure(describe(name, tables, facts))
    figure.layout.template = "none"
    return figure
