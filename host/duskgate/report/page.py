"""The pages: facts and tables -> one HTML file each."""

from .. import plots
from .whole_page import whole_page


def night_page(facts: dict, tables: dict) -> str:
    """The whole page as text (UTF-8). Everything it says comes from `facts`; the figures' marks come from `tables`."""
    figures = {name: plots.describe(name, tables, facts) for name in facts["figures"]}
    return whole_page("night.html.j2", facts, figures)


def season_page(facts: dict) -> str:
    """The page of a season as text (UTF-8), from the facts of `season_facts` alone."""
    figures = {name: plots.describe(name, {}, facts) for name in facts["figures"]}
    return whole_page("season.html.j2", facts, figures)


def figure_page(name: str, facts: dict, tables: dict) -> str:
    """One figure of the night (a key of facts["figures"]) with its text and table, as a page of its own."""
    figures = {name: plots.describe(name, tables, facts)}
    return whole_page("figure.html.j2", {**facts, "one_figure": name}, figures)


def delay_page(facts: dict) -> str:
    """The page of the delay as text (UTF-8), from the facts of `delay_facts` alone."""
    figures = {name: plots.describe_rigs(name, facts) for name in facts["figures"]}
    return whole_page("delay.html.j2", facts, figures)


def plan_page(facts: dict) -> str:
    """The page of a plan as text (UTF-8), from the facts of `plan_facts` alone; it prints on one sheet."""
    return whole_page("plan.html.j2", facts, {})


def bench_pulse_page(facts: dict) -> str:
    """The page of the bench's light pulses as text (UTF-8), from the facts of `bench --pulse` alone."""
    figures = {name: plots.describe_bench(name, facts) for name in facts["figures"]}
    return whole_page("bench_pulse.html.j2", facts, figures)
