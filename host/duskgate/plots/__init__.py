"""Tables of a night -> figures. One module per figure; each has `figure(tables, facts) -> plotly Figure`.

`facts` is the dict of `report.facts`: titles, zone, sky and intervals come from there, so that a figure says nothing
that the facts do not say.
"""

from importlib import import_module

MODULES = {
    "visits": "visits",
    "rate": "rate",
    "delay": "delay",
    "misses": "misses",
    "supply": "supply",
    "false": "false_triggers",
    "blind": "blind",
}


def build(name: str, tables: dict, facts: dict):
    """The plotly Figure called `name` (a key of facts["figures"])."""
    return import_module(f".{MODULES[name]}", __name__).figure(tables, facts)
