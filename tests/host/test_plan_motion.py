"""Blur, way flown and what each path can do, against examples worked by hand."""

import math

import numpy as np
import pytest
from duskgate.plan import depth, motion
from hypothesis import given
from hypothesis import strategies as st

STEADY = motion.Speeds(1.0, 1.0, 1.0)


def est(value, lo=None, hi=None, n=100):
    return {"value": value, "lo": value if lo is None else lo, "hi": value if hi is None else hi, "n": n, "level": 0.95}


def direct(low=3100.0, median=3200.0, high=3300.0, **more):
    return motion.Delay("beam_flash", est(low), est(median, 3190.0, 3210.0), est(high), **more)


# f = 100 mm, N = 10, c = 0.01 mm at 1000 mm: 991.08 to 1009.08 mm, worked in test_plan_optics.py
FIELD = depth.depth_of_field(100, 10, 1000, 0.01)


def test_ratio_of_an_exponential_decay():
    # light exp(-t / tau): above a half for tau ln 2, above a tenth for tau ln 10; ln 10 / ln 2 = 3.3219281
    assert pytest.approx(3.3219281, abs=1e-7) == motion.DECAY_RATIO
    made = motion.durations(100, None)
    assert made is not None and made.t01_us == pytest.approx(332.193, abs=1e-3) and made.computed == "t01_us"
    back = motion.durations(None, 332.193)
    assert back is not None and back.t05_us == pytest.approx(100, abs=1e-3) and back.computed == "t05_us"
    both = motion.durations(100, 150)
    assert both == motion.Durations(100, 150, "") and motion.durations(None, None) is None


@pytest.mark.parametrize("wrong", [(0, None), (None, -1), (100, 90), (math.nan, None)])
def test_durations_that_cannot_be(wrong):
    with pytest.raises(ValueError):
        motion.durations(*wrong)


def test_blur_worked_here():
    # arithmetic: 5 m/s for 100 us is 0.5 mm; at magnification 1/9 and 4.3 um: 0.5 / 9 * 1000 / 4.3 = 12.92 pixels
    flash = motion.Durations(100 / motion.DECAY_RATIO, 100, "t05_us")
    b = motion.blur(5, flash, 1 / 9, 4.3)
    assert b.seen_mm == pytest.approx(0.5) and b.seen_px == pytest.approx(12.92, abs=0.005)
    assert b.stated_mm == pytest.approx(0.1505, abs=1e-4) and b.computed == "t05_us"
    assert motion.blur(5, flash, None, 4.3).seen_px is None
    # wing tip of 10 m/s, 25 us: 0.25 mm
    assert motion.blur(10, motion.Durations(20, 25), None, None).seen_mm == pytest.approx(0.25)


@given(st.floats(0.01, 30), st.floats(0.01, 2), st.floats(1, 20))
def test_the_longest_flash_just_makes_two_pixels(speed, scale, pitch):
    longest = motion.longest_flash_us(speed, scale, pitch)
    b = motion.blur(speed, motion.Durations(longest / 2, longest), scale, pitch)
    assert b.seen_px == pytest.approx(motion.SHARP_PIXELS)
    assert motion.longest_flash_us(0, scale, pitch) == math.inf


def test_place_of_the_beam_worked_here():
    # 1 m/s: 3.2 mm ahead; found from 3.1 to 3.3 mm, 0.1 to either side; with a body of 5 mm: 5.2 mm of 18.0
    p = motion.place(direct(), STEADY, 5, FIELD)
    assert p.ahead_mm is not None and p.ahead_mm["value"] == pytest.approx(3.2) and p.ahead_mm["n"] == 100
    assert (p.from_mm, p.to_mm, p.needed_mm) == pytest.approx((3.1, 3.3, 5.2))
    assert p.verdict == "works" and p.depth_mm == pytest.approx(18.0, abs=0.01)
    assert "3.2 mm ahead" in p.text and "n = 100" in p.text and "works" in p.text


def test_a_doubtful_speed_takes_more_depth_than_a_late_flash():
    # 0.5 to 2 m/s: from 1.55 to 6.6 mm; the longer side is 3.4 mm, so 6.8 + 5 = 11.8 mm
    p = motion.place(direct(), motion.Speeds(1.0, 0.5, 2.0), 5, FIELD)
    assert (p.from_mm, p.to_mm, p.needed_mm) == pytest.approx((1.55, 6.6, 11.8)) and p.verdict == "works"


def test_a_camera_in_between_moves_the_beam_and_spoils_the_place():
    # lag of 45 to 60 ms at 1 m/s: 55.7 mm ahead, from 48.1 to 63.3 mm: 15.2 + 5 mm of 18.0, so in part
    slow = motion.through_camera(direct(), (45, 60))
    p = motion.place(slow, STEADY, 5, FIELD)
    assert p.ahead_mm is not None and p.ahead_mm["value"] == pytest.approx(55.7)
    assert (p.ahead_mm["lo"], p.ahead_mm["hi"]) == pytest.approx((48.19, 63.21))
    assert (p.from_mm, p.to_mm, p.needed_mm) == pytest.approx((48.1, 63.3, 20.2)) and p.verdict == "partly"
    fast = motion.place(slow, motion.Speeds(1.0, 0.5, 2.0), 5, FIELD)
    assert fast.verdict == "cannot" and "cannot" in fast.text
    said = motion.which_path([motion.place(direct(), STEADY, 5, FIELD), fast])
    assert said == "flashes fired by the beam can work; a camera fired by the beam cannot work at this speed"
    with pytest.raises(ValueError):
        motion.through_camera(direct(), (60, 45))


def test_what_is_not_known_is_said():
    few = {"value": None, "n": 2, "need": 6, "text": "not enough data, n = 2, need about 6"}
    p = motion.place(motion.Delay("beam_camera", few, few, few), STEADY, 5, FIELD)
    assert p.verdict == "unknown" and p.needed_mm is None and "bench" in p.text
    assert motion.through_camera(motion.Delay("beam_flash", None, few, few), (45, 60)).median_us == few
    p = motion.place(direct(late_us=9000, late_share=0.02), STEADY, 5, None)
    assert p.verdict == "unknown" and "must cover 5 mm" in p.text and "2.0% of the firings come later" in p.text
    assert motion.which_path([p]) == "flashes fired by the beam cannot be judged yet"
    far = depth.depth_of_field(20, 16, 5000, 0.02)
    assert math.isinf(far.total_mm) and "all from its near end" in motion.place(direct(), STEADY, 5, far).text


def test_share_of_firings_in_the_depth_worked_here():
    # the depth reaches 8.92 mm towards the lens; at 1 m/s and 3.2 mm ahead: sharp up to a delay of 12.12 ms
    lags = np.array([3200.0] * 97 + [12_000.0, 12_200.0, 13_000.0])
    s = motion.sharp_share(lags, 1.0, 3.2, FIELD)
    assert s["value"] == pytest.approx(0.98) and s["n"] == 100
    # Clopper & Pearson 1934 for 98 of 100: .9296 to .9976 (computed here by bisection of the binomial sum)
    assert (s["lo"], s["hi"]) == pytest.approx(clopper_pearson(98, 100), abs=1e-6)
    assert motion.sharp_share(lags[:0], 1.0, 3.2, FIELD)["value"] is None
    assert motion.sharp_share(lags[:20], 1.0, 3.2, FIELD)["hi"] == 1.0
    assert motion.sharp_share(lags[98:], 1.0, 3.2, FIELD)["lo"] == 0.0


def clopper_pearson(k, n):
    def tail(p, ks):
        return sum(math.comb(n, j) * p**j * (1 - p) ** (n - j) for j in ks)

    def solve(f):
        lo, hi = 0.0, 1.0
        for _ in range(80):
            mid = (lo + hi) / 2
            lo, hi = (mid, hi) if f(mid) else (lo, mid)
        return lo

    return solve(lambda p: tail(p, range(k, n + 1)) < 0.025), solve(lambda p: tail(p, range(k + 1)) > 0.025)
