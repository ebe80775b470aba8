"""A short seeded run of run.py, histories that hypothesis invents, and proof that the counts would see a loss."""

import importlib.util

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.powercut import histories, run
from tests.powercut.board import Driver

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("micropython_unix") is None, reason="no MicroPython wheel on this system"
)
CUTS = 300  # and 300 while a board recovers
STEPS = st.one_of(
    st.builds(lambda n: ["commit", n], st.sampled_from([1, 20, 61, 62, 200, 480, 480])),
    st.builds(lambda k: ["mark", k], st.integers(0, 3)),
    st.builds(lambda v: ["set", "commit_s", v], st.integers(1, 60)),
    st.builds(lambda v: ["set", "drop_unpulled", v], st.integers(0, 1)),
    st.sampled_from([["boot"], ["end_segment"], ["load", 1], ["load", 2]]),
)
LIVES = st.fixed_dictionaries({
    "history": st.lists(STEPS, min_size=3, max_size=30),
    "cuts": st.lists(st.tuples(st.integers(0, 300), st.integers(0, 99)), min_size=1, max_size=12),
    "seed": st.integers(0, 2**30), "sectors": st.sampled_from([40, 64, 352]),
})  # fmt: skip


@pytest.fixture(scope="module")
def driver():
    with Driver() as made:
        yield made


def test_every_kind_of_write_cut_in_every_shape_loses_nothing():
    plan = [{**request, "deep": 0} for request in run.requests(CUTS, 5) if request["name"] != "seventy segments"]
    found = run.total(run.ask_all(plan, 1))
    assert not any(found["bad"].values()), found["shown"]
    assert sum(found["levels"]) >= CUTS * 0.75, found["levels"]
    assert len(found["shapes"]) >= len(run.shapes_of("program")) + 2, found["shapes"]
    assert 0 < found["tail"] <= histories.FULL


def test_cuts_while_the_board_comes_up_after_a_cut_lose_nothing(driver):
    found = driver.ask({**histories.short()["marks"], "seed": 2, "share": 0.01, "deep": 1, "levels": 2, "most": 300})
    assert not any(found["bad"].values()), found["shown"]
    assert found["levels"][2] >= 100, found["levels"]


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(life=LIVES)
def test_a_long_life_with_cuts_is_what_a_plain_list_says(driver, life):
    found = driver.ask(life)
    assert not any(found["bad"].values()), found["shown"]


def test_without_the_renewal_commits_are_lost_and_the_counts_see_it(driver):
    request = {**histories.short()["marks"], "seed": 3, "deep": 0, "unrenewed": True, "only": "weak end"}
    found = driver.ask(request)
    assert found["bad"]["lost"] >= 1, found
    again = driver.ask({**request, "unrenewed": False})
    assert not any(again["bad"].values()), again["shown"]


def test_every_pair_of_sectors_of_a_large_folder_is_renewed(driver):
    """littlefs splits a folder of more than 2048 bytes; the marks of the first segments stand in the first pair."""
    history = [step for _ in range(70) for step in (["commit", 3], ["end_segment"])] + [["mark", 0]] * 8
    request = {"history": history, "from": 141, "sectors": 160, "seed": 1, "only": "weak end", "share": 0.4}
    found = driver.ask(request)
    assert found["shapes"]["program weak end"] >= 3 and not any(found["bad"].values()), found["shown"]


@pytest.mark.parametrize("wrong, kind", [("drop", "lost"), ("add", "invented"), ("name", "changed")])
def test_a_commit_too_few_or_too_many_or_a_mark_undone_is_counted(driver, wrong, kind):
    found = driver.ask({**histories.short()["marks"], "seed": 1, "deep": 0, "share": 0, "wrong": wrong})
    assert found["bad"][kind] == 1, found
