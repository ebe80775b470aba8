"""Nights are named by the date on which they begin, also when the clocks change."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from duskgate.errors import UsageError
from duskgate.sitefile import parse
from duskgate.timebase.nights import MIDNIGHT, NOON, bounds_utc_us, night_of, nights_between, split, turn_of
from hypothesis import given, settings
from hypothesis import strategies as st

PARIS = "Europe/Paris"
HOUR_US = 3_600_000_000


def us(text: str, zone: str = "UTC") -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp()) * 1_000_000


def test_evening_and_morning_belong_to_one_night():
    for when in ("2026-07-18T12:00", "2026-07-18T22:30", "2026-07-19T00:10", "2026-07-19T11:59"):
        assert night_of(us(when, PARIS), PARIS) == "2026-07-18"
    assert night_of(us("2026-07-19T12:00", PARIS), PARIS) == "2026-07-19"


@pytest.mark.parametrize(
    "night, hours",
    # European Union summer time: begins on 29 March 2026, ends on 25 October 2026, 01:00 UTC (Directive 2000/84/EC)
    [("2026-03-28", 23), ("2026-07-18", 24), ("2026-10-24", 25)],
)
def test_nights_on_which_the_clocks_change(night, hours):
    start, end = bounds_utc_us(night, PARIS)
    assert end - start == hours * HOUR_US
    assert night_of(start, PARIS) == night_of(end - 1, PARIS) == night
    assert datetime.fromtimestamp(start / 1e6, UTC).hour == (11 if night == "2026-03-28" else 10)


def test_zones_far_from_greenwich():
    # 2026-01-01 00:00 UTC is 14:00 on 1 January on Kiritimati (UTC+14), and 13:00 on 31 December in Pago Pago (UTC-11)
    at = us("2026-01-01T00:00")
    assert night_of(at, "Pacific/Kiritimati") == "2026-01-01" and night_of(at, "Pacific/Pago_Pago") == "2025-12-31"


def test_spans_touch_their_nights():
    assert nights_between(us("2026-07-18T20:00"), us("2026-07-20T03:00"), PARIS) == ["2026-07-18", "2026-07-19"]
    assert nights_between(us("2026-07-18T20:00"), us("2026-07-18T20:00"), PARIS) == ["2026-07-18"]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(us("2026-03-20T00:00"), us("2026-04-05T00:00")), max_size=30))
def test_split_agrees_with_naming_one_by_one(times):
    found = split(np.array(times, np.int64), PARIS)
    named = {i: night for night, places in found.items() for i in places.tolist()}
    assert [named[i] for i in range(len(times))] == [night_of(t, PARIS) for t in times]
    assert list(found) == sorted(found)


def test_names_that_are_no_zone_or_no_date():
    for zone in ("Europe/Pari", "../etc/passwd", ""):
        with pytest.raises(UsageError):
            night_of(0, zone)
    with pytest.raises(UsageError):
        bounds_utc_us("18.7.2026", PARIS)


def test_a_site_that_watches_days_has_them_from_midnight_to_midnight():
    day = parse('active = "day"\n')
    assert turn_of(day) == MIDNIGHT and turn_of(parse('active = "both"\n')) == turn_of(None) == NOON
    for when in ("2026-07-18T00:00", "2026-07-18T06:10", "2026-07-18T12:00", "2026-07-18T23:59"):
        assert night_of(us(when, PARIS), PARIS, MIDNIGHT) == "2026-07-18"
    start, end = bounds_utc_us("2026-07-18", PARIS, MIDNIGHT)
    assert end - start == 24 * HOUR_US and start == us("2026-07-18T00:00", PARIS)
    assert nights_between(start, end - 1, PARIS, MIDNIGHT) == ["2026-07-18"]
    # 25 October 2026 has 25 hours (Directive 2000/84/EC)
    long = bounds_utc_us("2026-10-25", PARIS, MIDNIGHT)
    assert long[1] - long[0] == 25 * HOUR_US
