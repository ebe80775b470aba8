"""What `check` and `watch` conclude, from invented records and states."""

import numpy as np
import pytest
from duskgate.ready import items, picture
from duskgate.ready.drift import Comparison, drift
from duskgate.ready.large import large
from duskgate.ready.live import Live, Rules
from duskgate.ready.records import Edges, look

from tests.fakes import record

TICK_S = 9 / 125e6
WHO = {
    "board": "e66138528361ac2f", "firmware": "0.1.0", "clock_hz": 125_000_000, "cycles_per_tick": 9, "channels": 0x7F,
    "low_mask": 0x7F, "wiring_check": ["BEAM2", "SYNC", "FLASH4"],
}  # fmt: skip
STATE = {
    "levels": 0x7F, "nights_left": 6, "store": "ok", "unpulled_bytes": 1000, "clock_state": 0, "supply_mv": 4900,
    "ring_lost": 0, "fifo_drops": 0, "store_lost": 0, "faults": [],
    "edges": [6, 0, 0, 6, 6, 6, 0], "still_s": [9.0, None, None, 9.0, 9.0, 9.0, None],
}  # fmt: skip


def ticks(seconds: float) -> int:
    return round(seconds / TICK_S)


def rows(*changes: tuple[float, int]) -> bytes:
    """Edge records (s, active mask) on inputs that are active when low."""
    return b"".join(record(ticks(t), 0x01, 0x7F ^ active) for t, active in changes)


def hands_rows(n: int = 3, lag_s: float = 0.0028, lit: int = 0x38, at: float = 10.0, gap: float = 4.0) -> bytes:
    """Slow breaks by hand that every head of `lit` answers, each 30 us after the one before it."""
    out = []
    for k in range(n):
        t = at + k * gap
        out.append((t, 1))
        mask, heads = 1, [c for c in range(7) if lit >> c & 1]
        for sign, after in ((1, 0.0), (-1, 0.0002)):
            for number, channel in enumerate(heads):
                mask += sign << channel
                out.append((t + lag_s + after + 30e-6 * number, mask))
        out.append((t + 0.4, 0))
    return rows(*out)


def seen(data: bytes = b"", hands: bool = True, state: dict | None = None, who: dict | None = None, **more):
    found = look(data, 0x7F, 0x7F)
    broken = found.edges.of(0)
    span = float(np.ptp(found.edges.tick)) * TICK_S if len(found.edges.tick) else 0.0
    return items.Seen(
        {**WHO, **(who or {})}, {**STATE, **(state or {})}, found.edges, max(span, 1.0), found.values,
        hands=broken if hands else None, clock_off_s=more.pop("clock_off_s", (0.01, 0.01)), **more,
    )  # fmt: skip


def said(found: list[items.Item]) -> dict[str, items.Item]:
    return {item.name: item for item in found}


def test_cells_vouched_for_longer_than_the_night_are_ready():
    found = said(items.conclude(seen(hands_rows(), hours=(12.4, 9.0, "at least 12 h left"), hours_at_least=True)))
    assert found["supply"].word == "ready" and "at least 12 h left, this night needs 9.0 h" in found["supply"].seen


def test_records_become_edges_with_their_channels():
    found = look(rows((1.0, 1), (1.002, 1 | 0x38), (1.4, 0)), 0x7F, 0x7F)
    assert found.edges.channel.tolist() == [0, 3, 4, 5, 0, 3, 4, 5]
    assert found.edges.active.tolist() == [True] * 4 + [False] * 4
    assert found.edges.of(3).tolist() == [ticks(1.002)] and found.levels == 0x7F


def test_the_first_record_tells_levels_and_no_edge_when_nothing_is_known_before():
    found = look(rows((1.0, 1), (2.0, 0)), 0x7F)
    assert found.edges.tick.tolist() == [ticks(2.0)]
    stated = look(record(5, 0x02, 0x7E) + record(9, 0x01, 0x7F), 0x7F, 0x7F)
    assert stated.edges.tick.tolist() == [9]  # a fresh statement of levels is no edge


def test_a_sound_rig_is_ready():
    found = items.conclude(seen(hands_rows(), usual_delay_us=(2500, 3100, "2.80 ms"), hours=(20.0, 9.0, "20 h left")))
    assert [i for i in found if i.word != items.READY] == []
    assert items.ready(found)
    assert said(found)["delay"].seen.startswith("first light after 2.80 ms (2.80 to 2.80, n = 3)")
    assert said(found)["light 2"].seen == "answered 3 of 3 breaks"


@pytest.mark.parametrize(
    ("name", "word", "text", "more"),
    [
        ("beam", "mend", "no break came", {"data": b""}),
        ("beam", "mend", "BROKEN after your hand", {"state": {"levels": 0x7E}}),
        ("beam", "mend", "reads BROKEN, unchanged for 60", {"state": {"levels": 0x7E, "still_s": [60.0] * 7}}),
        ("light 1", "mend", "answered none of 3", {"data": hands_rows(lit=0x30)}),
        ("light 1", "look", "daylight", {"state": {"levels": 0x77, "still_s": [9.0] * 3 + [900.0] * 4}}),
        ("light 1", "mend", "after sunset",
         {"state": {"levels": 0x77, "still_s": [9.0] * 3 + [900.0] * 4}, "light_by_day": False}),
        ("beam 2", "mend", "nothing drives", {"two_beams": True}),
        ("beam 2", "look", "never broken", {"two_beams": True, "who": {"wiring_check": []}}),
        ("sync", "mend", "closed all the time", {"state": {"levels": 0x7B, "still_s": [90.0] * 7}}),
        ("delay", "mend", "usual 2.80 ms",
         {"data": hands_rows(lag_s=0.009), "usual_delay_us": (2500, 3100, "2.80 ms")}),
        ("delay", "look", "not known", {}),
        ("clock", "mend", "1.0 h behind", {"clock_off_s": (-3600.0, 0.01)}),
        ("clock", "mend", "oscillator had stopped", {"state": {"clock_state": 1}}),
        ("clock", "mend", "no clock chip", {"state": {"clock_state": 2}}),
        ("clock", "mend", "no 1 Hz wave", {"state": {"clock_state": 4}}),
        ("clock", "look", "no reading", {"clock_off_s": None}),
        ("storage", "mend", "store full", {"state": {"store": "full"}}),
        ("storage", "mend", "room for 0.4", {"state": {"nights_left": 0.4}}),
        ("storage", "look", "room for 1.5", {"state": {"nights_left": 1.5}}),
        ("supply", "mend", "cut-off 5.00", {"cutoff_mv": 5000.0}),
        ("supply", "mend", "needs 9.0 h", {"hours": (4.0, 9.0, "6 h left")}),
        ("supply", "look", "at least 4.0 h left, this night needs 9.0 h",
         {"hours": (4.0, 9.0, "at least 4.0 h left"), "hours_at_least": True}),
        ("supply", "look", "no voltage", {"state": {"supply_mv": 3}}),
        ("losses", "look", "7 stamping", {"state": {"ring_lost": 7}}),
        ("fault", "look", "watchdog failed", {"state": {"faults": ["watchdog failed"]}}),
        ("fault", "look", "nothing drives BEAM2, SYNC, FLASH4", {"state": {"faults": ["an input looks unwired (2)"]}}),
        ("beam", "mend", "nothing drives", {"who": {"wiring_check": ["BEAM"]}, "state": {"edges": [0] * 7}}),
        ("beam 2", "mend", "switched off", {"two_beams": True, "who": {"channels": 0x7D}}),
        ("wiring", "mend", "SYNC and FLASH1", {"state": {"inputs": [[20, 12]]}}),
        ("wiring", "mend", "BEAM flickers at 100 Hz: likely lamplight", {"state": {"inputs": [[21, 1 | 100 << 8]]}}),
        ("wiring", "look", "FLASH3 never changed while", {"state": {"inputs": [[23, 32]]}}),
        ("wiring", "look", "FLASH1 and FLASH2 change at the same", {"state": {"inputs": [[20, 24]]}}),
        ("firmware", "mend", "older than this check", {"state": {"edges": None}}),
        ("firmware", "look", "this tool carries 0.2.0", {"version": "0.2.0"}),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_with_what_to_do(name, word, text, more):
    data = more.pop("data", hands_rows()) if "data" in more else hands_rows()
    item = said(items.conclude(seen(data, **more)))[name]
    assert item.word == word and text in item.seen, item
    assert item.todo


def test_channels_that_change_together_are_a_short_or_one_emitter():
    both = rows(*[(t, m) for k in range(3) for t, m in ((10 + 4 * k, 3), (10.4 + 4 * k, 0))])
    assert "one emitter" in said(items.conclude(seen(both)))["wiring"].todo
    mirror = rows(*[(t, m) for k in range(3) for t, m in ((10 + 4 * k, 5), (10.4 + 4 * k, 0))])
    item = said(items.conclude(seen(mirror)))["wiring"]
    assert "short between neighbouring" in item.todo and "BEAM and SYNC" in item.seen and "6 of 6" in item.seen


def test_what_a_line_of_its_own_says_is_not_said_twice():
    stuck = seen(state={"levels": 0x7E, "still_s": [600.0] * 7, "inputs": [[18, 1]]}, hands=False)
    found = items.conclude(stuck)
    assert "wiring" not in said(found) and "BROKEN" in said(found)["beam"].seen
    gone = items.conclude(seen(hands_rows(), state={"inputs": [[18, 1]]}))
    assert said(gone)["wiring"].word == "look" and "likely aim, polarity" in said(gone)["wiring"].seen


def test_heads_that_answer_some_microseconds_apart_are_no_short():
    data = b"".join(
        rows((t, 1), (t + 0.0028, 9), (t + 0.00283, 0x19), (t + 0.003, 0x11), (t + 0.00304, 1), (t + 0.4, 0))
        for t in (10.0, 14.0, 18.0)
    )
    assert "wiring" not in said(items.conclude(seen(data)))


def test_wrong_polarity_shows_without_hands():
    data = rows(*[(t, m) for k in range(4) for t, m in ((10 + 4 * k, 1), (13.9 + 4 * k, 0))])
    item = said(items.conclude(seen(data, hands=False)))["beam"]
    assert item.word == "mend" and "polarity" in item.todo


def test_a_flickering_beam_is_not_ready():
    data = rows(*[(10 + k * 0.004, k % 2 == 0) for k in range(400)])
    item = said(items.conclude(seen(data, hands=False)))["beam"]
    assert item.word == "mend" and "flickers, 251" in item.seen
    guarded = record(ticks(5), 0x03) + record(900, 0x68, 0)
    assert "flickers" in said(items.conclude(seen(guarded, hands=False)))["beam"].seen


def test_an_answer_belongs_to_the_nearest_break_before_it():
    edges = Edges(np.array([ticks(1.1)]), np.array([3]), np.array([True]))
    lag = items.answers(edges, np.array([ticks(0.9), ticks(1.0)]), 3, TICK_S)
    assert np.isnan(lag[0]) and lag[1] == pytest.approx(100_000, abs=1)


def live(data: bytes, now_s: float, **rules) -> Live:
    out = Live(WHO, Rules(**rules))
    out.feed(look(data, 0x7F, 0x7F), ticks(now_s))
    return out


def test_visits_fires_and_misses_are_counted():
    data = hands_rows(2) + rows((30.0, 1), (30.1, 0), (30.3, 1), (30.4, 0), (60.0, 1), (60.001, 0))
    found = live(data, 70.0)
    assert (found.visits, found.fires, found.misses) == (3, 2, 2)
    assert found.lit[3] == 2 and found.lit[6] == 0 and found.strangers == 0
    assert found.miss_gap_s == pytest.approx(30.3 - 14.0028, abs=1e-3)


def test_a_miss_is_told_only_when_the_light_can_no_longer_come():
    found = live(rows((10.0, 1), (10.1, 0)), 10.2, lag_s=0.3)
    assert found.misses == 0
    found.feed(look(rows((10.25, 8), (10.26, 0)), 0x7F, 0x7F), ticks(11.0))
    assert (found.fires, found.misses) == (1, 0)
    late = live(rows((10.0, 1), (10.1, 0)), 11.0)
    assert late.misses == 1


def test_a_light_without_a_break_is_a_stranger():
    assert live(rows((10.0, 8), (10.001, 0)), 11.0).strangers == 1


def test_looks_cut_anywhere_count_the_same():
    data = hands_rows(6)
    whole = live(data, 60.0)
    parts, levels = Live(WHO), 0x7F
    for k in range(0, len(data), 8):
        one = look(data[k : k + 8], 0x7F, levels)
        levels = one.levels
        parts.feed(one, ticks(9.0))
    parts.feed(look(b"", 0x7F, levels), ticks(60.0))
    assert (parts.visits, parts.fires, parts.misses) == (whole.visits, whole.fires, whole.misses) == (6, 6, 0)


def test_the_picture_fits_a_small_screen_and_says_the_beam_in_word_and_shape():
    found = live(hands_rows(2), 30.0)
    status = picture.Status("22:41:07", state=STATE, recycle=(1.5, "1.5 s (1.4 to 1.6, n = 90, night of 2026-07-18)"))
    lines = picture.picture(found, status)
    assert len(lines) == 24 and max(map(len, lines)) <= 80
    assert any("whole" in line and picture.WHOLE in line for line in lines)
    ready = [f" {row}".rstrip() for row in large("READY", 79)]
    assert lines[lines.index(ready[0]) : lines.index(ready[0]) + 6] == [*ready, f" recycle {status.recycle[1]}"]
    broken = live(rows((10.0, 1)), 11.0)
    assert any("BROKEN" in line and picture.BROKEN in line for line in picture.picture(broken, status))


def test_inputs_that_look_wrong_are_shown_live():
    found = live(hands_rows(2), 30.0)
    status = picture.Status(state={**STATE, "inputs": [[19, 1], [21, 2 | 50 << 8]]})
    shown = "\n".join(picture.picture(found, status))
    assert "! BEAM broken for more than half an hour: likely dew" in shown and "BEAM2 flickers at 50 Hz" in shown
    assert "likely dew" in picture.plain(found, status)


def test_the_picture_never_grows_whatever_is_wrong():
    found = live(hands_rows(2), 30.0)
    found.unseen, found.visits, found.fires, found.misses = 99999, 12345, 12345, 12345
    state = {**STATE, "faults": ["a" * 200] * 30, "store": "full", "ring_lost": 10**9}
    lines = picture.picture(found, picture.Status(state=state, restarts=99, ahead_s=1e6))
    assert len(lines) == 24 and max(map(len, lines)) <= 80


@pytest.mark.parametrize(("s", "text"), [(None, "-"), (4.24, "4.2"), (187.0, "3:07"), (7387.0, "2:03:07")])
def test_time_since(s, text):
    assert picture.since(s) == text


def test_drift_has_an_interval_and_needs_time():
    day = 86_400.0
    earlier = [Comparison(0.0, 0.000, 0.010), Comparison(3 * day, 0.5, 0.010)]
    found = drift(Comparison(10 * day, 1.728, 0.005), earlier)
    # 1.728 s in 864,000 s is 2 parts in a million by definition
    assert found.ppm == pytest.approx(2.0) and found.high - found.low == pytest.approx(2 * 0.015 / 864_000 * 1e6)
    assert "+0.17 s a day" in str(found)
    assert drift(Comparison(1000.0, 0.0, 0.01), earlier).ppm is None
    assert drift(Comparison(10 * day, 1.7, 0.01), earlier, set_at_s=9 * day).ppm is None
    assert "was set" in drift(Comparison(10 * day, 3600.0, 0.01), earlier).text
