"""The night's page: facts and tables -> one HTML file."""

from .. import plots
from .whole_page import whole_page


def night_page(facts: dict, tables: dict) -> str:
    """The whole page as text (UTF-8). Everything it says comes from `facts`; the figures' marks come from `tables`."""
    figures = {name: plots.describe(name, tables, facts) for name in facts["figures"]}
    return whole_page("night.html.j2", facts, figures)
