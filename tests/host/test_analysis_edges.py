"""Nights that are odd in one way each, written by hand: what must come out of them, and what must not be made up."""

import warnings

import numpy as np
import pytest
from duskgate import fields
from duskgate.analysis.night import analyse
from duskgate.analysis.settings import Settings

from tests.host.analysis_recordings import NS, UTC0, ExactClock, lights, pulses, recording, visit

ALL = tuple(fields.CHANNELS[:7])


@pytest.fixture(autouse=True)
def _warnings_are_errors():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("default", ResourceWarning)  # what an earlier test left open
        yield


def kinds(night) -> list[str]:
    return night.tables["breaks"]["kind"].astype(str).tolist()


def why(night) -> list[tuple[str, float, float]]:
    g = night.tables["gaps"]
    return [
        (w, (a - UTC0) / 1e6, (b - UTC0) / 1e6)
        for w, a, b in zip(g["why"], g["start_utc_us"], g["end_utc_us"], strict=True)
    ]


def test_every_table_has_its_columns_and_types_even_when_nothing_happened():
    night = analyse(recording({}), ExactClock())
    assert set(night.tables) == set(fields.TABLES)
    for name, shape in fields.TABLES.items():
        assert {c: str(d) for c, d in night.tables[name].dtypes.items()} == shape, name
        assert list(night.tables[name]) == list(shape)
    e = night.estimates
    assert e["visits"]["n"] == 0 and e["verdict"]["what"] == "clear" and e["misses"]["n"] == 0
    assert e["rates"]["session_per_h"]["value"] == 0 and e["rates"]["session_per_h"]["hi"] > 0
    assert e["best_window"]["value"] is None


def test_a_recording_without_any_boot_gives_empty_tables():
    night = analyse(recording(), ExactClock([]))
    assert all(len(t) == 0 for t in night.tables.values())


def test_one_visit():
    spans = visit(100.0)
    rec = recording({"BEAM": pulses(*spans), "FLASH1": lights(spans[0][0])})
    night = analyse(rec, ExactClock())
    visits, breaks = night.tables["visits"], night.tables["breaks"]
    assert len(visits) == 1 and visits["n_breaks"].iat[0] == 3 and visits["n_fires"].iat[0] == 1
    assert visits["caught"].iat[0] == "yes"
    assert visits["start_utc_us"].iat[0] == UTC0 + 100_000_000 and visits["end_utc_us"].iat[0] == UTC0 + 100_600_000
    assert breaks["outcome"].astype(str).tolist() == ["all", "none", "none"]
    assert breaks["latency_us"].iat[0] == pytest.approx(3500) and breaks["latency_us"].iloc[1:].isna().all()
    assert breaks["gap_s"].iloc[1:].tolist() == pytest.approx([0.2465, 0.4965])
    assert night.estimates["visits"]["criterion_source"] == "assumed"
    assert night.estimates["latency"]["beam_flash"]["first_us"]["median"]["value"] is None


def test_without_a_light_sensor_nothing_is_said_of_fires():
    night = analyse(recording({"BEAM": pulses(*visit(50.0))}, channels=("BEAM",)), ExactClock())
    assert set(night.tables["breaks"]["outcome"]) == {"not_watched"} and set(night.tables["visits"]["caught"]) == {
        "not_watched"
    }
    assert len(night.tables["misses"]) == 0 and len(night.tables["fires"]) == 0
    assert not {"latency", "misses", "recycle", "fires"} & set(night.estimates)


def test_a_beam_broken_at_the_start_and_at_the_end_is_dark_time_not_a_break():
    rec = recording({"BEAM": [(30.0, 0), *pulses(*visit(500.0)), (3000.0, 1)]}, levels=[1])
    night = analyse(rec, ExactClock())
    assert kinds(night) == ["visit"] * 3
    assert [g for g in why(night) if g[0] == "blocked"] == [("blocked", 0.0, 30.0), ("blocked", 3000.0, 3600.0)]
    assert night.estimates["exposure"]["blocked_s"] == pytest.approx(630)
    # no flicker before or after: all else was watched, but for the moments beside the darkness
    assert night.estimates["exposure"]["live_s"] == pytest.approx(3600 - 630 - 2 * 2.5)


def test_overlapping_beams_are_one_visit_with_direction_and_speed():
    first = visit(200.0)
    second = [(a + 0.02, b + 0.02) for a, b in first]
    rec = recording({"BEAM": pulses(*first), "BEAM2": pulses(*second)}, channels=("BEAM", "BEAM2"))
    night = analyse(rec, ExactClock(), Settings(beam_spacing_mm=40.0))
    assert night.estimates["visits"]["n"] == 1
    breaks = night.tables["breaks"]
    assert breaks["beam"].astype(str).tolist() == ["BEAM", "BEAM2"] * 3 and set(breaks["visit_id"]) == {0}
    assert night.tables["visits"]["direction"].iat[0] == "in"
    assert night.tables["visits"]["speed_mm_s"].iat[0] == pytest.approx(2000)
    assert night.tables["visits"]["n_breaks"].iat[0] == 3 and night.estimates["kinds"]["visit"] == 3


def test_second_beam_alone_makes_no_visit():
    rec = recording({"BEAM2": pulses(*visit(200.0))}, channels=("BEAM", "BEAM2"))
    night = analyse(rec, ExactClock())
    assert night.estimates["visits"]["n"] == 0 and len(night.tables["visits"]) == 0
    assert set(night.tables["breaks"]["visit_id"]) == {-1}


def matched(rec, **settings):
    t = analyse(rec, ExactClock(), Settings(**settings)).tables
    return t["fires"]["break_id"].tolist(), t


def many(starts: list[float], delay: float = 0.0035) -> dict:
    return {"BEAM": pulses(*[(t, t + 0.05) for t in starts]), "FLASH1": lights(*starts, delay=delay)}


def test_a_light_in_reach_of_two_breaks_goes_to_the_one_at_the_usual_delay():
    starts = [20.0 + 10 * k for k in range(20)]
    edges = many(starts)
    # an unanswered flicker 15 ms before a break that fires
    edges["BEAM"] = sorted([*edges["BEAM"], *pulses((299.985, 299.993), (300.0, 300.05))])
    edges["FLASH1"] = [*edges["FLASH1"], *lights(300.0)]
    of, t = matched(recording(edges))
    assert of == [*range(20), 21]
    assert t["breaks"]["outcome"].iat[20] == "none"


def test_a_second_sending_answers_its_own_break():
    starts = [20.0 + 10 * k for k in range(20)]
    edges = many(starts)
    edges["BEAM"] += pulses((500.0, 500.05))
    edges["FLASH1"] += lights(500.0, delay=0.011)
    of, t = matched(recording(edges))
    assert of == list(range(21)) and t["fires"]["latency_us"].iat[20] == pytest.approx(11000)


def test_a_head_that_answers_late_completes_its_fire():
    starts = [20.0 + 10 * k for k in range(20)]
    edges = many(starts)
    edges["FLASH2"] = lights(*starts[:-1], delay=0.0036) + lights(starts[-1], delay=0.012)
    of, t = matched(recording(edges, channels=("BEAM", "FLASH1", "FLASH2")), heads=(("a", (0,)), ("b", (1,))))
    assert of == list(range(20)) and t["breaks"]["outcome"].iat[19] == "all"
    assert t["fires"]["latency2_us"].iat[19] == pytest.approx(12000)


def test_light_without_a_break_is_interference_and_ends_no_visit():
    starts = [20.0 + 10 * k for k in range(20)]
    edges = many(starts)
    edges["FLASH1"] = sorted([*edges["FLASH1"], *lights(95.0)])
    night = analyse(recording(edges), ExactClock())
    fires = night.tables["fires"]
    strange = fires[fires["kind"] == "interference"]
    assert len(strange) == 1 and strange["break_id"].iat[0] == -1 and np.isnan(strange["latency_us"].iat[0])
    assert night.estimates["fires"] == {"n": 21, "answered": 20, "interference": 1, "pulses_dropped": 0}


def test_a_spike_on_a_light_sensor_is_no_flash():
    edges = many([20.0, 40.0])
    edges["FLASH1"] = [*pulses((30.0, 30.000005)), *edges["FLASH1"]]
    edges["FLASH1"].sort()
    night = analyse(recording(edges), ExactClock())
    assert night.estimates["fires"]["n"] == 2 and night.estimates["fires"]["pulses_dropped"] == 1


def test_sensors_that_all_see_every_head_count_as_one():
    starts = [20.0 + 10 * k for k in range(40)]
    fired = starts[:30]
    edges = {"BEAM": pulses(*[(t, t + 0.05) for t in starts])}
    edges |= {f"FLASH{k}": lights(*fired, delay=0.0035 + k * 1e-6) for k in (1, 2, 3)}
    night = analyse(recording(edges, channels=("BEAM", "FLASH1", "FLASH2", "FLASH3")), ExactClock())
    assert night.estimates["heads"]["names"] == ["all"]
    assert set(night.estimates["latency"]["beam_flash"]["heads"]) == {"all"}
    assert night.tables["breaks"]["outcome"].value_counts()[["all", "none"]].tolist() == [30, 10]
    assert night.tables["fires"][["latency1_us", "latency2_us", "latency3_us"]].isna().all(axis=None)


def test_sensors_seen_apart_are_heads_of_their_own():
    starts = [20.0 + 10 * k for k in range(40)]
    edges = {
        "BEAM": pulses(*[(t, t + 0.05) for t in starts]),
        "FLASH1": lights(*starts),
        "FLASH2": lights(*starts[:30], delay=0.0036),
    }
    night = analyse(recording(edges, channels=("BEAM", "FLASH1", "FLASH2")), ExactClock())
    assert night.estimates["heads"]["names"] == ["FLASH1", "FLASH2"]
    assert night.tables["breaks"]["outcome"].value_counts()[["all", "partial"]].tolist() == [30, 10]
    skew = night.estimates["latency"]["beam_flash"]["skew_us"]["FLASH2-FLASH1"]
    assert skew["value"] == pytest.approx(100, abs=0.01) and skew["n"] == 30


def test_the_site_decides_which_sensors_speak_for_which_head():
    starts = [20.0 + 10 * k for k in range(40)]
    edges = {"BEAM": pulses(*[(t, t + 0.05) for t in starts])} | {f"FLASH{k}": lights(*starts) for k in (1, 2, 3)}
    rec = recording(edges, channels=("BEAM", "FLASH1", "FLASH2", "FLASH3"))
    night = analyse(rec, ExactClock(), Settings(heads=(("left", (0,)),)))
    assert night.estimates["heads"]["names"] == ["FLASH1", "FLASH2+FLASH3"]
    assert night.estimates["heads"]["labels"] == {"FLASH1": "left"}


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_all_fires_missed_or_none(share):
    starts = [20.0 + 5 * k for k in range(100)]
    edges = {"BEAM": pulses(*[(t, t + 0.05) for t in starts]), "FLASH1": lights(*starts[: int(100 * share)])}
    night = analyse(recording(edges), ExactClock())
    assert night.estimates["misses"]["share"]["value"] == 1 - share
    assert len(night.tables["misses"]) == 100 * (1 - share)
    report = next(iter(night.estimates["recycle"].values()))
    assert report["r50_s"]["value"] is None
    assert ("no light" if share == 0 else "less than") in report["note"]


def test_a_flash_that_fires_again_within_a_visit_is_one_visit_with_two_fires():
    spans = visit(100.0, n=6, broken=0.1, clear=0.3)
    edges = {"BEAM": pulses(*spans), "FLASH1": lights(spans[0][0], spans[3][0])}
    night = analyse(recording(edges), ExactClock())
    assert night.tables["visits"]["n_fires"].tolist() == [2] and night.estimates["visits"]["n"] == 1


def test_times_restart_at_a_boot_and_visits_do_not_cross_it():
    rec = recording(
        {"BEAM": pulses(*visit(100.0), *visit(199.3))},
        {"BEAM": pulses(*visit(0.2), *visit(50.0))},
        length_s=[200.0, 300.0],
        causes=["power-on", "watchdog"],
    )
    night = analyse(rec, ExactClock([0.0, 203.0]))
    assert night.estimates["visits"]["n"] == 4
    assert ("reset", 200.0, 203.0) in why(night)
    assert night.estimates["exposure"]["off_s"] == pytest.approx(3.0)
    assert night.tables["breaks"]["start_utc_us"].is_monotonic_increasing


def test_two_nights_in_one_log_are_cut_by_the_window():
    rec = recording(
        {"BEAM": pulses(*visit(1000.0))}, {"BEAM": pulses(*visit(500.0), *visit(900.0))}, length_s=[36_000.0, 36_000.0]
    )
    clock = ExactClock([0.0, 86_400.0])
    noon = UTC0 + 60_000 * 1_000_000
    first = analyse(rec, clock, None, (UTC0 - 10**9, noon))
    second = analyse(rec, clock, None, (noon, noon + 86_400 * 10**6))
    assert (first.estimates["visits"]["n"], second.estimates["visits"]["n"]) == (1, 2)
    assert first.tables["boots"]["boot"].tolist() == [0] and second.tables["boots"]["boot"].tolist() == [1]
    assert first.estimates["exposure"]["session_s"] == pytest.approx(36_000)


def test_a_window_inside_a_boot_keeps_the_level_at_its_cut():
    rec = recording({"BEAM": [(10.0, 1), (100.0, 0), *pulses(*visit(200.0))]})
    night = analyse(rec, ExactClock(), None, (UTC0 + 50 * 10**6, UTC0 + 300 * 10**6))
    assert night.estimates["exposure"]["session_s"] == pytest.approx(250, abs=1e-4)
    assert night.estimates["exposure"]["blocked_s"] == pytest.approx(50, abs=1e-4)
    assert kinds(night) == ["visit"] * 3


def test_a_boot_of_unknown_time_keeps_its_intervals_and_is_not_counted_into_rates():
    rec = recording({"BEAM": pulses(*visit(100.0))}, {"BEAM": pulses(*visit(100.0))}, length_s=[600.0, 600.0])
    night = analyse(rec, ExactClock([0.0, None]))
    assert night.estimates["visits"]["n"] == 2
    assert night.tables["boots"]["clock"].astype(str).tolist() == ["anchored", "unknown"]
    assert sum(night.tables["rates"]["n"]) == 1
    off = night.tables["gaps"]
    assert "not known" in off["detail"].iat[0]


def test_without_any_known_time_there_are_still_rates():
    night = analyse(recording({"BEAM": pulses(*visit(100.0), *visit(2000.0))}), ExactClock([None]))
    assert night.estimates["rates"]["session_per_h"]["value"] == pytest.approx(2)
    assert night.tables["boots"]["clock"].astype(str).tolist() == ["unknown"]


def test_a_capture_that_states_no_levels_is_read_by_its_first_edge():
    rec = recording({"BEAM": [(30.0, 0), *pulses(*visit(100.0))]}, levels=[-1])
    night = analyse(rec, ExactClock())
    assert kinds(night) == ["visit"] * 3 and night.estimates["exposure"]["blocked_s"] == pytest.approx(30)


def test_a_clock_jump_moves_no_interval():
    class Jumping(ExactClock):
        def utc_us(self, boot, t_ns):
            t_ns = np.asarray(t_ns, np.int64)
            return super().utc_us(boot, t_ns) + np.where(t_ns > 1000 * NS, 3_600_000_000, 0)

    spans = [s for k in range(30) for s in visit(60.0 * (k + 1))]
    rec = recording({"BEAM": pulses(*spans), "FLASH1": lights(*[s[0] for s in spans[::3]])})
    straight, jumping = analyse(rec, ExactClock()), analyse(rec, Jumping())
    for column in ("t_us", "dur_us", "latency_us", "gap_s"):
        np.testing.assert_array_equal(straight.tables["breaks"][column], jumping.tables["breaks"][column])
    assert straight.estimates["visits"]["n"] == jumping.estimates["visits"]["n"] == 30


def test_blind_time_after_a_loss_is_neither_dark_nor_watched():
    # the beam broke and cleared; the clear was lost with 40 s of edges, then levels were stated afresh
    rec = recording(
        {"BEAM": [*pulses(*visit(50.0)), (100.0, 1), *pulses(*visit(300.0))]},
        blind=[(0, 110.0, 150.0, "stamper overrun")],
        readings=[(0, 150.0, "levels", 0)],
    )
    night = analyse(rec, ExactClock())
    assert kinds(night) == ["visit"] * 6 and night.estimates["visits"]["n"] == 2
    assert ("loss", 110.0, 150.0) in why(night)
    assert night.estimates["beam"]["open_breaks"] == 1
    assert night.estimates["exposure"]["blind_s"] == pytest.approx(40)


def test_a_lost_clear_edge_leaves_the_next_break_whole():
    rec = recording({"BEAM": [(100.0, 1), (100.3, 1), (100.4, 0), *pulses(*visit(200.0))]})
    night = analyse(rec, ExactClock())
    assert night.tables["breaks"]["dur_us"].iat[0] == pytest.approx(100_000)
    assert night.estimates["beam"]["open_breaks"] == 1 and len(night.tables["breaks"]) == 4


def test_restated_levels_that_tell_nothing_new_cut_no_break():
    rec = recording({"BEAM": pulses((100.0, 100.5))}, readings=[(0, 100.2, "levels", 1), (0, 300.0, "levels", 0)])
    night = analyse(rec, ExactClock())
    assert night.tables["breaks"]["dur_us"].tolist() == pytest.approx([500_000])


def test_chatter_summaries_of_the_board_are_blocked_time():
    n = 20
    chatter = {
        "boot": np.zeros(n), "t_ns": (500 + np.arange(n)) * NS, "channel": np.zeros(n), "edges": np.full(n, 900),
        "shortest_ns": np.full(n, 1000), "longest_ns": np.full(n, 10**6), "active_ns": np.full(n, 5 * 10**8),
        "span_ns": np.full(n, NS), "end_level": np.zeros(n),
    }  # fmt: skip
    night = analyse(recording({"BEAM": pulses(*visit(50.0))}, chatter=chatter), ExactClock())
    assert night.estimates["exposure"]["blocked_s"] == pytest.approx(20)
    assert night.estimates["exposure"]["guarded_broken_s"] == pytest.approx(10)
    assert night.estimates["verdict"]["what"] == "misaligned"
    assert sum(w == "chatter" for w, _, _ in why(night)) == n


def test_a_million_edges_of_chatter_stay_one_flicker():
    t = 100.0 + np.arange(500_000) * 0.002
    edges = [(x, lv) for a in t.tolist() for x, lv in ((a, 1), (a + 0.0005, 0))]
    night = analyse(recording({"BEAM": edges}), ExactClock())
    assert night.estimates["visits"]["n"] == 0 and night.estimates["kinds"]["blocked"] == 500_000
    assert night.estimates["exposure"]["blocked_s"] == pytest.approx(1000, abs=1)
    assert night.estimates["verdict"]["what"] == "misaligned"


def test_clear_times_under_a_millisecond_are_chatter_of_one_break():
    rec = recording({"BEAM": pulses((10.0, 10.02), (10.0205, 10.08), (20.0, 20.05))})
    night = analyse(rec, ExactClock())
    assert night.tables["breaks"]["dur_us"].tolist() == pytest.approx([80_000, 50_000])
    assert night.estimates["beam"]["merged"] == 1


def test_long_darkness_and_its_flicker_are_dew():
    flicker = [(900.0 - 20 * k, 900.0 - 20 * k + 0.05) for k in range(1, 9)][::-1]
    rec = recording({"BEAM": pulses(*flicker, (900.0, 1500.0), *visit(3000.0))})
    night = analyse(rec, ExactClock())
    assert kinds(night) == ["blocked"] * 9 + ["visit"] * 3
    assert night.estimates["verdict"]["what"] == "dew" and night.estimates["exposure"]["dark_s"] == pytest.approx(600)
    near = [g for g in why(night) if g[0] == "near dark"]
    assert [(round(a), round(b)) for _, a, b in near] == [(738, 900)]


def test_an_even_rhythm_is_a_leaf_unless_the_second_beam_echoes_it():
    swings = [(100.0 + 1.1 * k, 100.0 + 1.1 * k + 0.12) for k in range(12)]
    assert kinds(analyse(recording({"BEAM": pulses(*swings)}), ExactClock())) == ["leaf"] * 12
    echo = [(a + 0.03, b + 0.03) for a, b in swings]
    rec = recording({"BEAM": pulses(*swings), "BEAM2": pulses(*echo)}, channels=("BEAM", "BEAM2"))
    assert set(kinds(analyse(rec, ExactClock()))) == {"visit"}


def test_an_even_rhythm_that_soon_ends_is_a_visitors():
    beats = [(100.0 + 1.1 * k, 100.0 + 1.1 * k + 0.12) for k in range(8)]
    assert set(kinds(analyse(recording({"BEAM": pulses(*beats)}), ExactClock()))) == {"visit"}
    # the same twice with a lull between: what sways does so again
    again = [(a + 20.0, b + 20.0) for a, b in beats]
    assert set(kinds(analyse(recording({"BEAM": pulses(*beats, *again)}), ExactClock()))) == {"leaf"}
    later = [(a + 600.0, b + 600.0) for a, b in beats]
    assert set(kinds(analyse(recording({"BEAM": pulses(*beats, *later)}), ExactClock()))) == {"visit"}


def test_short_breaks_are_rain_in_a_shower_and_an_insect_alone():
    drops = [(1000.0 + 4 * k, 1000.0 + 4 * k + 0.0011) for k in range(30)]
    night = analyse(recording({"BEAM": pulses((100.0, 100.004), *drops, (3000.0, 3000.00005))}), ExactClock())
    assert kinds(night) == ["insect", *["rain"] * 30, "glitch"]
    reasons = night.tables["breaks"]["reason"].astype(str)
    assert "rain" in reasons.iat[5] and "electrical" in reasons.iat[31]


def test_camera_path_splits_the_chain_and_blames_the_busy_camera():
    starts = [20.0 + 10 * k for k in range(30)]
    extra = [t + 0.3 for t in starts[:10]]  # the camera still saves the frame before
    sync = [t + 0.055 for t in starts]
    edges = {
        "BEAM": pulses(*sorted((t, t + 0.05) for t in starts + extra)), "FLASH1": lights(*sync, delay=0.0002),
        "SYNC": sorted(pulses(*[(t, t + 0.004) for t in sync], *[(t + 0.0045, t + 0.0047) for t in sync[:5]])),
    }  # fmt: skip
    rec = recording(edges, channels=("BEAM", "SYNC", "FLASH1"))
    night = analyse(rec, ExactClock(), Settings(path="beam_camera", frame_pause_s=0.5))
    chain = night.estimates["latency"]["beam_camera"]
    assert chain["beam_to_sync_us"]["median"]["value"] == pytest.approx(55_000)
    assert chain["sync_to_light_us"]["median"]["value"] == pytest.approx(200)
    assert night.estimates["misses"]["by_cause"]["camera"] == 10
    assert night.estimates["frames"]["n"] == 30 and night.estimates["frames"]["bounces"] == 5
    assert night.estimates["frames"]["kept"] == 30


def test_frames_held_open_collect_their_fires():
    edges = {
        "BEAM": pulses(*visit(11.0), *visit(20.0, n=1), *visit(21.0, n=1)), "FLASH1": lights(11.0, 20.0, 21.0),
        "SYNC": pulses((10.0, 14.0), (15.0, 19.0), (19.5, 23.5)),
    }  # fmt: skip
    night = analyse(recording(edges, channels=("BEAM", "SYNC", "FLASH1")), ExactClock())
    frames = night.tables["frames"]
    assert frames["exposure_s"].tolist() == pytest.approx([4.0, 4.0, 4.0])
    assert frames["n_fires"].tolist() == [1, 0, 2] and frames["n_visits"].tolist() == [1, 0, 2]
    assert frames["kept"].tolist() == [True, False, False]


def test_bench_shots_are_left_out_of_the_night():
    spans = visit(2000.0)
    shots = [100.0 + 5 * k for k in range(20)]
    edges = {
        "BEAM": pulses(*spans), "BEAM2": pulses(*[(t + 0.001, t + 0.1) for t in shots]),
        "FLASH1": lights(*shots, spans[0][0]),
    }  # fmt: skip
    rec = recording(
        edges, channels=("BEAM", "BEAM2", "FLASH1"), readings=[(0, t, "shot", k) for k, t in enumerate(shots)]
    )
    night = analyse(rec, ExactClock())
    assert night.estimates["fires"] == {"n": 1, "answered": 1, "interference": 0, "pulses_dropped": 0}
    assert ("bench", 99.0, 197.0) in why(night)
    assert len(night.tables["breaks"]) == 3


def test_notes_of_refills_split_the_rate():
    spans = [s for k in range(40) for s in visit(600.0 + 30 * k)]
    rec = recording({"BEAM": pulses(*spans)}, length_s=7200.0, notes=[(0, 500.0, "refilled", 0)])
    refills = analyse(rec, ExactClock(), Settings(refill_s=1400.0)).estimates["rates"]["refills"]
    assert refills["n_refills"] == 1 and refills["after"]["n"] == 40
    assert refills["after"]["value"] == pytest.approx(40 / (1400 / 3600)) and refills["without"]["value"] == 0


def test_readings_of_the_supply_become_a_table_and_a_forecast():
    readings = [(0, 60.0 * k, "battery_mv", 4100 - 2 * k) for k in range(1, 300)]
    readings += [(0, 60.0 * k, "temp_c100", 2150) for k in range(1, 300)]
    night = analyse(recording({}, length_s=18_000.0, readings=readings), ExactClock(), Settings(cutoff_mv=3300.0))
    supply = night.tables["supply"]
    assert len(supply) == 299 and set(supply["temp_degc"]) == {21.5}
    logger = night.estimates["supply"]["logger"]
    # a straight line says (3502 - 3300) / 2 min = 1.68 h; cells of unknown kind may reach their knee before
    # early: only a tenth of the 298 minutes seen is vouched for
    assert logger["hours_left"]["at_least_h"] == pytest.approx(29.8 / 60)


def test_a_visit_beside_a_long_darkness_is_no_flicker():
    rng = np.random.default_rng(11)
    usual = [s for k in range(120) for s in visit(20.0 + 15 * k)]
    drops = [(t, t + 0.06) for t in 2600.0 + np.sort(rng.exponential(50, 40).clip(0.5, 170))]
    seen = [s for t in (2680.0, 2720.0, 2765.0) for s in visit(t)]
    rec = recording({"BEAM": pulses(*sorted([*usual, (2000.0, 2600.0), *drops, *seen]))}, length_s=3600.0)
    night = analyse(rec, ExactClock())
    breaks = night.tables["breaks"]
    at = (breaks["start_utc_us"] - breaks["start_utc_us"].iloc[0]) / 1e6 + 20.0
    late = breaks[at > 2600.0]
    visits = np.isin(np.round(at[at > 2600.0], 3), np.round([a for a, _ in seen], 3))
    assert np.mean(late["kind"][visits] == "visit") > 0.6
    assert np.mean(late["kind"][~visits] == "blocked") > 0.95
    # the time between single drops is watched, that beside them is not
    shadow = night.estimates["exposure"]["shadow_s"]
    assert 30 < shadow < 180


def test_without_flicker_a_darkness_shadows_no_more_than_its_edges():
    rec = recording({"BEAM": pulses(*visit(60.0), (1000.0, 1400.0), *visit(1450.0))}, length_s=3600.0)
    night = analyse(rec, ExactClock())
    assert list(night.tables["breaks"]["kind"]).count("blocked") == 1
    assert night.estimates["exposure"]["shadow_s"] < 10


@pytest.mark.parametrize(("starts", "told"), [([0.0, None], "partly"), ([None, None], "unknown")])
def test_the_rate_of_the_session_holds_the_boots_whose_time_of_day_is_unknown(starts, told):
    busy = {"BEAM": pulses(*[s for k in range(50) for s in visit(60.0 + 120 * k)])}
    rec = recording({"BEAM": []}, busy, length_s=[1200.0, 6000.0])  # no visit where the time of day is known
    rates = analyse(rec, ExactClock(starts)).estimates["rates"]
    assert rates["time_of_day"] == told
    assert rates["session_per_h"]["n"] == 50
    assert rates["session_per_h"]["value"] == pytest.approx(25, rel=0.01)  # 50 visits in two hours of both boots
    assert rates["session_per_h"]["lo"] < 25 < rates["session_per_h"]["hi"]
