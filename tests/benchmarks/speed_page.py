"""Writing a night's page: against a plain write of its bytes, and against plotly's own pages of its figures."""

from __future__ import annotations

import tempfile
from pathlib import Path

import plotly.graph_objects as go
from duskgate import plots
from duskgate.cli.night import write_page
from duskgate.report.open_night import open_night
from duskgate.report.page import night_page

from tests.benchmarks.rows import Row, at_most, in_turns, middle, paired
from tests.cli.night_logs import night_log

TURNS = 5
AGAINST_PLOTLY = 1.0


def rows() -> list[Row]:
    """The page from facts and tables, all libraries loaded."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "night.dgl").write_bytes(night_log("border-night", seed=3))
        opened = open_night(folder / "night.dgl")
        names = list(opened.facts["figures"])

        def ours() -> None:
            write_page(folder / "ours.html", night_page(opened.facts, opened.tables), True)

        def plotlys() -> None:
            drawn = [go.Figure(plots.describe(name, opened.tables, opened.facts)) for name in names]
            pieces = [f.to_html(full_html=False, include_plotlyjs=not k) for k, f in enumerate(drawn)]
            (folder / "plotlys.html").write_text("".join(pieces), encoding="utf-8")

        ours()
        data = (folder / "ours.html").read_bytes()
        plain = {"plain": lambda: (folder / "plain.html").write_bytes(data)}
        took = in_turns({"ours": ours, "plotly": plotlys} | plain, TURNS)
    what, figure = f"write the night's page of {len(data) / 1e6:.1f} MB", f"{middle(took['ours']) * 1e3:.0f} ms"
    ratio, spread = paired(took["ours"], took["plotly"])
    times, times_spread = paired(took["ours"], took["plain"])
    return [
        Row(what, figure, f"{middle(took['plotly']) * 1e3:.0f} ms, plotly's to_html of its {len(names)} figures",
            **at_most(AGAINST_PLOTLY, ratio), spread=spread),
        Row(what, figure, f"{middle(took['plain']) * 1e3:.1f} ms, a plain write of its bytes", times,
            spread=times_spread),
    ]  # fmt: skip
