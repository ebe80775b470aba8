"""A recording written as a capture and read again: edges to the ns, readings, starts, times without sight."""

import numpy as np
import pandas as pd
import pytest
from duskgate.analysis.night import analyse
from duskgate.errors import UsageError
from duskgate.export.capture import capture_files
from duskgate.export.starts import starts_of
from duskgate.logfile.captures import read_edges_csv
from duskgate.logfile.decode import read_dgl
from duskgate.logfile.recording import table
from duskgate.timebase.clock import fit_clock
from duskgate.virtual import scenes
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.cli.night_logs import night_log
from tests.host.made_recording import made
from tests.host.scene_recording import recording_of

ANY_FOLDER = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def back(folder, rec, counted=False):
    files, said = capture_files(rec, counted)
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return read_edges_csv(folder / "edges.csv"), said


@pytest.mark.parametrize("preset", ["two-resets", "two-beams"])
def test_a_night_comes_back_with_its_edges_starts_and_clock(tmp_path, preset):
    rec = recording_of(scenes.make(preset, 3))
    again, said = back(tmp_path, rec)
    assert said == []
    pd.testing.assert_frame_equal(again.edges, rec.edges)
    columns = ["boot_no", "cause", "first_ns", "last_ns", "levels"]
    pd.testing.assert_frame_equal(again.boots[columns], rec.boots[columns])
    for kind in ("battery_mv", "temp_c100", "rtc_unix_ms"):
        pd.testing.assert_frame_equal(
            again.reading(kind).reset_index(drop=True), rec.reading(kind).reset_index(drop=True)
        )
    one, two = fit_clock(rec), fit_clock(again)
    # the host's clock is written in ms
    apart = two.utc_us(rec.edges["boot"], rec.edges["t_ns"]) - one.utc_us(rec.edges["boot"], rec.edges["t_ns"])
    assert np.abs(apart).max() <= 1000


def test_a_log_analysed_from_its_capture_gives_the_same_visits(tmp_path):
    path = tmp_path / "night.dgl"
    path.write_bytes(night_log("quiet-night", seed=4))
    rec = read_dgl(path)
    again, _ = back(tmp_path, rec)
    own, other = analyse(rec, fit_clock(rec), None), analyse(again, fit_clock(again), None)
    columns = ["t_us", "dur_us", "visit_id", "outcome", "latency_us"]
    pd.testing.assert_frame_equal(own.tables["breaks"][columns], other.tables["breaks"][columns])
    assert list(own.tables["breaks"]["kind"]) == list(other.tables["breaks"]["kind"])
    assert len(own.tables["visits"]) > 50


def test_a_capture_of_a_capture_is_the_same_file(tmp_path):
    first = "boot,t_us,kind,value\n4,0.000,boot_cause,2\n4,0.000,levels,0\n4,5.000,battery_mv,5000\n"
    losses = "4,6.000,lost_edges,2\n4,9.000,lost_edges,5\n"
    (tmp_path / "edges.csv").write_text("boot,t_us,channel,level\n4,7.001,BEAM,1\n4,7.250,BEAM,0\n")
    (tmp_path / "readings.csv").write_text(first + losses)
    rec = read_edges_csv(tmp_path / "edges.csv")
    files, said = capture_files(rec, counted=True)
    assert said == [] and files["edges.csv"] == (tmp_path / "edges.csv").read_bytes()
    assert files["readings.csv"].decode() == first + losses


def test_times_without_sight_come_back_although_batteries_were_read_meanwhile(tmp_path):
    rec = made(
        [(1, 0, 1000, 0), (2, 50, 3000, 1)], [(0, 10, 0, 1), (1, 60, 0, 0)],
        blind=[(0, 100, 400), (0, 300, 500), (0, 900, 2000), (1, 50, 70)], battery=[(0, 200), (0, 450), (1, 60)],
    )  # fmt: skip
    again, said = back(tmp_path, rec)
    spells = again.blind[["boot", "from_ns", "to_ns"]].to_numpy().tolist()
    assert spells == [[0, 100, 200], [0, 200, 450], [0, 450, 500], [0, 900, 1000], [1, 50, 60], [1, 60, 70]]
    assert again.boots[["boot_no", "first_ns", "last_ns", "levels"]].to_numpy().tolist() == [
        [1, 0, 1000, 0],
        [2, 50, 3000, 1],
    ]
    assert len(said) == 1 and said[0].startswith("4 times without sight")


def test_what_has_no_place_is_named(tmp_path):
    rec = made([(7, 0, 10, 0)], [(0, 3, 0, 1)])
    rec.notes = table("notes", boot=[0], t_ns=[5], what=["refilled"], head=[0], text=["x"])
    _, said = back(tmp_path, rec)
    assert said == ["A capture has no place for 1 notes: they are not in it."]


def test_clock_seconds_that_the_board_was_not_sure_of_stay_away_and_are_counted(tmp_path):
    rec = made([(1, 0, 10**9, 0)], [(0, 3, 0, 1)])
    kinds = ["rtc_unix_ms", "rtc_unix_ms", "clock_state"]
    rec.readings = table(
        "readings", boot=[0] * 3, t_ns=[100, 10**9, 100], kind=kinds, value=[1_784_000_000_000, 1_784_000_001_000, 4],
        index=[0] * 3,
    )  # fmt: skip
    again, said = back(tmp_path, rec)
    assert again.reading("rtc_unix_ms")[["t_ns", "value"]].to_numpy().tolist() == [[10**9, 1_784_000_001_000]]
    assert said[-1] == "1 clock second that the board was not sure of is left out."


def test_starts_that_were_not_counted_upwards_are_numbered_anew(tmp_path):
    again, _ = back(tmp_path, made([(9, 0, 10, 0), (9, 0, 10, 0)], [(0, 3, 0, 1), (1, 3, 0, 1)]))
    assert again.boots["boot_no"].tolist() == [0, 1]


def test_more_than_a_capture_can_hold_is_refused():
    with pytest.raises(UsageError, match="52 days"):
        capture_files(made([(1, 0, 1 << 53, 0)], [(0, 1 << 53, 0, 1)]), False)


@ANY_FOLDER
@given(st.data())
def test_any_edges_and_spells_come_back(tmp_path, data):
    times = data.draw(st.lists(st.integers(0, 1 << 51), min_size=1, max_size=30).map(sorted))
    channel = data.draw(st.lists(st.integers(0, 6), min_size=len(times), max_size=len(times)))
    level = data.draw(st.lists(st.integers(0, 1), min_size=len(times), max_size=len(times)))
    ends = data.draw(st.lists(st.integers(0, 1 << 51), min_size=2, max_size=12, unique=True).map(sorted))
    spells = [(0, lo, hi) for lo, hi in zip(ends[::2], ends[1::2], strict=False)]
    rec = made([(1, 0, 1 << 51, 0)], [(0, *row) for row in zip(times, channel, level, strict=True)], blind=spells)
    again, _ = back(tmp_path, rec)
    pd.testing.assert_frame_equal(again.edges, rec.edges)
    assert again.blind[["boot", "from_ns", "to_ns"]].to_numpy().tolist() == [list(spell) for spell in spells]


def test_only_starts_that_reach_into_the_window_are_taken_and_all_of_each():
    rec = recording_of(scenes.make("two-resets", 3))
    clock = fit_clock(rec)
    boots = rec.boots["boot"].to_numpy()
    begin = clock.utc_us(boots, rec.boots["first_ns"].to_numpy())
    some, numbers = starts_of(rec, clock, (int(begin[1]) + 1, int(begin[2]) - 10_000_000))
    assert numbers.tolist() == [1] and some.boots["boot"].tolist() == [0]
    own = rec.edges[rec.edges["boot"] == 1]
    assert some.edges["t_ns"].tolist() == own["t_ns"].tolist() and set(some.edges["boot"]) == {0}
    assert starts_of(rec, clock, None)[0] is rec
