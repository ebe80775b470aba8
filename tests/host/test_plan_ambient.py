"""Light of sky and moon against published figures, and when a shutter stays dark; sources beside each check."""

import math

import numpy as np
import pytest
from duskgate.plan import ambient, dark_window
from duskgate.plan.dark_window import OpenShutter
from duskgate.sitefields import Camera, Site
from duskgate.timebase.sky import DAY_US, Place, night_sky, track
from hypothesis import given
from hypothesis import strategies as st

MINUTE_US = 60_000_000
GARDEN = Place(44.2, 0.6)  # the invented garden
MAY_NOON_US = 1_778_760_000_000_000  # 2026-05-14T12:00:00Z, two days before new moon


@pytest.mark.parametrize(
    "altitude, least, most",
    # AMS Glossary of Meteorology, light at sunset 585 to 410 lux, end of civil twilight 3.5 to 2, of nautical 0.008, of
    # astronomical 6e-4; data sheet notes of a light sensor print 3.4 for the end of civil twilight. Read in copies of
    # those pages; the single figures with a tenth on either side.
    [(-0.8333, 410, 585), (-6, 2, 3.5), (-12, 0.0072, 0.0088), (-18, 5.4e-4, 6.6e-4)],
)
def test_twilight_against_the_meteorologists_glossary(altitude, least, most):
    assert least <= ambient.sun_lux(altitude) <= most


@pytest.mark.parametrize(
    "altitude, lux",
    # Janiczek & DeYoung 1987 (US Naval Observatory Circular 171), another model, computed apart from this code. A
    # factor of 2 is what tables differ by; below -12 degrees that model counts no night sky and is left out.
    [(20, 30598), (5, 4252), (-0.833, 662), (-3, 66.4), (-6, 2.99), (-9, 0.116), (-12, 0.00436)],
)
def test_sun_against_a_second_model_within_the_stated_range(altitude, lux):
    sky = ambient.sky_light(np.array([float(altitude)]))
    assert sky.lo[0] <= lux <= sky.hi[0]


def test_second_model_of_the_horizon():
    # Table A of the same circular prints 697 lux for an altitude that rounds to 0
    assert ambient.sun_lux(-0.5) < 697 < ambient.sun_lux(0.5)


@pytest.mark.parametrize(
    "altitude, lux",
    # The fit written out again and summed apart from this code (0.02 in log10 for its joints).
    [(20, 27318), (5, 4499), (0, 759), (-3, 79.1), (-9, 0.116), (-12, 0.00814), (-15, 0.00202)],
)
def test_sun_against_the_fit_itself(altitude, lux):
    assert math.log10(ambient.sun_lux(altitude)) == pytest.approx(math.log10(lux), abs=0.02)


@given(st.floats(-18, 90), st.floats(-18, 90))
def test_light_never_falls_as_the_sun_rises(a, b):
    low, high = sorted((a, b))
    assert ambient.sun_lux(low) <= ambient.sun_lux(high)
    assert ambient.sun_lux(ambient.sun_altitude_deg(float(ambient.sun_lux(a)))) == pytest.approx(
        float(ambient.sun_lux(a)), rel=1e-6
    )


def test_night_sky_is_a_floor_between_starlight_and_airglow():
    # lists of orders of magnitude: stars alone 2e-4 lux, with airglow 2e-3
    sky = ambient.sky_light(np.array([-18.0, -40.0, -90.0]))
    assert len(set(sky.value.tolist())) == 1
    assert sky.lo[0] == pytest.approx(2e-4, rel=0.02) and sky.hi[0] == pytest.approx(2e-3, rel=0.05)
    assert ambient.sun_altitude_deg(1e-5) == -math.inf and ambient.sun_altitude_deg(1e6) == 90


@pytest.mark.parametrize("altitude, lux", [(90, 0.269), (60, 0.216), (45, 0.164), (30, 0.0977), (10, 0.0236)])
def test_full_moon_against_the_fit_summed_apart(altitude, lux):
    assert ambient.moon_lux(altitude, 0.0) == pytest.approx(lux, rel=0.01)


def test_brightest_moon():
    # Kyba, Mohar & Posch 2017, Astronomy & Geophysics 58:1.31: at most 0.32 lux, a usual full moon 0.05 to 0.1.
    # Horizontal parallax at perigee 61.5', at apogee 53.9'.
    assert ambient.moon_lux(90, 0.0, 61.5 / 60) == pytest.approx(0.32, rel=0.05)
    assert 0.05 <= ambient.moon_lux(30, 0.0, 53.9 / 60) <= 0.1
    assert ambient.moon_lux(-0.9, 0.0) == 0


@pytest.mark.parametrize(
    "angle, share",
    # Krisciunas & Schaefer 1991, PASP 103:1033: V = -12.73 + 0.026 a + 4e-9 a^4, computed from that formula
    [(10, 0.7870), (30, 0.4861), (60, 0.2266), (90, 0.0910), (120, 0.0263), (150, 0.0043)],
)
def test_phase_law_against_another_within_the_stated_factor(angle, share):
    assert 10 ** (-0.4 * (0.026 * angle + 4e-9 * angle**4)) == pytest.approx(share, abs=5e-5)
    ratio = float(ambient.moon_share(angle)) / share
    assert 1 / ambient.MOON_FACTOR < ratio < ambient.MOON_FACTOR


def test_sun_moon_and_lamps_add_up_each_with_its_own_range():
    # half moon of 30 degrees, 0.0116 lux (the fit summed apart), over the night sky's 6.45e-4, and a lamp of 0.05
    plain = ambient.sky_light(np.array([-30.0]), np.array([30.0]), 90.0)
    lit = ambient.sky_light(np.array([-30.0]), np.array([30.0]), 90.0, glow_lux=0.05)
    assert plain.value[0] == pytest.approx(0.0116 + 6.45e-4, rel=0.01)
    assert plain.hi[0] == pytest.approx(0.0116 * 1.5 + 6.45e-4 * 3.2, rel=0.01)
    assert plain.lo[0] == pytest.approx(0.0116 / 1.5 + 6.45e-4 / 3.2, rel=0.01)
    for name in ("value", "lo", "hi"):
        assert getattr(lit, name)[0] - getattr(plain, name)[0] == pytest.approx(0.05)


def test_air_mass_and_haze():
    # Kasten & Young 1989: about 38 at the horizon; 1 / sin h far above it (plane layers)
    assert ambient.air_mass(0) == pytest.approx(38, rel=0.01)
    assert ambient.air_mass(np.array([90.0, 30.0])) == pytest.approx([1, 2], rel=0.005)
    clear, hazy = ambient.moon_lux(30, 0.0), ambient.moon_lux(30, 0.0, haze_mag=0.5)
    assert -2.5 * math.log10(hazy / clear) == pytest.approx(0.5 * float(ambient.air_mass(30)))


@pytest.mark.parametrize(
    "lux, ev",
    # log2(lux / 2.5), ISO 2720:1974 with C = 250: the printed ladder of exposure values, 2.5 lux for EV 0
    [(2.5, 0), (10, 2), (320, 7), (0.267, -3.227), (1000, 8.644), (100_000, 15.288)],
)
def test_exposure_values_of_light(lux, ev):
    assert float(ambient.ev100(lux)) == pytest.approx(ev, abs=5e-4)


@pytest.mark.parametrize(
    "setting, ev",
    # APEX / Exif: Av = 2 log2 N, Tv = -log2 t, Sv = log2(ISO / 3.125), EV100 = Av + Tv + 5 - Sv
    [
        ((16, 1 / 100, 100), 14.644), ((8, 1, 100), 6), ((1, 1, 100), 0), ((5.6, 1 / 125, 100), 4.971 + 6.966),
        ((8, 1 / 60, 400), 6 + 5.907 - 2), ((11, 2, 1600), 6.919 - 1 - 4),
    ],
)  # fmt: skip
def test_exposure_values_of_settings(setting, ev):
    assert ambient.setting_ev100(*setting) == pytest.approx(ev, abs=1e-3)


def test_full_sun_at_f16():
    # common practice, no source: f/16 at 1/ISO in full sun, which is said to be near 100,000 lux; within a stop
    assert ambient.setting_ev100(16, 1 / 100, 100) == pytest.approx(float(ambient.ev100(ambient.sun_lux(50))), abs=1)


def test_right_exposure_is_what_the_setting_asks_for():
    # f/8 at ISO 100: 250 x 64 / 100 lux s
    assert ambient.right_exposure_lux_s(8, 100) == pytest.approx(160)
    assert ambient.right_exposure_lux_s(8, 100, 1.0) == pytest.approx(640)  # life size: two stops


def test_most_light_worked_by_hand():
    # f/11, ISO 400, 2 s, 5 stops: 250 x 121 / 400 = 75.625 lux s; / 2 s / 32 = 1.1816 lux
    shot = OpenShutter(2.0, 11, 400)
    assert dark_window.most_lux(shot) == pytest.approx(1.18164, rel=1e-5)
    assert dark_window.stops_under(shot, 1.1816406) == pytest.approx(5)
    assert dark_window.longest_shutter_s(shot, 1.1816406 / 2) == pytest.approx(4)
    assert dark_window.most_lux(OpenShutter(2.0, 11, 400, shade_share=0.25)) == pytest.approx(4 * 1.18164, rel=1e-5)


@given(
    st.floats(0.1, 60), st.floats(1.4, 32), st.floats(50, 12800), st.floats(0, 10), st.floats(0.05, 1),
    st.floats(1e-3, 1e4),
)  # fmt: skip
def test_most_light_and_stops_say_the_same(shutter, aperture, iso, stops, shade, lux):
    shot = OpenShutter(shutter, aperture, iso, stops, shade)
    assert dark_window.stops_under(shot, dark_window.most_lux(shot)) == pytest.approx(stops, abs=1e-6)
    enough = dark_window.stops_under(shot, lux) > stops + 1e-9
    assert enough <= (lux < dark_window.most_lux(shot)) and enough <= (
        dark_window.longest_shutter_s(shot, lux) > shutter
    )


def test_dark_window_of_a_straight_dusk():
    # log2 of the light falls by one stop in two minutes from 64 x the limit: at the limit after 12 minutes
    shot = OpenShutter(10.0, 8, 100)
    at = np.arange(0, 41 * MINUTE_US, MINUTE_US)
    stops = np.abs(at / MINUTE_US - 20) / 2 + 2 - 6
    lux = dark_window.most_lux(shot) * 2**stops
    # dark for |minute - 20| < 8: 12 to 28, and the frame that begins at 28:00 would end in the light
    assert dark_window.dark_spans(shot, at, lux) == [(12 * MINUTE_US, 27 * MINUTE_US)]


def test_a_rising_moon_parts_the_window_and_shows_in_it():
    shot = OpenShutter(30.0, 5.6, 800)
    at = np.arange(0, 301 * MINUTE_US, MINUTE_US)
    lux = np.where((at > 100 * MINUTE_US) & (at < 200 * MINUTE_US), 2.0, 0.5) * dark_window.most_lux(shot)
    found = dark_window.dark_window(shot, at, ambient.SkyLight(lux, lux / 1.5, lux * 1.5))
    assert len(found["spans_utc_us"]) == 2 and found["dark_at_start"] and found["dark_at_end"]
    # a tenth of twice the limit is dark enough: cloud closes the gap that the moon makes
    assert len(found["surely_utc_us"]) == 2 and found["cloudy_utc_us"] == [(0, 299 * MINUTE_US)]
    assert (found["first_utc_us"]["value"], found["last_utc_us"]["value"]) == (0, 299 * MINUTE_US)


def night(shot: OpenShutter, start_us: int = MAY_NOON_US, place: Place = GARDEN) -> tuple[dict, object]:
    way = track(place, start_us, start_us + DAY_US)
    sky = ambient.sky_light(
        way.sun_altitude_deg, way.moon_altitude_deg, way.moon_phase_angle_deg, way.moon_parallax_deg
    )
    return dark_window.dark_window(shot, way.utc_us, sky), way


def test_window_of_a_moonless_night_lies_between_the_twilights():
    found, way = night(OpenShutter(2.0, 11, 400))
    sky = night_sky(GARDEN, MAY_NOON_US, MAY_NOON_US + DAY_US)
    first, last = found["first_utc_us"], found["last_utc_us"]
    # 1.18 lux lies between 3.41 (-6 degrees) and 0.116 (-9): after civil dusk, before nautical
    assert sky.dusk_us["civil"] < first["value"] < sky.dusk_us["nautical"]
    assert sky.dawn_us["nautical"] < last["value"] < sky.dawn_us["civil"]
    assert first["lo"] < first["value"] < first["hi"] and last["lo"] < last["value"] < last["hi"]
    assert first["value"] % MINUTE_US == 0 and first["n"] == 0
    at_first = np.interp(first["value"], way.utc_us, way.sun_altitude_deg)
    assert (
        ambient.sun_lux(at_first)
        <= 1.1817
        < ambient.sun_lux(np.interp(first["value"] - MINUTE_US, way.utc_us, way.sun_altitude_deg))
    )
    # a factor of 2 in light is some minutes of dusk, never an hour
    assert 3 * MINUTE_US <= first["hi"] - first["lo"] <= 25 * MINUTE_US


def test_the_sure_window_is_the_shorter_and_the_cloudy_the_longer_one():
    found, _ = night(OpenShutter(2.0, 11, 400))
    (sure,), (middle,), (cloudy,) = (found[k] for k in ("surely_utc_us", "spans_utc_us", "cloudy_utc_us"))
    assert cloudy[0] < middle[0] < sure[0] and sure[1] < middle[1] < cloudy[1]
    assert sure == (found["first_utc_us"]["hi"], found["last_utc_us"]["lo"])


@pytest.mark.parametrize("shutter", [0.5, 2.0, 8.0, 30.0])
def test_a_longer_shutter_must_wait_longer(shutter):
    shorter, _ = night(OpenShutter(shutter, 11, 400))
    longer, _ = night(OpenShutter(2 * shutter, 11, 400))
    assert longer["first_utc_us"]["value"] > shorter["first_utc_us"]["value"]
    assert longer["last_utc_us"]["value"] < shorter["last_utc_us"]["value"]


def test_never_dark_enough_is_said():
    # 60 degrees north at midsummer: the sun stays above -6.6 degrees
    found, _ = night(OpenShutter(30.0, 4, 3200), 1_782_043_200_000_000, Place(60, 10))
    assert found["spans_utc_us"] == [] and found["first_utc_us"]["value"] is None
    assert "not dark enough" in found["first_utc_us"]["text"] and found["best_stops_under"]["value"] < 5
    assert found["best_stops_under"]["lo"] < found["best_stops_under"]["hi"]


def test_defaults_of_the_site_file_are_those_of_the_window():
    assert Camera().stops_under == dark_window.DEFAULT_STOPS_UNDER and Site().shade_share == dark_window.OPEN_SKY


def test_what_cannot_be_is_refused():
    for wrong in (
        lambda: ambient.sun_lux(np.nan),
        lambda: ambient.sun_lux(91),
        lambda: ambient.moon_share(181),
        lambda: ambient.moon_lux(10, 0, 2.0),
        lambda: ambient.moon_lux(10, 0, haze_mag=-1),
        lambda: ambient.sky_light(np.zeros(2), glow_lux=-1),
        lambda: ambient.ev100(-1),
        lambda: ambient.sun_altitude_deg(0),
        lambda: OpenShutter(0, 8, 100),
        lambda: OpenShutter(1, 8, 100, shade_share=0),
        lambda: OpenShutter(1, 8, 100, stops_under=-1),
        lambda: dark_window.dark_window(OpenShutter(1, 8, 100), np.zeros(1), ambient.sky_light(np.zeros(1))),
    ):
        with pytest.raises(ValueError):
            wrong()
