"""A day and a full store of the soak; the script runs weeks."""

import numpy as np
import pandas as pd

from tests.nothing_lost import soak


def test_a_day_with_cuts_and_pulls_loses_nothing(tmp_path):
    tally = soak.weeks_of_nights(tmp_path, 1 / 7, seed=7)
    assert tally.wrong == 0 and tally.edges > 10_000 and tally.guarded > 1_000, tally


def test_a_full_store_loses_only_what_it_tells(tmp_path):
    tally = soak.until_full(tmp_path, seed=7)
    assert tally.wrong == 0 and tally.did["full"] == 1 and tally.told > 10_000, tally


def test_the_comparison_sees_one_edge_too_few_and_one_too_many(tmp_path, monkeypatch):
    rng = np.random.default_rng(3)
    week = soak.make_week(tmp_path, 3, 1, 50, rng, resets=0)
    with soak.Followed(week, tmp_path / "flash") as board:
        board.wait_scene_end()
        soak.pull(board.url, tmp_path / "book")
    real = soak.read_dgl_files
    for change, counted in ((lambda e: e.drop(e.index[20]), "lost"), (with_one_more, "invented")):
        tally = soak.Tally()

        def changed(files, change=change):
            recording = real(files)
            recording.edges = change(recording.edges)
            return recording

        monkeypatch.setattr(soak, "read_dgl_files", changed)
        soak.compare(tmp_path / "book", [week], tally)
        assert getattr(tally, counted) >= 1 and tally.wrong == getattr(tally, counted)


def with_one_more(edges):
    """The table with one row more, one tick later than an edge of it."""
    more = edges.iloc[[20]].assign(t_ns=edges["t_ns"].iloc[20] + soak.TICK_NS)
    return pd.concat([edges, more])
