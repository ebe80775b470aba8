"""Sun and moon against published and independently computed figures, each with its source and tolerance."""

from datetime import datetime, timedelta

import numpy as np
import pytest
from duskgate.timebase.nights import bounds_utc_us
from duskgate.timebase.sky import (
    Place,
    crossings,
    moon_altitude_deg,
    moon_lit,
    next_phase_us,
    night_sky,
    sun_altitude_deg,
    track,
)

US = 1_000_000
DAY_US = 86_400 * US


def us(text: str) -> int:
    return round(datetime.fromisoformat(text + "+00:00").timestamp()) * US


# Computed with skyfield and JPL DE421, UTC to the second: latitude, longitude, date, then the centre at -18 -12 -6
# degrees in the morning, rise, set, and -6 -12 -18 in the evening; "+" is the next UTC day, "none" does not happen.
DE421 = """
0 0 2026-03-20 04:55:32 05:19:32 05:43:31 06:04:11 18:10:41 18:31:21 18:55:20 19:19:20
0 0 2026-06-21 04:43:02 05:09:22 05:35:36 05:58:08 18:05:30 18:28:02 18:54:16 19:20:36
0 0 2026-12-21 04:39:12 05:05:33 05:31:46 05:54:19 18:01:49 18:24:21 18:50:35 19:16:56
10 -84 2026-03-20 10:30:22 10:54:45 11:19:07 11:40:06 23:46:46 +00:07:45 +00:32:08 +00:56:32
10 -84 2026-06-21 09:58:52 10:26:24 10:53:31 11:16:35 23:59:09 +00:22:13 +00:49:20 +01:16:52
10 -84 2026-12-21 10:32:27 10:58:42 11:25:04 11:47:54 23:20:27 23:43:17 +00:09:40 +00:35:55
32 -111 2026-03-20 12:06:05 12:34:46 13:03:11 13:27:33 +01:35:38 +02:00:02 +02:28:31 +02:57:16
32 -111 2026-06-21 10:38:09 11:15:36 11:50:12 12:18:30 +02:33:16 +03:01:33 +03:36:09 +04:13:36
32 -111 2026-12-21 12:53:05 13:22:57 13:53:30 14:20:33 +00:23:53 +00:50:55 +01:21:29 +01:51:21
60 10 2026-03-20 02:56:35 03:50:38 04:40:27 05:21:57 17:34:20 18:16:01 19:06:09 20:00:46
60 10 2026-06-21 none none 00:09:10 01:55:46 20:47:51 22:34:25 none none
60 10 2026-12-21 05:35:40 06:27:14 07:24:07 08:21:57 14:14:08 15:11:58 16:08:52 17:00:25
"""


@pytest.mark.parametrize("line", DE421.strip().splitlines())
def test_sun_against_de421(line):
    latitude, longitude, date, *times = line.split()
    place = Place(float(latitude), float(longitude))
    start = us(f"{date}T00:00:00") - round(float(longitude) / 360 * DAY_US)  # midnight by the sun at that place
    columns = [
        (-18, True),
        (-12, True),
        (-6, True),
        (None, True),
        (None, False),
        (-6, False),
        (-12, False),
        (-18, False),
    ]
    for text, (altitude, rising) in zip(times, columns, strict=True):
        found = [c.utc_us for c in crossings(place, start, start + DAY_US, "sun", altitude) if c.rising == rising]
        if text == "none":
            assert not found
            continue
        day = date if not text.startswith("+") else str((datetime.fromisoformat(date) + timedelta(days=1)).date())
        assert len(found) == 1
        # 5 s: rise and set differ by up to 4 s because the library uses the sun's true radius; twilights by 0.5 s
        assert abs(found[0] - us(f"{day}T{text.lstrip('+')}")) <= 5 * US, (altitude, rising)


@pytest.mark.parametrize(
    "date, rise, set_",
    # US Naval Observatory one-year table, 29 N 81 W, 2019, UT, rounded to the minute (public domain; copy in
    # cosinekitty/astronomy, generate/riseset/riseset.txt). Tolerance: half a minute of rounding and 6 s.
    [
        ("2019-03-20", "11:28", "23:35"), ("2019-06-21", "10:26", None), ("2019-09-23", "11:13", "23:20"),
        ("2019-12-22", "12:14", "22:31"),
    ],
)  # fmt: skip
def test_sun_against_the_naval_observatory(date, rise, set_):
    start = us(f"{date}T05:24:00")  # midnight by the sun at 81 W
    found = {c.rising: c.utc_us for c in crossings(Place(29, -81), start, start + DAY_US)}
    assert abs(found[True] - us(f"{date}T{rise}:00")) <= 36 * US
    if set_:
        assert abs(found[False] - us(f"{date}T{set_}:00")) <= 36 * US


@pytest.mark.parametrize(
    "latitude, longitude, start, moonset, moonrise",
    # skyfield with DE421; astronomy-engine agreed within 0.6 s when they were compared. Tolerance 2 s.
    [
        (10, -84, "2026-05-31T06:00:00", "2026-05-31T11:14:25", "2026-06-01T00:24:00"),
        (32, -111, "2026-08-28T07:00:00", "2026-08-28T13:22:19", "2026-08-29T02:13:30"),
        (60, 10, "2026-01-03T00:00:00", "2026-01-03T09:31:39", "2026-01-03T13:35:46"),
    ],
)
def test_moonrise_and_moonset(latitude, longitude, start, moonset, moonrise):
    found = {c.rising: c.utc_us for c in crossings(Place(latitude, longitude), us(start), us(start) + DAY_US, "moon")}
    assert abs(found[False] - us(moonset)) <= 2 * US and abs(found[True] - us(moonrise)) <= 2 * US


@pytest.mark.parametrize(
    "when, percent",
    # NASA Scientific Visualization Studio, hourly moon tables of 2021 (copy in cosinekitty/astronomy,
    # generate/libration/mooninfo_2021.txt). The library's largest difference there is 0.0097 points; tolerance 0.02.
    [
        ("2021-01-01T00:00:00", 96.30), ("2021-01-21T00:00:00", 51.30), ("2021-05-26T11:00:00", 100.00),
        ("2021-08-15T12:00:00", 48.53), ("2021-12-04T08:00:00", 0.01), ("2021-12-31T23:00:00", 4.95),
    ],
)  # fmt: skip
def test_illuminated_fraction(when, percent):
    assert 100 * moon_lit(us(when)) == pytest.approx(percent, abs=0.02)


@pytest.mark.parametrize(
    "when, phase",
    # skyfield with DE421, full and new moons of 2026. The library is up to 40 s off at such instants; tolerance 60 s.
    [
        ("2026-01-03T10:02:55", 180), ("2026-05-31T08:45:12", 180), ("2026-08-28T04:18:32", 180),
        ("2026-12-24T01:28:14", 180), ("2026-02-17T12:01:09", 0), ("2026-08-12T17:36:45", 0),
    ],
)  # fmt: skip
def test_phases(when, phase):
    found = next_phase_us(us(when) - 3 * DAY_US, phase)
    assert found is not None and abs(found - us(when)) <= 60 * US


def test_a_night_in_the_middle_of_europe():
    start, end = bounds_utc_us("2026-07-18", "Europe/Paris")
    night = night_sky(Place(44.2, 0.6), start, end)
    order = [
        night.sunset_us, *night.dusk_us.values(), *reversed(night.dawn_us.values()), night.sunrise_us,
    ]  # fmt: skip
    assert None not in order and order == sorted(order)
    assert [name for name, _, _ in night.bands] == [
        "day", "civil twilight", "nautical twilight", "astronomical twilight", "night", "astronomical twilight",
        "nautical twilight", "civil twilight", "day",
    ]  # fmt: skip
    assert night.bands[0][1] == start and night.bands[-1][2] == end
    for a, b in night.moon_up:
        assert moon_altitude_deg(Place(44.2, 0.6), np.array([(a + b) // 2]))[0] > 0


def test_nights_without_night_and_without_day():
    start, end = bounds_utc_us("2026-06-21", "Europe/Oslo")
    light = night_sky(Place(70, 25), start, end)
    assert light.sunset_us is None and light.sunrise_us is None
    assert light.bands == [("day", start, end)] and set(light.dusk_us.values()) == {None}
    start, end = bounds_utc_us("2026-12-21", "Europe/Oslo")
    dark = night_sky(Place(70, 25), start, end)
    assert dark.sunset_us is None and "day" not in {name for name, _, _ in dark.bands}
    short = night_sky(Place(60, 10), *bounds_utc_us("2026-06-20", "Europe/Oslo"))
    assert short.sunset_us and short.dusk_us["nautical"] is None and short.dusk_us["civil"]


def test_altitude_at_the_crossings_is_theirs():
    place = Place(32, -111)
    start = us("2026-03-20T07:00:00")
    times = np.array([c.utc_us for c in crossings(place, start, start + DAY_US, "sun", -6.0)])
    assert sun_altitude_deg(place, times) == pytest.approx([-6.0, -6.0], abs=0.001)


def test_moon_of_a_track_against_the_book():
    # Meeus, Astronomical Algorithms, 2nd ed., examples 47.a and 48.a: 1992 April 12.0 TD (59 s later than UT): phase
    # angle 69.0756 degrees, horizontal parallax 0.991990. Figures from memory, computed again with other libraries.
    # Its phase angle is of low accuracy, 0.01 degrees.
    at = us("1992-04-11T23:59:00")
    way = track(Place(0, 0), at - 3600 * US, at + 3600 * US)
    middle = int(np.searchsorted(way.utc_us, at))
    assert way.utc_us[middle] == at
    assert way.moon_phase_angle_deg[middle] == pytest.approx(69.0756, abs=0.01)
    assert way.moon_parallax_deg[middle] == pytest.approx(0.991990, abs=2e-4)


def test_track_agrees_with_the_single_computations():
    start = us("2026-05-14T12:00:30")
    way = track(Place(44.2, 0.6), start, start + DAY_US, 300 * US)
    assert way.utc_us[0] == us("2026-05-14T12:05:00") and np.all(np.diff(way.utc_us) == 300 * US)
    pick = way.utc_us[[0, 50, -1]]
    assert way.sun_altitude_deg[[0, 50, -1]] == pytest.approx(sun_altitude_deg(Place(44.2, 0.6), pick))
    assert way.moon_altitude_deg[[0, 50, -1]] == pytest.approx(moon_altitude_deg(Place(44.2, 0.6), pick))
    lit = (1 + np.cos(np.radians(way.moon_phase_angle_deg))) / 2  # Meeus, chapter 48
    assert lit == pytest.approx([moon_lit(int(t)) for t in way.utc_us], abs=1e-4)
    with pytest.raises(ValueError):
        track(Place(0, 0), start, start + 60 * US)
