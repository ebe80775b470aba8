"""The large word of `watch`: which comes first, and what is never claimed."""

import pytest
from duskgate.ready.live import Live
from duskgate.ready.picture import plain
from duskgate.ready.words import Status, Told, calm

from tests.cli.watch_states import RECYCLE, seen
from tests.host.test_ready import STATE, WHO, hands_rows, rows

CALM = hands_rows(2)  # the last of its fires is at 14.0 s, answered 2.8 ms later


def word(data: bytes, now_s: float, **status) -> str:
    return Told(*seen(data, now_s, **status)).headline()[0]


@pytest.mark.parametrize(
    ("now_s", "said"),
    [(14.2, "WAIT 1.3 s"), (15.3, "WAIT 0.2 s"), (15.49, "READY"), (15.6, "READY"), (4000.0, "READY")],
)
def test_the_word_counts_down_to_ready(now_s, said):
    assert word(CALM, now_s) == said


def test_long_waits_have_no_tenths_and_the_longest_no_figure():
    assert word(CALM, 15.0, recycle=(30.0, "30 s")) == "WAIT 29 s"
    assert word(CALM, 15.0, recycle=(300.0, "300 s")) == "WAIT"
    assert [calm(s) for s in (9.94, 9.96, 42.4, 187.0)] == ["9.9", "10", "42", "3:07"]


def test_ready_is_never_said_without_knowing():
    assert word(CALM, 60.0, recycle=None) == ""
    assert word(CALM, 60.0, lost=True) == "NO LINK"
    assert word(b"", 60.0) == "WAIT 1.5 s"  # a fire may have come just before the first look
    dark = {**WHO, "wiring_check": ["FLASH1", "FLASH2", "FLASH3", "FLASH4"]}
    live, status = seen(rows((10.0, 1), (10.1, 0)), 60.0, who=dark)
    told = Told(live, status)
    assert told.headline()[0] == "" and told.fire_words() == "fires not watched"
    assert "fires and misses not watched" in plain(live, status) and "READY" not in plain(live, status)


def test_a_light_that_comes_shows_that_its_sensor_is_wired():
    dark = {**WHO, "wiring_check": ["FLASH1", "FLASH2", "FLASH3", "FLASH4"]}
    assert Told(*seen(CALM, 60.0, who=dark)).headline()[0] == "READY"


def test_what_stops_the_night_comes_first():
    fault = {"faults": ["the clock chip did not answer"]}
    broken = CALM + rows((30.0, 1))
    assert word(CALM, 60.0, state=fault) == "READY !"
    assert word(broken, 90.0, state=fault) == "BLOCKED"
    assert word(broken, 90.0, state={**fault, "store": "full"}) == "STORE FULL"
    assert word(broken, 90.0, state={**fault, "store": "failing"}) == "NO STORE"
    assert word(broken, 90.0, state={**fault, "store": "full"}, lost=True) == "NO LINK"
    told = Told(*seen(broken, 90.0, state={"store": "full"}, lost=True))
    assert "NOT STORING (full) when last heard of: pull the log" in told.warnings()


def test_a_beam_broken_before_the_first_record_is_known_from_the_board():
    live = Live(WHO, levels=0x7E)
    told = Told(live, Status(state={**STATE, "still_s": [1900.0, None, None, 9.0, 9.0, 9.0, None]}, recycle=RECYCLE))
    assert told.headline()[0] == "BLOCKED" and not told.visit_now
    assert told.beam(0).endswith("BROKEN for 31:40 min")
    unknown = Told(live, Status(state={**STATE, "still_s": None}))
    assert unknown.broken_s is None and unknown.beam(0).endswith("BROKEN") and not unknown.visit_now


def test_a_visit_is_now_only_while_the_beam_is_broken_long_enough():
    def now(at: float) -> bool:
        return Told(*seen(CALM + rows((30.0, 1)), at)).visit_now

    assert [now(30.01), now(30.02), now(59.0), now(60.5)] == [False, True, True, False]
    assert not Told(*seen(CALM + rows((30.0, 1)), 31.0, lost=True)).visit_now
