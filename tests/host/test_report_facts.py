"""Facts of nights at the edges: nobody came, nothing was wired, nothing is known. All nights here are invented."""

import json
import re

import numpy as np
import pandas as pd
import pytest
from duskgate.report import figures
from duskgate.report.facts import night_facts, summary_lines

from tests.host.sample_night import LOG, SITE, lacking, nothing_night, problems, sample_night, sample_sky


def facts_of(night, *, site=SITE, sky=True, **log):
    found = night_facts(night, site, sample_sky() if sky else None, LOG | log)
    json.dumps(found, allow_nan=False)
    return found


NIGHTS = {
    "busy": lambda: sample_night(),
    "empty": lambda: sample_night(0),
    "no light sensor": lambda: sample_night(flash=False),
    "unknown clock": lambda: sample_night(clock="unknown"),
    "nothing": nothing_night,
}


@pytest.mark.parametrize("kind", NIGHTS)
def test_every_night_has_three_sentences_and_a_dozen_lines(kind):
    facts = facts_of(NIGHTS[kind]())
    assert len(facts["answer"]) == 3 and all(s.endswith(".") and len(s) > 20 for s in facts["answer"])
    lines = summary_lines(facts)
    # a night without any sight has no dozen of figures: a row of noughts would read as "nobody came"
    assert len(lines) == (6 if facts["status"] == "nothing" else 12)
    assert not any("\n" in line or "nan" in line.lower() or "None" in line for line in lines)
    assert [s["question"][-1] for s in facts["sections"]] == ["?"] * 6


def test_the_busy_night_is_answered_with_intervals_and_n():
    facts = facts_of(sample_night())
    assert "140 visits (137 to 144" in facts["answer"][0] and "9.4 h of sight" in facts["answer"][0]
    assert "n = " in facts["answer"][1] and "recycled" in facts["answer"][1]
    with_interval = [
        v for k, v in facts["numbers"].items() if k.startswith(("delay", "skew", "recycle", "rate", "best"))
    ]
    assert with_interval and all(v["lo"] <= v["value"] <= v["hi"] and v["n"] > 0 for v in with_interval)
    assert facts["versions"]["interpreters"] == ["MicroPython on a PC 1.28.0"]


def test_an_empty_night_is_an_answer_and_not_a_fault():
    facts = facts_of(sample_night(0))
    assert facts["status"] == "empty" and facts["answer"][0].startswith("Nobody came in 9.4 h of sight")
    assert "visits" in facts["figures"] and facts["figures"]["visits"]["title"].startswith("No visits from")


def test_without_a_light_sensor_nothing_is_said_of_the_flashes():
    facts = facts_of(sample_night(flash=False))
    assert not facts["watched"] and "No light sensor was wired" in facts["answer"][1]
    assert "delay" not in facts["figures"] and "misses" not in facts["figures"]


def test_an_unknown_clock_makes_the_facts_partial_and_asks_for_the_clock():
    facts = facts_of(sample_night(clock="unknown"))
    assert any("no time of day" in p for p in facts["partial"])
    assert any("clock" in t["what"] for t in facts["tonight"])
    assert "time of day unknown" in facts["log"]["clock_text"]


def test_nothing_at_all_is_said_plainly():
    facts = facts_of(nothing_night(), site=None, sky=False)
    assert facts["status"] == "nothing" and "cannot tell whether anything came" in facts["answer"][0]
    assert "not known" in facts["summary"][1]
    assert facts["figures"] == {} and not facts["sky"]["known"]


def test_damage_is_listed_with_offsets_and_makes_the_facts_partial():
    facts = facts_of(sample_night(), problems=problems(3))
    assert facts["log"]["problems"]["n"] == 3 and facts["log"]["problems"]["rows"][1]["offset"] == 4096
    assert facts["partial"] and "partial" in facts["answer"][2]
    many = facts_of(sample_night(), problems=problems(900))
    assert many["log"]["problems"]["n"] == 900 and "the first 200 are listed" in many["log"]["problems"]["text"]


def test_a_number_without_data_says_how_much_is_needed():
    night = sample_night()
    night.estimates["latency"]["beam_flash"]["heads"]["FLASH2"]["median"] = lacking(4, 30)
    facts = facts_of(night)
    assert facts["numbers"]["delay_beam_flash_FLASH2_median"]["text"] == "not enough data, n = 4, need about 30"
    assert facts["numbers"]["delay_beam_flash_FLASH2_median"]["value"] is None


def test_advice_names_slow_heads_and_dark_heads_and_orders_damage_first():
    night = sample_night()
    night.estimates["latency"]["beam_flash"]["heads"]["FLASH3"] = {"median": lacking(0, 30), "p95": lacking(0, 30)}
    facts = facts_of(night, problems=problems(1))
    said = [t["what"] for t in facts["tonight"]]
    assert said[0].startswith("Pull the log again")
    assert any(s.startswith("Fresh cells in FLASH1") for s in said) and any(s.startswith("Check FLASH3") for s in said)


def test_a_sound_night_that_asks_for_nothing_says_so():
    night = sample_night(5)
    est = night.estimates
    est["recycle"], est["misses"]["by_cause"], est["misses"]["n"], est["fires"]["interference"] = {}, {}, 0, 0
    est["kinds"]["leaf"] = 0
    facts = facts_of(night)
    assert (
        facts["tonight"] == []
        and facts["answer"][2] == "Nothing in the log asks for a change tonight, and it is sound."
    )


def test_thinned_marks_are_announced():
    facts = facts_of(sample_night(4000))
    figure = facts["figures"]["visits"]
    assert figure["draw_every"] == 3 and "every 3rd is drawn" in figure["note"]


def test_no_text_of_the_facts_holds_an_unfilled_place():
    def texts(value):
        if isinstance(value, dict):
            for inner in value.values():
                yield from texts(inner)
        elif isinstance(value, list):
            for inner in value:
                yield from texts(inner)
        elif isinstance(value, str):
            yield value

    for make in NIGHTS.values():
        assert not [text for text in texts(facts_of(make())) if "{" in text or "}" in text]


def test_the_shortest_span_that_holds_half_of_the_visits():
    minutes = np.array([0, 100, 101, 103, 104, 300, 500])
    assert figures.densest_half(minutes) == (100, 104)
    assert figures.densest_half(np.array([7])) == (7, 7)


@pytest.mark.parametrize(
    ("n", "begins"), [(1, "One visit, at "), (4, "4 visits, from "), (40, "Half of the 40 visits ")]
)
def test_the_title_of_the_visits_says_no_more_than_their_number_bears(n, begins):
    facts = night_facts(sample_night(n), SITE, sample_sky(), LOG)
    assert facts["figures"]["visits"]["title"].startswith(begins)


def test_half_of_the_visits_do_lie_in_the_span_that_the_title_names():
    night = sample_night(200)
    title = night_facts(night, SITE, sample_sky(), LOG)["figures"]["visits"]["title"]
    lo, hi = re.findall(r"\d\d:\d\d", title)[:2]
    clock = pd.to_datetime(night.tables["visits"]["start_utc_us"], unit="us") + pd.Timedelta(hours=2)
    minute = (clock.dt.hour * 60 + clock.dt.minute - 720) % 1440
    ends = [(int(t[:2]) * 60 + int(t[3:]) - 720) % 1440 for t in (lo, hi)]
    assert 100 <= ((minute >= ends[0]) & (minute < ends[1])).sum() <= 104


def test_no_sentence_of_the_answer_stands_a_second_time_under_its_question():
    for night in (sample_night(), sample_night(0), sample_night(flash=False)):
        facts = night_facts(night, SITE, sample_sky(), LOG)
        said = [p for s in facts["sections"] for p in s["says"]]
        assert not set(said) & set(facts["answer"]) and len(said) == len(set(said))


def test_one_is_told_in_the_singular_and_none_in_words():
    night = sample_night(1)
    night.tables["visits"]["caught"] = "yes"
    night.estimates["misses"] |= {"n": 1, "watched_breaks": 3}
    told = night_facts(night, SITE, sample_sky(), LOG)["answer"][1]
    assert "at 1 visit, " in told and "1 of 3 breaks was missed" in told
    night.estimates["misses"] |= {"n": 0, "by_cause": {}}
    assert "none of 3 breaks by a visitor was missed" in night_facts(night, SITE, sample_sky(), LOG)["answer"][1]


def test_the_table_of_damage_names_files_without_their_folders():
    for told in ("/home/somebody/logbook/night.dgl", "C:\\Users\\somebody\\night.dgl", "night.dgl"):
        bad = problems(1)
        bad["file"] = told
        facts = night_facts(sample_night(10), SITE, sample_sky(), LOG | {"problems": bad})
        assert facts["log"]["problems"]["table"]["rows"][0][0] == "night.dgl"


def test_a_log_too_short_for_one_rate_has_no_figure_of_rates():
    night = sample_night(3)
    night.tables["rates"][["rate_per_h", "lo", "hi"]] = np.nan
    assert "rate" not in night_facts(night, SITE, sample_sky(), LOG)["figures"]


def test_sentences_on_the_best_window_are_parted_by_full_stops():
    night = sample_night(0)
    night.estimates["best_window"] |= {"text": "no visit in any window", "hours_kept": True}
    note = night_facts(night, SITE, sample_sky(), LOG)["best_window"]["note"]
    assert note.startswith("No visit in any window. Windows were sought from ") and note.endswith(".")
