"""The evening in steps: order, daylight, and what lies outside the session."""

import pytest
from duskgate.plan import timetable
from duskgate.plan.timetable import US, Evening, session, steps
from hypothesis import given
from hypothesis import strategies as st

H = 3600 * US
START, END = 100 * H, 104 * H


def named(evening):
    return {s.step: s for s in steps(evening)}


def until(evening, step):
    end = named(evening)[step].until_us
    assert end is not None
    return end


def test_set_up_ends_in_daylight_and_the_check_comes_last():
    found = named(Evening(START, END, sunset_us=START - H))
    assert found["set_up"].at_us == START - 2 * H and found["set_up"].until_us == START - H  # by sunset, not later
    assert found["check"].until_us == START
    assert until(Evening(START, END, sunset_us=START - H), "aim") <= found["check"].at_us
    late = named(Evening(START, END, sunset_us=START - H // 4))
    assert late["aim"].until_us == late["check"].at_us  # little time: one step after the other


def test_without_a_sunset_the_steps_end_at_the_start():
    found = named(Evening(START, END))
    assert found["check"].at_us - found["set_up"].at_us == (60 + 20 + 20) * 60 * US


def test_what_lies_outside_the_session_is_no_step():
    found = named(Evening(START, END, best=(END, END + H), lull=(START - H, START), cells_us=END + 1))
    assert not {"best_from", "lull", "cells"} & set(found)
    inside = named(Evening(START, END, best=(START - H, START + H), lull=(END - H, END + H), cells_us=START + 2 * H))
    assert (inside["best_from"].at_us, inside["best_from"].until_us) == (START, START + H)
    assert (inside["lull"].at_us, inside["lull"].until_us) == (END - H, END) and inside["cells"].at_us == START + 2 * H


def test_a_session_without_length_is_refused():
    with pytest.raises(ValueError, match="end after"):
        steps(Evening(START, START))


def test_the_session_starts_with_the_dark_or_ends_with_the_best_window():
    dark = (START, START + 8 * H)
    assert session(dark, 4 * 3600) == (START, START + 4 * H)
    assert session(dark, 4 * 3600, (START + H, START + 3 * H)) == (START, START + 4 * H)
    assert session(dark, 4 * 3600, (START + 5 * H, START + 7 * H)) == (START + 3 * H, START + 7 * H)
    assert session(dark, 1 * 3600, (START + 5 * H, START + 7 * H)) == (START + 5 * H, START + 6 * H)  # from its begin
    assert session(dark, 20 * 3600) == dark
    assert session(dark, 4 * 3600, (START + 9 * H, START + 11 * H)) == (START, START + 4 * H)  # out of the dark


@given(st.floats(60, 20 * 3600), st.integers(-6 * H, 12 * H), st.integers(H // 2, 4 * H))
def test_every_session_lies_in_the_dark_and_its_steps_are_in_order(length_s, offset, width):
    dark = (START, START + 8 * H)
    best = (START + offset, START + offset + width)
    lo, hi = session(dark, length_s, best)
    assert dark[0] <= lo < hi <= dark[1]
    found = steps(Evening(lo, hi, sunset_us=START - H // 2, best=best))
    assert [s.at_us for s in found] == sorted(s.at_us for s in found)
    assert {s.step for s in found} <= set(timetable.ORDER)
    assert until(Evening(lo, hi, sunset_us=START - H // 2), "set_up") <= START - H // 2
