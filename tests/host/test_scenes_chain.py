"""Scene -> the board's own firmware -> serial link -> logbook -> decoder: every edge once, at its tick."""

import importlib.util
import time

import numpy as np
import pytest
from duskgate.cli.pull import pull_with
from duskgate.logfile.decode import read_dgl
from duskgate.timebase.clock import fit_clock
from duskgate.virtual import scene_file, scenes
from duskgate.virtual.board import interpreter_here
from duskgate.virtual.scene_play import played

from tests.host.scene_recording import RESTART_NS, boots_of

TICK_NS = 72
HAVE_MICROPYTHON = importlib.util.find_spec("micropython_unix") is not None
INTERPRETERS = [
    "cpython",
    pytest.param("micropython", marks=pytest.mark.skipif(not HAVE_MICROPYTHON, reason="no MicroPython wheel here")),
]


def logged(scene, folder, interpreter):
    """Recording of the scene's night, and the pull's result."""
    with played(scene, folder, interpreter) as (_, link):
        result = pull_with(link, folder / "logbook", None)
    assert not result.warnings
    return read_dgl(result.path), result


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_every_edge_of_the_scene_is_logged_once_at_its_tick(tmp_path, interpreter):
    scene = scenes.make("border-night", seed=3, hours=0.4, moths={"visits": 60.0, "dusk_h": 0.2, "dawn_share": 0.0})
    rec, _ = logged(scene, tmp_path, interpreter)
    t, channel, level = scene.edges()
    assert len(t) > 1500 and len(rec.edges) == len(t) and not rec.damaged and len(rec.blind) == 0
    assert (rec.edges["channel"].to_numpy() == channel).all() and (rec.edges["level"].to_numpy() == level).all()
    late = (rec.edges["t_ns"].to_numpy() - t) / TICK_NS
    assert late.min() > -1.0 and late.max() <= 1.0


def test_readings_and_buttons_of_the_scene_are_logged(tmp_path):
    scene = scenes.make("quiet-night", seed=3, hours=0.5, buttons=(0.2, 0.3))
    rec, _ = logged(scene, tmp_path, None)
    assert rec.notes["what"].astype(str).tolist() == ["button", "button"]
    at = np.array([0.2, 0.3]) * 3600.0
    assert np.abs(rec.notes["t_ns"].to_numpy() - scene.time.board(at)).max() < 100e6  # a round of the board's loop
    supply = rec.reading("battery_mv")
    told = scene.rows[scene.rows["what"] == scene_file.SUPPLY_MV]
    assert len(supply) >= 29 and set(supply["value"]) <= set(told["value"].astype(int))
    assert int(rec.boots["channel_mask"].iloc[0]) == scene.header["channels"] | 128
    assert rec.boots["board"].iloc[0] == scene.plan.board


def test_clock_of_the_log_finds_true_utc_within_its_uncertainty(tmp_path):
    scene = scenes.make("quiet-night", seed=5, hours=1.0)
    rec, _ = logged(scene, tmp_path, None)
    clock = fit_clock(rec)
    at = np.linspace(0.0, 3600.0, 61)
    utc = clock.utc_us(0, scene.time.board(at))
    off = np.abs(utc - (scene.start_utc_us + 1e6 * at))
    assert (off <= clock.unc_us(0, scene.time.board(at))).all()
    # at the end the host's clock was compared with the board's, to within the round trip and a step of its clock
    assert off[-1] < 10_000


def test_resets_lose_no_more_than_what_was_not_yet_stored(tmp_path):
    scene = scenes.make("two-resets", seed=2, hours=0.5, resets=((0.2, 1), (0.4, 2)), moths={"dusk_h": 0.25})
    rec, _ = logged(scene, tmp_path, None)
    assert rec.boots["cause"].astype(str).tolist() == ["power-on", "power-on", "watchdog"]
    starts = np.array([b[0] for b in boots_of(scene)])
    got = starts[rec.edges["boot"]] + rec.edges["t_ns"].to_numpy()
    t, channel, _ = scene.edges()
    resets = scene.rows[scene.rows["what"] == scene_file.RESET]["t_ns"].astype(np.int64)
    for k, ch in enumerate(np.unique(channel)):
        want, have = t[channel == ch], got[rec.edges["channel"].to_numpy() == ch]
        near = np.abs(have[np.clip(np.searchsorted(have, want - TICK_NS), 0, len(have) - 1)] - want) <= TICK_NS
        for at in want[~near]:
            before, after = resets - at, at - resets
            assert ((before >= 0) & (before <= 10.5e9)).any() or ((after >= 0) & (after <= RESTART_NS)).any(), (k, at)


def test_lost_words_and_fast_chatter_are_owned_up_to(tmp_path):
    scene = scenes.make(
        "knocked-beam", seed=2, hours=0.5, losses=((0.1, 12),),
        nuisance={"knock": ((0.2, 0.2, 4),), "buzz": ((0.3, 5.0, 420.0),)},
    )  # fmt: skip
    rec, _ = logged(scene, tmp_path, None)
    t, _, _ = scene.edges()
    assert len(rec.blind) == 1 and rec.blind["why"].astype(str).iloc[0] == "stamper overrun"
    assert rec.blind["from_ns"].iloc[0] - TICK_NS <= scene.time.board(360.0) <= rec.blind["to_ns"].iloc[0]
    assert len(rec.chatter) >= 3 and rec.chatter["edges"].to_numpy().min() > 0
    # summarised edges and stored ones together are the scene's, but for the lost words (SECOND's are among them)
    assert len(t) - 12 <= len(rec.edges) + int(rec.chatter["edges"].sum()) <= len(t)


def test_the_same_night_gives_the_same_segments(tmp_path):
    pieces = []
    for n in range(2):
        (tmp_path / str(n)).mkdir()
        _, result = logged(scenes.make("quiet-night", seed=4, hours=0.3), tmp_path / str(n), "cpython")
        rec = read_dgl(result.path)
        pieces.append(rec.edges)
    assert pieces[0].equals(pieces[1])


def test_a_pull_right_after_the_night_names_the_scenes_date_and_time(tmp_path):
    scene = scenes.make("quiet-night", seed=4)
    begun = time.monotonic()
    _, result = logged(scene, tmp_path, None)
    assert result.path.name.startswith("2026-07-18_d5a5c0f1de170718_20260719T0500")
    assert time.monotonic() - begun < 60.0


def test_interpreter_is_said_honestly(tmp_path):
    scene = scenes.make("quiet-night", seed=4, hours=0.1)
    rec, _ = logged(scene, tmp_path, "cpython")
    assert rec.boots["interpreter"].iloc[0] == "CPython" and interpreter_here("cpython") == "cpython"
