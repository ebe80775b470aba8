"""Depth of field and the way flown during a delay, against examples worked by hand."""

import math

import numpy as np
import pytest
from duskgate.plan import depth, lead
from hypothesis import given
from hypothesis import strategies as st


def test_depth_of_field_worked_here_by_hand():
    # f = 100 mm, N = 10, c = 0.01 mm: H = 10 000 / 0.1 + 100 = 100 100 mm.
    # s = 1000: near = 1000 * 100 000 / (100 100 + 1000 - 200) = 1e8 / 100 900 = 991.0803 mm,
    # far = 1e8 / (100 100 - 1000) = 1009.0817 mm; m = 100 / 900.
    d = depth.depth_of_field(100, 10, 1000, 0.01)
    assert d.hyperfocal_mm == pytest.approx(100_100)
    assert (d.near_mm, d.far_mm) == pytest.approx((991.0803, 1009.0817), abs=1e-4)
    assert d.total_mm == pytest.approx(18.0014, abs=1e-4) and d.magnification == pytest.approx(1 / 9)


def test_depth_at_the_hyperfocal_distance_reaches_from_its_half_to_infinity():
    d = depth.depth_of_field(50, 8, depth.depth_of_field(50, 8, 1000, 0.03).hyperfocal_mm, 0.03)
    assert d.far_mm == math.inf and d.near_mm == pytest.approx(d.hyperfocal_mm / 2, rel=0.01)


@given(
    st.floats(10, 400), st.floats(1.4, 32), st.floats(1.5, 40), st.floats(0.002, 0.03),
)  # fmt: skip
def test_blur_at_both_ends_is_the_circle(focal, number, times, circle):
    """Lens equation at each end: the cone from the pupil f/N to its image is as wide as the circle at the sensor."""
    s = times * focal
    d = depth.depth_of_field(focal, number, s, circle)
    image = focal * s / (s - focal)
    for end in (d.near_mm, d.far_mm):
        if math.isinf(end):
            continue
        other = focal * end / (end - focal)
        assert focal / number * abs(other - image) / other == pytest.approx(circle, rel=1e-6)


@pytest.mark.parametrize("wrong", [(0, 8, 1000, 0.01), (50, 8, 50, 0.01), (50, 8, 40, 0.01), (50, 8, 1000, 0)])
def test_lengths_that_make_no_image_are_refused(wrong):
    with pytest.raises(ValueError):
        depth.depth_of_field(*wrong)


def test_circle_and_diffraction_worked_here():
    assert depth.circle_of_confusion_mm(4.6) == pytest.approx(0.0092)
    # 2.44 * 0.55 um * 11 = 14.762 um for a distant thing; twice that at life size
    assert depth.diffraction_disc_mm(11) == pytest.approx(0.014762)
    assert depth.diffraction_disc_mm(11, 1.0) == pytest.approx(0.029524)


def test_way_flown_worked_here():
    # 2 m/s for 3500 us: 7 mm
    assert lead.way_mm(2.0, 3500) == pytest.approx(7.0)
    e = lead.way_estimate(2.0, {"value": 3500.0, "lo": 3400.0, "hi": 3650.0, "n": 40, "level": 0.95})
    assert e == pytest.approx({"value": 7.0, "lo": 6.8, "hi": 7.3, "n": 40, "level": 0.95})
    few = {"value": None, "n": 2, "need": 6, "text": "not enough data, n = 2, need about 6"}
    assert lead.way_estimate(2.0, few) == few
    with pytest.raises(ValueError):
        lead.way_mm(-1, 3500)


def test_spread_of_places_worked_here():
    delays = np.arange(0, 1001.0)  # 5 % point 50, 95 % point 950
    s = lead.spread_mm(1.0, delays)
    assert (s["from_mm"], s["to_mm"], s["width_mm"]) == pytest.approx((0.05, 0.95, 0.9)) and s["n"] == 1001
    assert lead.spread_mm(1.0, delays[:19])["width_mm"] is None
