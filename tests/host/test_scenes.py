"""Invented nights: one seed gives the same bytes, figures are those of the plan, and the truth agrees with itself."""

import json
import math

import numpy as np
import pytest
from duskgate import fields
from duskgate.errors import UsageError
from duskgate.virtual import scene_air, scene_breaks, scene_chain, scene_file, scenes


@pytest.fixture(scope="module")
def nights():
    return {name: scenes.make(name, seed=11) for name in scenes.PRESETS}


def column(table: dict, name: str) -> np.ndarray:
    return np.array([math.nan if v is None else v for v in table[name]])


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not(tmp_path):
    a, b, c = (scenes.make(seed=s, hours=1.0).write(tmp_path / f"{n}.scene") for n, s in enumerate((5, 5, 6)))
    assert a.read_bytes() == b.read_bytes() != c.read_bytes()


def test_every_preset_differs_and_says_that_it_is_invented(nights):
    assert len({n.rows.tobytes() for n in nights.values()}) == len(nights)
    for name, night in nights.items():
        assert night.truth["preset"] == night.header["name"] == name
        assert "made up" in night.truth["invented"]


def test_the_ordinary_night_has_about_20000_edges_in_ten_hours():
    counts = [len(scenes.make(seed=s).edges()[0]) for s in range(1, 6)]
    assert all(15_000 < n < 26_000 for n in counts), counts
    assert scenes.PRESETS["border-night"].hours == 10.0


def test_records_are_sorted_and_within_the_scene(nights):
    for night in nights.values():
        t = night.rows["t_ns"].astype(np.int64)
        assert (np.diff(t) >= 0).all() and t[0] == 0 and t[-1] <= night.header["end_ns"]


def test_levels_alternate_on_every_channel_and_end_clear(nights):
    for night in nights.values():
        _, channel, level = night.edges()
        for ch in np.unique(channel):
            mine = level[channel == ch]
            assert mine[0] == 1 and mine[-1] == 0 and (np.diff(mine) != 0).all()


def test_only_wired_channels_speak(nights):
    for night in nights.values():
        assert set(np.unique(night.edges()[1])) <= {b for b in range(7) if night.header["channels"] >> b & 1}
    assert (nights["two-beams"].edges()[1] == fields.BEAM2).sum() > 500
    assert (nights["guided-evening"].edges()[1] == fields.SYNC).sum() > 200


def test_beam_edges_are_the_breaks_of_the_truth(nights):
    night = nights["border-night"]
    t, channel, level = night.edges()
    starts = t[(channel == fields.BEAM) & (level == 1)]
    told = column(night.truth["breaks"], "start_ns").astype(np.int64)
    assert np.isin(told, starts).all()
    bounces = np.setdiff1d(starts, told)  # a chattering leading edge opens once more within a millisecond
    before = told[np.searchsorted(told, bounces) - 1]
    assert 0 < len(bounces) < 0.06 * len(told) and (bounces - before < 1_000_000).all()


def test_light_edges_are_the_fires_of_the_truth_and_strangers_flashes(nights):
    night = nights["border-night"]
    t, channel, level = night.edges()
    fires = night.truth["fires"]
    answered = column(fires, "break_id") >= 0
    for k in range(3):
        lit = t[(channel == fields.FLASH1 + k) & (level == 1)]
        late = column(fires, f"latency{k + 1}_us")[answered]
        start = column(night.truth["breaks"], "start_ns")[column(fires, "break_id")[answered].astype(int)]
        told = (start + 1e3 * late)[~np.isnan(late)]
        nearest = np.abs(lit[np.searchsorted(lit, told).clip(1, len(lit) - 1)] - told)
        nearest = np.minimum(nearest, np.abs(lit[np.searchsorted(lit, told).clip(1, len(lit) - 1) - 1] - told))
        # latencies are true time, edges board time (some 20 ppm fast), rounded to a nanosecond
        assert (nearest < 2.0 + 30e-6 * 1e3 * late[~np.isnan(late)]).all()
        assert len(lit) >= night.truth["heads"][k]["n_fires"] >= len(told)


def test_every_fire_has_its_break_and_every_break_at_most_one_fire(nights):
    for night in nights.values():
        told, fires = night.truth["breaks"], night.truth["fires"]
        owner = column(fires, "break_id").astype(int)
        own = owner[owner >= 0]
        assert len(np.unique(own)) == len(own)
        assert [told["fire_id"][b] for b in own] == [f for f, b in zip(fires["fire_id"], owner, strict=True) if b >= 0]
        latency = column(fires, "latency_us")
        assert (latency[owner >= 0] > 2000.0).all() and np.isnan(latency[owner < 0]).all()


def test_only_charged_heads_fire_and_causes_say_why_the_others_did_not(nights):
    for night in nights.values():
        told = night.truth["breaks"]
        n_heads = len(night.plan.heads)
        full = (1 << n_heads) - 1
        lit = np.zeros(len(told["break_id"]), int)
        fires = night.truth["fires"]
        for n, b in enumerate(fires["break_id"]):
            if b >= 0:
                lit[b] = sum(1 << k for k in range(n_heads) if not math.isnan(fires[f"latency{k + 1}_us"][n]))
        charged = column(told, "charged").astype(int)
        assert not (lit & ~charged).any()
        for n, what in enumerate(told["outcome"]):
            if what == "not_watched":
                continue
            assert what == ("all" if lit[n] == full else "partial" if lit[n] else "none")
            assert (told["cause"][n] == "") == (what == "all")
            assert told["cause"][n] in ("", *fields.CAUSES)


def test_kinds_have_the_lengths_that_tell_them_apart(nights):
    night = nights["border-night"]
    kind, length = np.array(night.truth["breaks"]["kind"]), column(night.truth["breaks"], "dur_us") / 1e3
    assert set(kind) == set(fields.BREAK_KINDS)
    # a break under an insect, a drop or a leaf may be a little longer than one cause alone makes it
    visit = length[kind == "visit"]
    assert visit.min() >= 19.999 and np.quantile(visit, 0.999) < 1100.0
    assert length[kind == "glitch"].max() < 0.1 and np.quantile(length[kind == "rain"], 0.99) < 5.0
    assert length[kind == "insect"].max() < 18.0 and length[kind == "blocked"].max() > 300e3


def test_visits_peak_at_dusk_and_dawn():
    start = np.concatenate([column(scenes.make(seed=s).truth["visits"], "start_utc_us") for s in (1, 2, 3)])
    hour = (start - scenes.make(hours=0.1).start_utc_us) / 3.6e9
    share = np.histogram(hour, bins=[0, 0.5, 2.5, 7.5, 9.7, 10])[0] / len(hour)
    assert share[1] > 0.35 and share[3] > 0.18  # two hours around each peak
    assert share[2] / 5.0 < 0.5 * share[3] / 2.2  # and a quiet middle, per hour


def test_visit_count_is_the_plans_on_average():
    dry = scenes.changed(scenes.PRESETS["quiet-night"], moths={"visits": 600.0, "per_bout": 3.0, "return_s": 45.0})
    n = [len(scene_breaks.visit_breaks(dry, np.random.default_rng(s))[1]) for s in range(20)]
    plan = dry.moths.visits
    # bouts are Poisson with mean visits / 3, sizes geometric with mean 3: variance of the sum = visits (2 * 3 - 1)
    sd = math.sqrt(plan * 5.0 / 20)
    assert abs(np.mean(n) - plan) < 4 * sd + 0.02 * plan  # a few late visits fall off the night's end


def test_radio_misses_and_retries_come_at_the_plans_rate():
    fate, retried = [], []
    for s in range(3):
        told = scenes.make("quiet-night", seed=s, moths={"visits": 600.0}).truth["breaks"]
        fate += told["fate"]
        retried += [r for r, f in zip(told["retried"], told["fate"], strict=True) if f == "arrived"]
    sent = sum(f in ("arrived", "lost") for f in fate)
    for share, want, n in ((fate.count("lost") / sent, 0.01, sent), (np.mean(retried), 0.02, len(retried))):
        assert abs(share - want) < 4 * math.sqrt(want * (1 - want) / n)


def test_recycle_curve_is_found_again_in_the_draws():
    """At gaps near R half of the commands that arrive find a head charged (lapses aside)."""
    night = scenes.make("busy-night", seed=3, heads=(scene_chain.Head(0.0, 1.2, sag=0.0, lapse=0.0),))
    told = night.truth["breaks"]
    came = np.array(told["fate"]) == "arrived"
    gap, lit = column(told, "gap_s")[came], (column(told, "charged") > 0)[came]
    near, far, soon = np.abs(np.log(gap / 1.2)) < 0.04, gap > 1.9, gap < 0.8
    assert near.sum() > 60 and abs(lit[near].mean() - 0.5) < 4 * 0.5 / math.sqrt(near.sum())
    assert lit[far].all() and not lit[soon].any()


def test_cells_that_tire_slow_every_head(nights):
    ends = {name: [h["r50_end_s"] / h["r50_start_s"] for h in n.truth["heads"]] for name, n in nights.items()}
    assert min(ends["tired-cells"]) > 2.5 and 1.0 < min(ends["quiet-night"]) <= max(ends["quiet-night"]) < 1.2


def test_board_time_runs_fast_by_the_crystal_and_back():
    plan = scenes.PRESETS["border-night"]
    time = scene_air.scene_time(plan)
    ppm = (time.board(36_000.0) / 36_000e9 - 1.0) * 1e6
    assert 18.0 < ppm < 24.0
    at = np.linspace(0.0, 36_000.0, 1001)
    assert np.abs(time.true(time.board(at)) - at).max() < 2e-9
    degc = scene_air.temperature_degc(plan.air, 10.0, np.array([0.0, 36_000.0]))
    assert degc[0] - degc[1] == pytest.approx(11.0, abs=0.01)


def test_clock_seconds_step_by_a_minute_of_a_clock_slightly_slow(nights):
    night = nights["border-night"]
    rows = night.rows[night.rows["what"] == scene_file.CLOCK_SECOND]
    unix, t = rows["value"].astype(np.int64), night.time.true(rows["t_ns"].astype(np.int64))
    assert (np.diff(unix) == 60).all() and len(unix) == 600
    slope = np.polyfit(t, unix, 1)[0]
    assert (slope - 1.0) * 1e6 == pytest.approx(night.plan.air.clock_ppm, abs=0.01)
    ahead = unix - (night.start_utc_us / 1e6 + t)
    assert ahead.min() > 0.05 and ahead.max() < 0.15


def test_overlapping_intervals_are_one_break_of_the_weightiest_kind():
    rows = np.concatenate([
        scene_breaks.intervals([1.0, 5.0], 0.5, "visit", visit=3), scene_breaks.intervals([1.4, 9.0], 0.2, "insect"),
        scene_breaks.intervals(0.9, 0.2, "insect"),
    ])
    out = scene_breaks.united(rows)
    assert out["start"].tolist() == [0.9, 5.0, 9.0] and out["end"].tolist() == pytest.approx([1.6, 5.5, 9.2])
    assert [fields.BREAK_KINDS[k] for k in out["kind"]] == ["visit", "visit", "insect"]
    assert out["visit"].tolist() == [3, 3, -1]


def test_level_records_merge_changes_at_one_instant_and_overlaps_of_one_channel():
    rows = scene_file.level_records(
        np.array([0, 3, 3, 4]), np.array([100, 100, 150, 200]), np.array([500, 200, 200, 300])
    )
    assert list(zip(rows["t_ns"].tolist(), rows["value"].tolist(), strict=True)) == [
        (100, 0b01001), (200, 0b10001), (300, 0b00001), (500, 0),
    ]


def test_resets_losses_and_buttons_stand_in_the_scene(nights):
    rows = nights["two-resets"].rows
    assert rows[rows["what"] == scene_file.RESET]["value"].tolist() == [1, 2]
    assert nights["two-resets"].truth["breaks"]["seen"].count("no") >= 0
    assert {"reset", "unsaved"} <= {s["what"] for s in nights["two-resets"].truth["spells"]}
    lost = nights["knocked-beam"].rows
    assert lost[lost["what"] == scene_file.LOSE]["value"].tolist() == [12]
    buttons = nights["guided-evening"].rows
    assert (buttons["what"] == scene_file.BUTTON).sum() == 2


def test_temperatures_below_zero_are_twos_complement():
    night = scenes.make(hours=1.0, air={"start_degc": 1.0})
    rows = night.rows[night.rows["what"] == scene_file.TEMP_C100]
    last = int(rows["value"][-1])
    assert last - (1 << 32) == pytest.approx(-1000, abs=60)


def test_a_scene_file_reads_back_and_a_broken_one_says_what_is_wrong(tmp_path):
    night = scenes.make(hours=0.2)
    path = night.write(tmp_path / "night.scene")
    header, rows = scene_file.read(path)
    assert header["board"] == night.plan.board and (rows == night.rows).all()
    path.write_bytes(path.read_bytes()[:-3])
    with pytest.raises(UsageError, match="ends inside a record"):
        scene_file.read(path)
    path.write_bytes(b"nothing of the kind")
    with pytest.raises(UsageError, match="no scene header"):
        scene_file.read(path)


def test_truth_file_is_strict_json(tmp_path, nights):
    path = nights["guided-evening"].write_truth(tmp_path / "truth.json")
    told = json.loads(path.read_text(), parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))["fires"]
    assert told["latency_us"].count(None) == told["kind"].count("interference") > 0
    assert not list(tmp_path.glob("*.part"))


def test_camera_busy_breaks_have_no_contact_of_their_own(nights):
    told = nights["guided-evening"].truth
    busy = [n for n, f in enumerate(told["breaks"]["fate"]) if f == scene_chain.BUSY]
    assert busy and all(told["breaks"]["cause"][n] == "camera" and told["breaks"]["fire_id"][n] == -1 for n in busy)
    split = column(told["fires"], "latency_us") - column(told["fires"], "sync_us")
    assert np.nanmin(split) > 2000.0 and np.nanmin(column(told["fires"], "sync_us")) > 47_000.0


def test_an_unknown_night_is_refused_with_the_known_ones():
    with pytest.raises(UsageError, match="border-night"):
        scenes.make("midnight-sun")


def test_the_photodiode_sees_each_head_of_the_plan():
    scene = scenes.make("border-night", seed=1, hours=0.2)
    told = scene.header["light_pulse"]
    assert len(told["heads"]) == len(scene.plan.heads) == 3
    top = told["baseline"] + sum(head["peak"] for head in told["heads"])
    assert top < 4095  # all heads at once stay within the converter's 12 bits
    assert all(0 < head["rise_us"] < head["cut_us"] < scene.plan.heads[0].pulse_us for head in told["heads"])
    bare = scenes.make("border-night", seed=1, hours=0.2, photodiode=None)
    assert "light_pulse" not in bare.header and np.array_equal(bare.rows, scene.rows)
