"""Fires, cells, logger, heat and the animals' limit: worked by hand, and what is not known stays unknown."""

import numpy as np
import pytest
from duskgate.plan import budget
from duskgate.sitefields import Animal
from hypothesis import given
from hypothesis import strategies as st

LACKING = {"value": None, "n": 1, "need": 100, "text": "not enough data, n = 1, need about 100"}


def est(value, lo, hi, n=6):
    return {"value": value, "lo": lo, "hi": hi, "n": n, "level": 0.95}


def test_fires_within_the_limit():
    f = budget.fires_tonight(est(40, 30, 50), 3.0, 60)
    assert f.expected_n == est(120, 90, 150) and f.armed_share == 1 and not f.over
    assert "40 fires an hour" in f.text and "30 to 50" in f.text and "n = 6" in f.text
    assert "a busy night may pass it" in budget.fires_tonight(est(40, 30, 75), 3.0, 60).text


def test_the_limit_is_never_passed_without_being_told():
    # 120 an hour wanted, 60 allowed: armed half of the time, 30 minutes of rest in each hour
    f = budget.fires_tonight(est(120, 90, 150), 2.0, 60)
    assert f.expected_n == est(120, 120, 120) and f.armed_share == pytest.approx(0.5) and f.over
    assert "rest 30 minutes of each hour" in f.text
    told = budget.fires_tonight(est(120, 90, 150), 2.0, 60, exceed=True)
    assert told.expected_n == est(240, 180, 300) and told.armed_share == 1 and told.over and "you chose" in told.text
    assert budget.fires_tonight(est(120, 90, 150), 2.0, None).expected_n["value"] == 240


def test_a_busy_hour_behind_a_quiet_mean_is_told():
    t = np.concatenate([np.arange(100) * 10.0, 20_000 + np.arange(3) * 3000.0])
    assert budget.busiest(t) == 100 and budget.busiest(t[:0]) == 0
    f = budget.fires_tonight(est(20, 15, 27), 3.0, 60, busiest_n=budget.busiest(t))
    assert f.busiest_n == 100 and f.text.endswith("the busiest hour of the log had 100 fires: stop there after 60")
    assert "busiest" not in budget.fires_tonight(est(20, 15, 27), 3.0, 60, exceed=True, busiest_n=100).text
    assert "busiest" not in budget.fires_tonight(est(20, 15, 27), 3.0, 60, busiest_n=60).text


@given(st.floats(0, 500), st.floats(1, 2), st.floats(0.1, 12), st.floats(1, 300))
def test_no_end_of_the_interval_passes_the_limit(rate, spread, hours, limit):
    f = budget.fires_tonight(est(rate, rate / spread, rate * spread), hours, limit)
    assert max(f.expected_n[k] for k in ("value", "lo", "hi")) <= limit * hours * (1 + 1e-12)
    assert rate * f.armed_share <= limit * (1 + 1e-12)


def test_the_default_limit_says_whose_choice_it_is():
    fields = {f.name: f for f in Animal.__dataclass_fields__.values()}
    assert "our own cautious choice" in fields["fires_per_h"].metadata["help"]
    assert Animal().fires_per_h == 60


def test_sets_of_cells_worked_here():
    # 300 fires so far and 500 left (400 to 650): a set gives 800 (700 to 950). Up to 1000 fires with a quarter more:
    # 1250 / 700 = 1.8, so 2 sets
    told = {"needed_gap_s": 3.0, "fires": 300, "fires_left": est(500, 400, 650, 300), "text": ""}
    c = budget.head_cells("left", told, est(800, 600, 1000))
    assert c.per_set == est(800, 700, 950, 300) and (c.sets, c.spare) == (2, 1)
    assert "700 to 950, n = 300" in c.text and "bring 2 sets" in c.text and "3 s" in c.text
    few = budget.head_cells("left", told, est(100, 80, 120))
    assert (few.sets, few.spare) == (1, 0) and few.text.endswith("bring 1 set")


@pytest.mark.parametrize("told", [None, {}, {"needed_gap_s": 3, "fires": 90, "fires_left": LACKING}])
def test_cells_that_are_not_known(told):
    c = budget.head_cells("left", told, est(100, 80, 120))
    assert c.sets is None and c.per_set is None and "not known" in c.text and "spare" in c.text
    assert ("at least 90" in c.text) == bool(told)


def test_the_loggers_own_supply_is_judged_by_its_cautious_end():
    # 4 h and a quarter more: 5 h
    assert budget.logger_supply(est(9, 5.5, 14), 4).enough == "yes"
    tight = budget.logger_supply(est(9, 4.5, 14), 4)
    assert tight.enough == "no" and "not surely enough for 4.0 h" in tight.text and "4 to 14, n = 6" in tight.text
    flat = budget.logger_supply({"at_least_h": 3.0}, 4)
    assert flat.enough == "unknown" and "at least 3 h" in flat.text
    assert budget.logger_supply({"at_least_h": 8.0}, 4).enough == "yes"
    for unknown in (None, {}, LACKING):
        assert budget.logger_supply(unknown, 4).enough == "unknown"


def test_heat_is_asked_for_and_never_invented():
    for burst, rest in ((None, None), (20, None), (None, 600)):
        r = budget.thermal_rest("left", np.arange(100.0), burst, rest)
        assert r.per_h is None and r.worst_n is None and "burst_fires and burst_rest_s" in r.text


def test_heat_worked_here():
    # 3 fires in 10 s: at most 1080 an hour. Fires at 0 1 2 | 20 21 22 23 | 40 41 42 43 44: the second group passes it
    # once, the third once
    t = np.array([0, 1, 2, 20, 21, 22, 23, 40, 41, 42, 43, 44.0])
    r = budget.thermal_rest("left", t, 3, 10)
    assert (r.per_h, r.worst_n, r.passed) == (1080, 5, 2) and "2 times" in r.text and "rest 10 s" in r.text
    fine = budget.thermal_rest("left", t, 5, 10)
    assert (fine.worst_n, fine.passed) == (5, 0) and "over it" not in fine.text
    none = budget.thermal_rest("left", np.zeros(0), 3, 10)
    assert (none.worst_n, none.passed) == (0, 0)


@given(st.lists(st.floats(0, 1000), max_size=60), st.integers(1, 8), st.floats(1, 200))
def test_heat_counts_what_a_plain_count_counts(times, burst, rest):
    t = np.sort(np.array(times, float))
    worst = max((int(((t >= a) & (t < a + rest)).sum()) for a in t), default=0)
    r = budget.thermal_rest("left", np.array(times, float), burst, rest)
    assert r.worst_n == worst and r.passed is not None and (r.passed > 0) == (worst > burst)


def test_unknown_rate_of_fires():
    f = budget.fires_tonight(LACKING, 3, 60)
    assert f.expected_n["value"] is None and "not known" in f.text
    assert (
        budget.head_cells("left", {"fires": 3, "fires_left": est(5, 4, 6), "needed_gap_s": 3}, f.expected_n).sets
        is None
    )
