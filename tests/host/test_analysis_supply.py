"""Hours left of the logger's cells, on discharges whose end is known; delay comparison; bench shots."""

import numpy as np
import pandas as pd
import pytest
from duskgate.analysis import bench, chemistry, compare, supply
from duskgate.fields import TABLES

from tests.benchmarks import truth_supply
from tests.host.analysis_recordings import ExactClock, lights, pulses, recording

# mV against the share used; invented shapes: a straight fall, one that bends down, a plateau with a knee
SHAPES = {
    "straight": lambda x: 4150 - 800 * x - 60 * np.exp((x - 1) / 0.03),
    "bent": lambda x: 4600 - 900 * x**0.6 - 420 * x**3,
    "late knee": lambda x: 4180 - 520 * x**0.9 - 250 * x**4 - 80 * np.exp((x - 1) / 0.02),
    "plateau": lambda x: 3300 - 40 * x - 700 * np.exp((x - 1) / 0.02),
}


def discharge(shape: str, share: float, rng, total_h: float):
    t = np.arange(0, share * total_h, 1 / 60)
    wander = np.zeros(len(t))
    for i, e in enumerate(rng.normal(0, 1, len(t) - 1)):
        wander[i + 1] = 0.9 * wander[i] + e
    temp = 24 - 8 * np.minimum(t / 10, 1)
    return t * 3600, np.round(SHAPES[shape](t / total_h) + (temp - 20) + wander + rng.normal(0, 3, len(t))), temp


@pytest.mark.parametrize("shape", list(SHAPES))
def test_one_night_of_unknown_cells_says_at_least_and_holds(shape):
    rng = np.random.default_rng(1)
    for _ in range(20):
        total = rng.uniform(15, 40)
        t, mv, temp = discharge(shape, 0.6, rng, total)
        e = supply.logger_supply(t, mv, temp, float(SHAPES[shape](1.0)))["hours_left"]
        # a knee that has not begun cannot be foreseen: no figure, but more than nothing
        assert 0.02 * total < e["at_least_h"] <= 0.4 * total


def test_a_bend_that_has_begun_is_drawn_on():
    rng, held = np.random.default_rng(7), 0
    for _ in range(20):
        total = rng.uniform(15, 40)
        t = np.arange(0, 0.9 * total, 1 / 60)
        mv = 4150 - 300 * t / total - 550 * (t / total) ** 5 + rng.normal(0, 3, len(t))
        e = supply.logger_supply(t * 3600, mv, np.full(len(t), 20.0), 3300.0)["hours_left"]
        assert e["value"] == pytest.approx(0.1 * total, rel=0.2)
        held += e["lo"] <= 0.1 * total <= e["hi"]
    assert held >= 18


@pytest.mark.parametrize(("name", "holds"), [("alkaline", 34), ("NiMH", 36), ("Li-ion", 36), ("LiFePO4", 40)])
def test_along_the_general_shape_of_a_chemistry(name, holds):
    """At 60 % of discharges of other shapes than ours; the whole table comes from truth_supply.py."""
    error, held, least = np.array([truth_supply.trial(name, True, 0.6, 500 + k) for k in range(40)]).T
    assert held.sum() >= holds
    if name in ("alkaline", "NiMH"):
        assert np.isfinite(error).mean() > 0.7 and np.nanmedian(np.abs(error)) < 0.2
    else:  # cells of these names differ too much, or fall too little, to say more
        assert np.isfinite(least).mean() > 0.7 and np.nanmax(least) <= 1


@pytest.mark.parametrize("name", ["lithium, late knee", "lithium, early knee", "Li-ion, cobalt"])
def test_cells_of_one_name_with_early_and_late_knees_are_told_what_holds_for_all(name):
    """One night does not tell which of them it sees; a figure would be wrong for some."""
    told = np.array([truth_supply.trial(name, True, at, 700 + k) for at in (0.3, 0.6, 0.8) for k in range(8)])
    assert told[:, 1].sum() >= 22
    least = told[:, 2][np.isfinite(told[:, 2])]
    assert len(least) >= 18 and least.max() <= 1.0 and np.median(least) > 0.02


def test_behind_an_early_knee_the_fall_may_go_on_evenly():
    told = np.array([truth_supply.trial("lithium, early knee", False, 0.8, 800 + k) for k in range(20)])
    assert np.isfinite(told[:, 0]).sum() >= 10 and told[:, 1].sum() >= 18


def test_the_family_of_a_chemistry_holds_earlier_and_later_knees():
    bends = [np.interp(-3600.0, -shape, chemistry.USED) for shape in chemistry.family_mv("li-ion")]
    assert max(bends) - min(bends) > 0.2 and len(chemistry.family_mv("alkaline")) == 1
    assert all((np.diff(shape) < 0).all() for shape in chemistry.family_mv("li-ion"))


def test_cells_in_series_are_told_by_the_voltage_only_where_one_number_fits():
    assert chemistry.cells_in_series("Li-ion", None, 4050.0) == 1
    assert chemistry.cells_in_series("alkaline", 4, 5900.0) == 4
    assert chemistry.cells_in_series("alkaline", None, 5900.0) is None  # four full ones, or five or six used ones
    assert chemistry.cells_in_series("mains", None, 5000.0) is None


def test_shapes_of_chemistries_fall_all_the_way():
    for family in chemistry.SHAPES_MV.values():
        for shape in family:
            assert len(shape) == len(chemistry.USED) and (np.diff(shape) < 0).all()


@pytest.mark.parametrize("shape", ["straight", "bent", "late knee"])
def test_along_an_earlier_discharge_hours_are_within_a_fifth(shape):
    rng = np.random.default_rng(2)
    for _ in range(10):
        total = rng.uniform(15, 40)
        t, mv, temp = discharge(shape, 0.6, rng, total)
        x = np.linspace(0, 1, 60)
        curve = np.column_stack([x * total * rng.lognormal(0, 0.1), SHAPES[shape](x) + rng.normal(0, 5)])
        e = supply.logger_supply(t, mv, temp, float(SHAPES[shape](1.0)), "", curve)["hours_left"]
        assert e["value"] == pytest.approx(0.4 * total, rel=0.2) and e["lo"] < 0.4 * total < e["hi"]


def test_a_chemistry_known_to_be_flat_foretells_nothing():
    t, mv, temp = discharge("straight", 0.6, np.random.default_rng(3), 20.0)
    found = supply.logger_supply(t, mv, temp, 3300.0, "LiFePO4")
    assert "at_least_h" in found["hours_left"] and "flat" in found["text"]


def test_few_readings_and_empty_cells_say_so():
    nothing = supply.logger_supply(np.zeros(0), np.zeros(0), np.zeros(0), 3300.0)
    assert nothing["hours_left"]["value"] is None and nothing["text"] == "no supply reading"
    few = supply.logger_supply(np.arange(9.0) * 60, np.full(9, 4000.0), np.full(9, 20.0), 3300.0)
    assert few["hours_left"]["need"] == supply.NEED and few["end_mv"] == 4000
    t, mv, temp = discharge("straight", 0.6, np.random.default_rng(4), 20.0)
    assert supply.logger_supply(t, mv, temp, 4200.0)["hours_left"]["value"] == 0


def test_a_voltage_that_follows_the_warmth_alone_is_flat():
    t = np.arange(0, 36_000, 60.0)
    temp = 20 + 5 * np.cos(t / 6000)
    mv = 3900 + 2 * (temp - 20) + np.random.default_rng(5).normal(0, 2, len(t))
    assert "at_least_h" in supply.logger_supply(t, mv, temp, 3300.0)["hours_left"]


def fires(latency: np.ndarray) -> pd.DataFrame:
    frame = pd.DataFrame({c: np.full(len(latency), np.nan) for c in TABLES["fires"] if c.startswith("latency")})
    return frame.assign(latency_us=latency, latency1_us=latency + 5, kind="answered")


def test_difference_of_two_rigs_holds_the_true_one():
    rng, held = np.random.default_rng(6), 0
    for _ in range(200):
        a, b = rng.normal(3200, 40, 90), rng.normal(3230, 60, 140)
        e = compare.compare_delays(fires(a), fires(b))["FLASH1"]["median"]
        held += e["lo"] <= 30 <= e["hi"]
    assert held >= 183  # of 200
    few = compare.compare_delays(fires(a[:4]), fires(b))["first_us"]
    assert few["median"]["value"] is None and set(compare.compare_delays(fires(a), fires(b))) == {"first_us", "FLASH1"}


def bench_recording(seen: dict[str, list[float]], shots: list[float], beam: list[float] | None = None):
    edges = {"BEAM2": pulses(*[(t + 0.001, t + 0.2) for t in shots])}
    edges |= {name: lights(*[t + 0.001 for t in starts], delay=0.0032) for name, starts in seen.items()}
    if beam is not None:
        edges["BEAM"] = pulses(*[(t + 0.0016, t + 0.2) for t in beam])
    readings = [(0, t, "shot", k) for k, t in enumerate(shots)]
    return recording(edges, channels=("BEAM", "BEAM2", "FLASH1", "FLASH2"), readings=readings)


def test_bench_shots_give_delays_from_their_own_start():
    shots = [10.0 + 5 * k for k in range(30)]
    table = bench.shot_fires(bench_recording({"FLASH1": shots, "FLASH2": shots[:-1]}, shots), ExactClock())
    assert len(table) == 30 and {c: str(d) for c, d in table.dtypes.items()} == TABLES["fires"]
    assert table["latency1_us"].to_numpy() == pytest.approx(np.full(30, 3200), abs=0.01)
    assert int(np.isnan(table["latency2_us"]).sum()) == 1 and set(table["path"]) == {"shot_flash"}
    found = bench.delay_summary(table)
    assert found["first_us"]["median"]["value"] == pytest.approx(3200, abs=0.01)
    assert set(found["heads"]) == {"FLASH1", "FLASH2"}


def test_the_trigger_units_own_delay():
    shots = [10.0 + 5 * k for k in range(12)]
    delay = bench.unit_delays(bench_recording({}, shots, beam=shots[:11]))
    assert delay[:11] == pytest.approx(np.full(11, 600.0), abs=0.01) and np.isnan(delay[11])


def test_sensors_are_proved_separate_only_where_they_ignore_the_other_heads():
    shots = [10.0 + 5 * k for k in range(30)]
    asked = ["left", "right"] * 15
    left, right = shots[::2], shots[1::2]
    apart = bench.shot_fires(bench_recording({"FLASH1": left, "FLASH2": right}, shots), ExactClock())
    assert bench.sensor_answers(apart, asked)["heads"] == {"left": ["FLASH1"], "right": ["FLASH2"]}
    shared = bench.shot_fires(bench_recording({"FLASH1": shots, "FLASH2": right}, shots), ExactClock())
    assert bench.sensor_answers(shared, asked)["heads"] == {"left": [], "right": ["FLASH2"]}


def test_a_bench_without_shots_is_an_empty_table():
    assert len(bench.shot_fires(bench_recording({}, []), ExactClock())) == 0
