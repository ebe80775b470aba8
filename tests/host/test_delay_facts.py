"""Facts of the delay: against the delays that were drawn for the invented nights, and what they mean in space."""

import dataclasses
import math

import numpy as np
import pytest
from duskgate.analysis.compare import difference
from duskgate.report import delay_facts
from duskgate.sitefile import load
from duskgate.virtual import scenes

from tests.cli.season_books import book, date_of, log_name

DAYS = (0, 1, 3)
HEADS = {"left": 1, "right": 2, "back": 3}


def drawn(preset: str, seeds, column: str) -> np.ndarray:
    """True delays (us) of every light that a break called, as the scenes drew them."""
    parts = []
    for seed in seeds:
        told = scenes.make(preset, seed).truth["fires"]
        answered = np.array(told["break_id"]) >= 0
        parts.append(np.array(told[column], float)[answered])
    lag = np.concatenate(parts)
    return lag[np.isfinite(lag)]


@pytest.fixture(scope="module")
def rig(tmp_path_factory):
    folder = book(tmp_path_factory.mktemp("d") / "logbook", DAYS)
    return delay_facts.read_rigs([folder])[0]


@pytest.fixture(scope="module")
def facts(rig):
    return delay_facts.delay_facts([rig])["rigs"][0]


@pytest.mark.parametrize("name", HEADS)
def test_median_and_95_percent_point_of_each_head_are_the_drawn_ones(facts, name):
    told = facts["paths"]["beam_flash"]["heads"][name]
    true = drawn("quiet-night", range(10, 13), f"latency{HEADS[name]}_us")
    assert told["median"]["value"] == pytest.approx(np.median(true), abs=2)
    assert told["median"]["lo"] - 1 <= np.median(true) <= told["median"]["hi"] + 1
    assert told["p95"]["lo"] - 1 <= np.quantile(true, 0.95) <= told["p95"]["hi"] + 1
    assert told["median"]["n"] == pytest.approx(len(true), rel=0.02)


def test_nights_are_pooled_and_named(facts, rig):
    assert facts["nights"] == [date_of(d) for d in DAYS] and facts["n_answered"] == len(rig.fires)
    assert facts["main_path"] == "beam_flash" and facts["beam_source"]["source"] == "own"
    late = next(m for m in facts["paths"]["beam_flash"]["modes"] if m["what"] == "late")
    assert late["share"]["lo"] < 0.025 < late["share"]["hi"]  # the plan sends 2 % twice; strangers' lights add few


def test_lead_is_speed_times_the_last_heads_delay(rig, facts):
    led = facts["space"]["lead"]
    assert facts["space"]["speed_m_s"] == 0.7 and facts["space"]["speed_source"] == "site file"
    assert led["head"] == "back"
    median = facts["paths"]["beam_flash"]["heads"]["back"]["median"]
    assert led["way_mm"]["value"] == pytest.approx(0.7e-3 * median["value"])
    assert led["way_mm"]["hi"] == pytest.approx(0.7e-3 * median["hi"])
    fast = delay_facts.delay_facts([rig], speed_m_s=2.1)["rigs"][0]["space"]
    assert fast["lead"]["way_mm"]["value"] == pytest.approx(3 * led["way_mm"]["value"])
    assert fast["speed_source"] == "given"


def test_depth_of_field_of_the_site_files_camera_worked_here(facts):
    """105 mm, f/11, 0.75 m, circle 2 x 4.6 um: depth = 2 N c u^2 f^2 (1 - f/u) / (f^4 - N^2 c^2 (u - f)^2)."""
    f, n, u, c = 105.0, 11.0, 750.0, 0.0092
    total = 2 * n * c * u * (u - f) * f**2 / (f**4 - n**2 * c**2 * (u - f) ** 2)
    depth = facts["space"]["depth"]
    assert depth["total_mm"] == pytest.approx(total) and depth["circle_um"] == pytest.approx(9.2)
    assert depth["magnification"] == pytest.approx(105 / 645) and depth["diffraction_limits"] is True
    fits = facts["space"]["fits"]
    assert fits["fits"] is True and fits["share"] == pytest.approx(fits["width_mm"] / total)


def test_missing_values_are_asked_for_by_their_keys(rig):
    bare = dataclasses.replace(rig, site=None, site_file=None)
    facts = delay_facts.delay_facts([bare])
    space = facts["rigs"][0]["space"]
    assert space["missing"] == ["animal.speed_m_s", *(f"camera.{k}" for k in (
        "focal_length_mm", "aperture_f", "distance_m", "pixel_pitch_um"))]  # fmt: skip
    assert space["lead"] is None and space["depth"] is None
    assert "Fill in  animal.speed_m_s" in "\n".join(facts["summary"])
    no_lens = dataclasses.replace(rig.site, camera=dataclasses.replace(rig.site.camera, focal_length_mm=None))
    assert delay_facts.delay_facts([dataclasses.replace(rig, site=no_lens)])["rigs"][0]["space"]["missing"] == [
        "camera.focal_length_mm"
    ]


def test_a_lens_that_makes_no_image_is_said_not_computed(rig):
    near = dataclasses.replace(rig.site, camera=dataclasses.replace(rig.site.camera, distance_m=0.1))
    facts = delay_facts.delay_facts([dataclasses.replace(rig, site=near)])
    assert "check focal_length_mm and distance_m" in "\n".join(facts["summary"])


def slower(rig, by_us: float):
    """The same rig with every delay longer."""
    columns = ["latency_us", *(f"latency{k}_us" for k in range(1, 5))]
    parts = [p.assign(**{c: p[c] + by_us for c in columns}) for p in rig.parts]
    return dataclasses.replace(rig, label="slower", parts=parts)


def test_two_rigs_differ_by_what_they_differ(rig):
    diff = delay_facts.delay_facts([rig, slower(rig, 250.0)])["differences"]
    assert len(diff) == 1 and (diff[0]["of"], diff[0]["less"]) == ("slower", rig.label)
    for head in HEADS:
        e = diff[0]["paths"]["beam_flash"]["heads"][head]["median"]
        assert e["value"] == pytest.approx(250) and 0 < e["lo"] < 250 < e["hi"] < 300


def test_a_difference_covers_the_truth_about_as_often_as_it_says():
    rng = np.random.default_rng(4)
    pairs = [(rng.normal(3000, 40, 150), rng.normal(3010, 60, 90)) for _ in range(300)]
    held = sum(e["lo"] <= 10 <= e["hi"] for e in (difference(a, b, 0.5) for a, b in pairs))
    assert held >= 274  # of 300; 95 % less four standard deviations of a binomial
    assert held / 300 < 1


def test_the_camera_path_is_told_in_its_two_parts(tmp_path):
    folder = book(tmp_path / "logbook", (0,), "guided-evening")
    told = delay_facts.delays_of([folder])["rigs"][0]
    path = told["paths"]["beam_camera"]
    sync = drawn("guided-evening", [10], "sync_us")
    assert told["main_path"] == "beam_camera"
    assert path["beam_to_sync_us"]["median"]["value"] == pytest.approx(np.median(sync), rel=0.01)
    parts = path["beam_to_sync_us"]["median"]["value"] + path["sync_to_light_us"]["median"]["value"]
    assert parts == pytest.approx(path["first_us"]["median"]["value"], rel=0.01)
    assert any("beam to camera" in line for line in delay_facts.delays_of([folder])["summary"])


def test_a_second_beam_says_how_fast_they_really_flew(tmp_path):
    folder = book(tmp_path / "logbook", (0,), "two-beams")
    speed = delay_facts.delays_of([folder])["rigs"][0]["space"]["measured_speed"]
    true = np.array(scenes.make("two-beams", 10).truth["visits"]["speed_mm_s"], float) / 1000
    assert speed["median_m_s"] == pytest.approx(np.nanmedian(true), rel=0.08) and speed["n"] > 100


def test_one_log_alone_is_the_same_as_its_night_in_the_logbook(rig):
    folder = rig.label
    alone = delay_facts.delays_of([f"{folder}/{log_name(0)}"])["rigs"][0]
    assert alone["nights"] == [date_of(0)]
    assert alone["n_answered"] == len(rig.parts[0])
    assert not math.isnan(alone["paths"]["beam_flash"]["first_us"]["median"]["value"])
    assert load(f"{folder}/site.toml").animal.speed_m_s == alone["space"]["speed_m_s"]
