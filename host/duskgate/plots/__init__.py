"""Tables of a night -> figures. One module per figure; each has `figure(tables, facts) -> plotly Figure`.

`facts` is the dict of `report.facts`: titles, zone, sky and intervals come from there, so that a figure says nothing
that the facts do not say.
"""

from . import blind, delay, false_triggers, misses, rate, supply, visits

FIGURES = {
    "visits": visits.figure,
    "rate": rate.figure,
    "delay": delay.figure,
    "misses": misses.figure,
    "supply": supply.figure,
    "false": false_triggers.figure,
    "blind": blind.figure,
}


def build(name: str, tables: dict, facts: dict):
    """The plotly Figure called `name` (a key of facts["figures"])."""
    return FIGURES[name](tables, facts)
