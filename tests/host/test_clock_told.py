"""What a pull says of a clock that is gone or lies."""

import pytest
from duskgate.errors import ahead_text
from duskgate.link.clock_told import clock_troubles, far_off


@pytest.mark.parametrize(
    "state, said",
    [
        ({"clock_state": 2 | 4 | 8}, "no clock chip answered"),
        ({"clock_state": 1 | 4}, "oscillator had stopped"),
        ({"clock_state": 4 | 8}, "no 1 Hz wave"),
        ({"clock_state": 8, "faults": ["clock chip jumped"]}, "jumped or stood still"),
    ],
)
def test_a_clock_that_is_gone_or_jumped_is_told_in_one_line(state, said):
    told = clock_troubles(state)
    assert len(told) == 1 and said in told[0] and "\n" not in told[0]


def test_a_clock_in_order_or_not_told_of_says_nothing():
    for state in ({}, {"clock_state": 0, "faults": ["button failed"]}, {"clock_state": 8}, {"clock_state": "x"}):
        assert clock_troubles(state) == []


def test_a_wrong_date_is_told_with_its_size():
    now = 1_750_000_000
    for second in (None, now - 60, now + 60, "x"):
        assert far_off(second, now) == []
    assert "365.0 days behind" in far_off(now - 365 * 86_400, now)[0]
    assert "2.5 h ahead of" in far_off(now + 9000, now)[0]
    assert ahead_text(-61) == "1.0 min behind"
