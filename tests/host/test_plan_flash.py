"""Flash exposure against worked guide numbers, and the table of powers as measured."""

import math

import numpy as np
import pytest
from duskgate.plan import flash_light, power_table
from duskgate.plan.flash_light import FlashHead
from duskgate.plan.power_table import PowerStep
from duskgate.sitefile import parse
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize(
    "power, number",
    # GN sqrt(power), ISO 1230:1992 for what a guide number is; worked for GN 36 m apart from this code
    [(1, 36), (1 / 2, 25.456), (1 / 4, 18), (1 / 8, 12.728), (1 / 16, 9), (1 / 32, 6.364), (1 / 64, 4.5),
     (1 / 128, 3.182)],
)  # fmt: skip
def test_guide_number_falls_with_the_root_of_the_power(power, number):
    assert flash_light.guide_number_m(FlashHead(36, 1, power), 100) == pytest.approx(number, abs=5e-4)


def test_guide_number_worked_examples():
    # GN 36 m at f/8 reaches 4.5 m; at ISO 400 it is 72 m (worked from GN = N d and GN sqrt(S / 100))
    head = FlashHead(36, 4.5)
    assert flash_light.distance_for_m(head, 8, 100) == pytest.approx(4.5)
    assert flash_light.right_aperture_f([head], 100) == pytest.approx(8)
    assert flash_light.guide_number_m(head, 400) == pytest.approx(72)
    assert flash_light.guide_number_m(FlashHead(72, 1, guide_number_iso=400), 100) == pytest.approx(36)


def test_guide_numbers_add_by_their_squares():
    # Light adds up: 30 and 40 make 50; four equal heads make twice one (common practice, and geometry)
    assert flash_light.joint_guide_number_m([30, 40]) == pytest.approx(50)
    assert flash_light.right_aperture_f([FlashHead(20, 2)] * 4, 100) == pytest.approx(20)
    # each with its own distance: 30 / 2 = 15 and 20 / 1 = 20 make f/25
    assert flash_light.right_aperture_f([FlashHead(30, 2), FlashHead(20, 1)], 100) == pytest.approx(25)


def test_losses_and_close_ups():
    assert flash_light.right_aperture_f([FlashHead(32, 1, loss_stops=2)], 100) == pytest.approx(16)
    assert flash_light.right_aperture_f([FlashHead(32, 1)], 100, magnification=1) == pytest.approx(16)


heads = st.lists(
    st.builds(FlashHead, st.floats(5, 80), st.floats(0.2, 10), st.floats(0.002, 1)), min_size=1, max_size=5
)


@given(heads, st.floats(50, 6400), st.floats(1.4, 45))
def test_exposure_scales_as_light_must(rig, iso, aperture):
    stops = flash_light.flash_exposure(rig, aperture, iso)["stops"]["value"]
    far = [FlashHead(h.guide_number_m, 2 * h.distance_m, h.power) for h in rig]
    assert flash_light.flash_exposure(far, aperture, iso)["stops"]["value"] == pytest.approx(stops - 2)
    assert flash_light.flash_exposure(rig, aperture, 2 * iso)["stops"]["value"] == pytest.approx(stops + 1)
    assert flash_light.flash_exposure(rig, 2 * aperture, iso)["stops"]["value"] == pytest.approx(stops - 2)
    assert math.log2(flash_light.power_for(rig, aperture, iso)) == pytest.approx(-stops, abs=1e-9)
    assert flash_light.flash_lux_s(rig * 2) == pytest.approx(2 * flash_light.flash_lux_s(rig))


def test_a_dark_head_costs_its_share():
    found = flash_light.flash_exposure([FlashHead(10, 1)] * 3, 10 * math.sqrt(3), 100)
    assert found["shares"] == pytest.approx([1 / 3] * 3)
    assert found["without"] == pytest.approx([math.log2(2 / 3)] * 3)  # 0.58 stops
    assert flash_light.flash_exposure([FlashHead(10, 1)], 10, 100)["without"] == [-math.inf]


def test_interval_only_where_the_guide_number_has_one():
    rig = [FlashHead(32, 2)]
    assert flash_light.flash_exposure(rig, 8, 100)["stops"]["lo"] is None
    found = flash_light.flash_exposure(rig, 8, 100, unsure_stops=1)
    assert (found["stops"]["lo"], found["stops"]["value"], found["stops"]["hi"]) == pytest.approx((1, 2, 3))
    assert found["right_aperture_f"]["lo"] == pytest.approx(16 / math.sqrt(2))


def test_inverse_square_close_to_a_head():
    # Light of an even disc summed over rings: both cosines and the square of the distance, normalised far away
    distance, width = 0.3, 0.2
    r = (np.arange(20_000) + 0.5) / 20_000 * width / 2
    near = np.sum(r * distance**2 / (distance**2 + r**2) ** 2) / np.sum(r / distance**2)
    assert flash_light.disc_share(distance, width) == pytest.approx(near, rel=1e-6)
    # common practice, no source: from five widths on the inverse square may be used
    assert flash_light.disc_share(5, 1) == pytest.approx(0.99, abs=1e-3)
    close = flash_light.too_close([FlashHead(30, 0.6, width_m=0.07), FlashHead(30, 0.6, width_m=0.4), FlashHead(30, 1)])
    assert [c["head"] for c in close] == [1] and close[0]["stops"] == pytest.approx(math.log2(0.36 / 0.40))


def test_the_shutter_time_does_not_enter():
    assert flash_light.caught_by_shutter(2.0, 0.005, 60_000)["caught"]
    assert not flash_light.caught_by_shutter(0.01, 0.005, 60_000)["caught"]
    assert not flash_light.caught_by_shutter(0.001, 0.005, 100)["caught"]
    assert flash_light.caught_by_shutter(0.005, 0.005, 100)["caught"]


def test_the_frame_by_day_shows_the_flash_alone_in_the_shade_of_dusk():
    # f/11, ISO 400, 1/200 s: 75.625 lux s / 0.005 s / 32 = 472.66 lux, about the light of sunset
    shot = flash_light.test_shot(11, 400, 0.005, lux=400)
    assert shot["most_lux"] == pytest.approx(472.656, rel=1e-5) and shot["enough"]
    assert -1 < shot["sun_altitude_deg"]["value"] < 0
    assert shot["sun_altitude_deg"]["lo"] < shot["sun_altitude_deg"]["value"] < shot["sun_altitude_deg"]["hi"]
    noon = flash_light.test_shot(11, 400, 0.005, lux=100_000)
    assert not noon["enough"] and noon["stops_under"] == pytest.approx(5 - math.log2(100_000 / 472.656), abs=1e-4)
    assert flash_light.test_shot(11, 400, 0.005)["enough"] is None


def test_measured_frames_correct_the_guide_number():
    # mean -1, standard deviation 0.1, n = 3: t(0.975, 2) = 4.303 (printed tables), half width 4.303 x 0.1 / sqrt(3)
    found = flash_light.measured_off([-0.9, -1.0, -1.1])
    assert found["value"] == pytest.approx(-1) and found["n"] == 3
    assert found["hi"] - found["value"] == pytest.approx(4.303 * 0.1 / math.sqrt(3), rel=1e-3)
    assert found["guide_number_factor"] == pytest.approx(math.sqrt(0.5))
    assert flash_light.measured_off([0.5])["lo"] is None


SITE = """
[[heads]]
name = "left"
power = "1/16"
[[heads]]
name = "right"
power = "1/16"
[[heads]]
name = "back"
[[power_steps]]
power = "1/16"
t05_us = 90
recycle_s = 0.5
fires = 20
[[power_steps]]
head = "right"
power = "1/16"
t01_us = 300
fires = 8
[[power_steps]]
head = "right"
power = "1/4"
t05_us = 350
"""


def rig() -> tuple:
    site = parse(SITE)
    return power_table.steps_of(site.power_steps), [(h.name, h.power) for h in site.heads]


def test_a_head_takes_its_own_row_before_that_of_all():
    steps, _ = rig()
    assert power_table.step_at(steps, "right", 1 / 16) == PowerStep("right", 1 / 16, 90, 300, 0.5, 8)
    assert power_table.step_at(steps, "left", 0.0625) == PowerStep("left", 1 / 16, 90, None, 0.5, 20)
    assert power_table.step_at(steps, "left", 1 / 2) == PowerStep("left", 1 / 2)


def test_what_is_missing_is_named_and_nothing_is_made_up():
    steps, heads_set = rig()
    lacking = power_table.missing(steps, heads_set)
    assert [(m["head"], m["column"]) for m in lacking] == [("left", "t01_us"), ("back", "power")]
    assert lacking[0]["text"].startswith("left at 1/16: t01_us is not measured")
    assert power_table.slowest(steps, heads_set[:2], "recycle_s") == {
        "value": 0.5, "lo": None, "hi": None, "n": 20, "head": "left",
    }  # fmt: skip
    assert power_table.slowest(steps, heads_set[:2], "t01_us")["value"] is None
    assert power_table.slowest(steps, heads_set, "recycle_s")["value"] is None
    both = (*steps, PowerStep("left", 1 / 16, recycle_s=0.7, fires=5), PowerStep("right", 1 / 16, recycle_s=0.6))
    two = power_table.slowest(both[-2:], heads_set[:2], "recycle_s")
    assert (two["value"], two["head"], two["n"]) == (0.7, "left", 5)
    rows = power_table.table(steps, ["left", "right"])
    assert [(r["head"], r["power"], r["t05_us"]) for r in rows] == [
        ("left", 0.25, None), ("left", 1 / 16, 90), ("right", 0.25, 350), ("right", 1 / 16, 90),
    ]  # fmt: skip


@pytest.mark.parametrize("power, words", [(1, "full"), (0.5, "1/2"), (1 / 128, "1/128"), (0.3, "0.3")])
def test_powers_in_words(power, words):
    assert power_table.fraction_words(power) == words


def test_what_cannot_be_is_refused():
    for wrong in (
        lambda: FlashHead(0, 1),
        lambda: FlashHead(10, 1, 1.5),
        lambda: FlashHead(10, 1, loss_stops=-1),
        lambda: flash_light.right_aperture_f([], 100),
        lambda: flash_light.flash_exposure([FlashHead(10, 1)], 0, 100),
        lambda: flash_light.measured_off([math.nan]),
        lambda: flash_light.caught_by_shutter(0, 1, 1),
        lambda: PowerStep("", 1.5),
        lambda: PowerStep("", 1, t05_us=100, t01_us=90),
        lambda: PowerStep("", 1, recycle_s=0),
        lambda: power_table.slowest((), (), "power"),
    ):
        with pytest.raises(ValueError):
            wrong()
