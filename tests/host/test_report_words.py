"""Numbers, times and counts as they are read."""

import math

import pytest
from duskgate.report import words
from duskgate.report.shares import answered_by_gap, wilson

from tests.host.sample_night import START, sample_night


@pytest.mark.parametrize(
    ("estimate", "unit", "said"),
    [
        ({"value": 24.04, "lo": 15.1, "hi": 33.2, "n": 48}, "per h", "24 per h (15 to 33, n = 48)"),
        ({"value": 3.8601, "lo": 3.857, "hi": 3.863, "n": 12345}, "ms", "3.860 ms (3.857 to 3.863, n = 12\u00a0345)"),
        ({"value": None, "n": 3, "text": "not enough data, n = 3"}, "s", "not enough data, n = 3"),
        ({"at_least_h": 14.9}, "h", "at least 14 h"),
        ({"at_least_h": 0.58}, "h", "at least 0.5 h"),
        ({"value": 5.0, "lo": 4.0, "hi": math.inf, "n": 9}, "s", "5.00 s (at least 4.00, n = 9)"),
        ({"value": 2.9, "lo": 2.8, "hi": 9.1, "n": 40}, "ms", "2.9 ms (2.8 to 9.1, n = 40)"),
        ({"value": 2.94, "lo": 2.93, "hi": 9.1, "n": 40}, "ms", "2.9 ms (2.9 to 9.1, n = 40)"),
        ({"value": 0.4, "lo": 0.1, "hi": 9.2, "n": 3}, "per h", "0.40 per h (0.10 to 9.20, n = 3)"),
        ({"value": 3.3, "lo": 1.2, "hi": 9.2, "n": 3}, "per h", "3 per h (1 to 9, n = 3)"),
        ({"value": 0.0, "lo": 0.0, "hi": 0.123, "n": 3}, "per h", "0.00 per h (0.00 to 0.12, n = 3)"),
        ({}, "s", "not measured"),
    ],
)  # fmt: skip
def test_an_estimate_is_read_with_unit_interval_and_n(estimate, unit, said):
    assert words.estimate_text(estimate, unit) == said


def test_text_of_devices_cannot_steer_a_terminal():
    assert words.clean("a\x1b[31mb\nc\u202ed") == "a?[31mb c?d"


def test_decimals_follow_the_uncertainty():
    assert words.decimals_for(24.0, 9.0) == 0
    assert words.decimals_for(24.0, 1.4) == 1
    assert words.decimals_for(0.9, 0.02) == 3
    assert words.number(-0.001, 1) == "0.0", "no minus sign before nothing"


def test_local_times_keep_one_offset_over_a_night_in_which_the_clocks_change():
    # 2026-10-25 01:00 UTC ends summer time in the EU (Directive 2000/84/EC: last Sunday of October, 01:00 UTC)
    before, after = 1_792_880_000_000_000, 1_792_915_200_000_000
    local = words.LocalTime("Europe/Paris", before, after)
    assert local.changes and "change during this night" in local.facts()["note"]
    assert local.clock(after) == "10:00" and local.label == "Europe/Paris, UTC+2"
    assert local.clock(-1) == "time unknown"


def test_counts_and_lists():
    assert [words.count(n, "visit") for n in (0, 1, 2)] == ["no visits", "1 visit", "2 visits"]
    assert words.listed(["a"]) == "a" and words.listed(["a", "b", "c"]) == "a, b and c" and words.listed([]) == ""
    assert [words.hours(s) for s in (40, 600, 36000)] == ["40 s", "10 min", "10 h"]


def test_the_score_interval_is_that_of_statsmodels():
    from statsmodels.stats.proportion import proportion_confint

    for k, n in ((0, 10), (3, 10), (10, 10), (120, 400)):
        assert wilson(k, n) == pytest.approx(proportion_confint(k, n, method="wilson"), abs=1e-6)


def test_shares_by_gap_count_every_watched_break_with_a_gap_once():
    breaks = sample_night().tables["breaks"]
    rows = answered_by_gap(breaks)
    visit = breaks[(breaks["kind"] == "visit") & (breaks["gap_s"] >= 0.06)]
    assert sum(r["n"] for r in rows) == len(visit)
    assert all(r["lo"] <= r["share"] <= r["hi"] for r in rows)
    assert words.LocalTime("UTC", START, START).clock(START) == "18:30"
