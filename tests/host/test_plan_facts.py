"""The plan's facts: every number with its basis, thin or no history, no darkness, what-ifs, page and lines."""

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from duskgate import sitefields, sitefile
from duskgate.report import plan_facts, plan_frames, plan_history, plan_words
from duskgate.report.page import plan_page
from duskgate.report.plan_facts import Asked
from duskgate.report.plan_history import History
from duskgate.virtual import scenes
from duskgate.virtual.scene_site import site_text

from tests.cli.season_books import book, date_of, true_visits

DATE = date_of(4)
H_US = 3_600_000_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return book(tmp_path_factory.mktemp("plan") / "logbook", range(4))


@pytest.fixture(scope="module")
def site(folder):
    return sitefile.load(folder / "site.toml")


@pytest.fixture(scope="module")
def history(folder):
    return plan_history.read_history(folder, before=DATE)


@pytest.fixture(scope="module")
def facts(site, history):
    return plan_facts.plan_facts(site, history, DATE, Asked(hours=3.0, guests=2), "site.toml")


def alone(site, date=DATE, **asked):
    """A plan without any earlier night."""
    return plan_facts.plan_facts(site, History(""), date, Asked(**asked))


def changed(site, **values):
    return dataclasses.replace(site, **values)


def assert_every_number_is_founded(facts):
    assert facts["numbers"]
    for key, n in facts["numbers"].items():
        if n["basis"] == "measured":
            assert n["n"] and n["value"] is not None and n["lo"] <= n["value"] <= n["hi"], key
        else:
            assert n["basis"] in ("site file", "given", "computed", "assumed", "unknown") and n["reason"], key
        assert (n["value"] is None) == (n["basis"] == "unknown") and n["text"] and n["label"], key


def test_every_number_has_an_interval_and_n_or_a_basis_and_its_reason(facts, site):
    assert_every_number_is_founded(facts)
    assert_every_number_is_founded(alone(site))
    assert_every_number_is_founded(alone(None))
    assert {"visits", "best_rate", "delay", "ahead", "best_shutter", "keepers_per_h", "fires"} <= set(facts["numbers"])
    assert json.loads(json.dumps(facts, allow_nan=False)) == facts


def test_developers_names_every_key(facts):
    text = (Path(__file__).resolve().parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    said = text.split("`duskgate plan --json`")[1].split("\n## ")[0]
    assert not [key for key in facts if f"`{key}`" not in said]
    assert f"(version {plan_facts.FACTS_VERSION}," in said


def test_the_expected_rate_is_that_of_the_same_hours_of_the_earlier_nights(facts, history):
    """Counted again from the visits that truly broke the beam, at the session's hours after each night's sunset."""
    sunset = facts["sky"]["sunset_utc_us"]
    lo, hi = ((facts["session"][k] - sunset) for k in ("start_utc_us", "end_utc_us"))
    n = 0
    for night in history.sighted:
        at = true_visits([int(night.date[-2:]) - 18], seed=10 + int(night.date[-2:]) - 18)[night.date]
        zero = night.by_sunset.zero_utc_us
        n += int(((at - zero >= lo) & (at - zero < hi)).sum())
    expected = n / 4 / facts["session"]["hours"]
    found = facts["numbers"]["visits_per_h"]
    assert found["n"] == 4 and found["value"] == pytest.approx(expected, rel=0.15) and n > 50


def test_the_session_lies_in_the_dark_and_holds_the_best_window_as_far_as_it_can(facts):
    dark, session, best = facts["dark"], facts["session"], facts["best_window"]
    assert dark["start_utc_us"] <= session["start_utc_us"] < session["end_utc_us"] <= dark["end_utc_us"]
    assert session["hours"] == pytest.approx(3.0) and best["n"] == 4
    assert session["start_utc_us"] <= max(best["start_utc_us"], dark["start_utc_us"]) < session["end_utc_us"]
    named = [row["step"] for row in facts["timetable"]]
    assert [s for s in named if s in ("set_up", "test_shots", "aim", "check", "start", "end", "pack")] == [
        "set_up", "test_shots", "aim", "check", "start", "end", "pack"]  # fmt: skip
    beside = " ".join(" ".join(row["cautions"]) for row in facts["timetable"]).lower()
    for word in ("volts", "emitter", "lithium", "tether", "wet gear", "animals", "local codes"):
        assert word in beside, word
    said = " ".join(row["what"] for row in facts["timetable"])
    assert "rain covers" in said and "spare set of cells" in said


def test_without_any_night_the_plan_names_what_it_assumed(site):
    facts = alone(site)
    assert facts["status"] == "plan" and facts["timetable"] and facts["best_window"] is None
    reasons = {row["what"]: row["reason"] for row in facts["assumed"]}
    assert (
        "no earlier night" in reasons["visits"] and "--hours" in reasons["Session"] and "--guests" in reasons["Guests"]
    )
    assert "visits" not in facts["numbers"] and facts["keepers"]["per_h"]["value"] is None
    assert any("No earlier night" in text for text in facts["answer"])


def test_one_night_is_told_as_thin(site, folder):
    thin = plan_history.read_history(folder, before=date_of(1))
    facts = plan_facts.plan_facts(site, thin, DATE, Asked())
    assert facts["history"]["n_nights"] == 1 and facts["history"]["thin"]
    assert any(row["what"] == "visits" and "three nights" in row["reason"] for row in facts["assumed"])
    assert "thin" in facts["summary"][0] and "it may lie elsewhere" in facts["best_window"]["text"]
    rate = facts["numbers"]["visits_per_h"]
    assert rate["n"] == 1 and rate["lo"] < rate["value"] < rate["hi"]
    assert_every_number_is_founded(facts)


def test_old_nights_are_told_as_old(site, history, facts):
    late = plan_facts.plan_facts(site, history, "2026-09-10", Asked())
    assert late["history"]["newest_days_ago"] == 51 and "newest 51 days ago" in plan_words.history_text(late["history"])
    assert any(row["what"] == "season" and "51 days ago" in row["text"] for row in late["assumed"])
    assert not any(row["what"] == "season" for row in facts["assumed"]) and "ago" not in plan_words.history_text(
        facts["history"]
    )


def test_nights_from_the_planned_one_on_are_not_looked_at(folder):
    assert [n.date for n in plan_history.read_history(folder, before=date_of(2)).nights] == [date_of(0), date_of(1)]


def test_a_summer_without_darkness_is_said(site):
    north = changed(site, latitude_deg=69.0, longitude_deg=20.0)
    facts = alone(north, "2026-06-21")
    assert facts["status"] == "no darkness" and facts["timetable"] == [] and facts["session"] is None
    assert "does not get dark enough" in " ".join(facts["answer"]) and plan_words.NO_DARK[:40] in " ".join(
        facts["summary"]
    )
    assert "never for 2 s" in " ".join(facts["summary"]) and "strip" in facts and facts["strip"] is None
    bare = changed(north, camera=dataclasses.replace(site.camera, iso=None))
    assert alone(bare, "2026-06-21")["status"] == "no darkness"  # by the sun alone where the setting is not known
    assert alone(north, "2026-12-21")["status"] == "plan"  # and the polar night is dark
    assert "</html>" in plan_page(facts)


def test_missing_values_are_asked_for_by_key(site):
    facts = alone(sitefile.Site())
    keys = {row["key"] for row in facts["missing"]}
    assert {"latitude_deg", "longitude_deg", "animal.speed_m_s", "camera.iso", "camera.shutter_s", "heads"} <= keys
    assert facts["status"] == "no time" and "Fill in" in "\n".join(facts["summary"])
    given = alone(sitefile.Site(), iso=400.0)
    assert "camera.iso" not in {row["key"] for row in given["missing"]}
    head = dataclasses.replace(site.heads[0], guide_number_m=None)
    assert "heads.guide_number_m" in {r["key"] for r in alone(changed(site, heads=(head,)))["missing"]}


def test_what_ifs_change_what_they_should(site):
    base, short = alone(site), alone(site, shutter_s=0.25)
    assert short["dark"]["start_utc_us"] < base["dark"]["start_utc_us"]  # an eighth of the time: three stops earlier
    assert short["numbers"]["shutter_s"]["basis"] == "given" and base["numbers"]["shutter_s"]["basis"] == "site file"
    stops = [
        alone(site, **more)["numbers"]["flash_stops"]["value"] for more in ({}, {"iso": 800.0}, {"aperture_f": 22.0})
    ]
    assert stops[1] - stops[0] == pytest.approx(1, abs=1e-6) and stops[2] - stops[0] == pytest.approx(-2, abs=1e-6)
    weaker = alone(site, power=1 / 512)["numbers"]["flash_stops"]["value"]
    assert weaker - stops[0] == pytest.approx(-9 - np.log2(site.heads[0].power), abs=1e-6)


def test_fewer_stops_of_guests_share_the_keepers(facts, site, history):
    one = plan_facts.plan_facts(site, history, DATE, Asked(hours=3.0, guests=1))
    a, b = (f["numbers"]["keepers_per_guest"] for f in (one, facts))
    assert a["value"] == pytest.approx(2 * b["value"]) and a["n"] == b["n"] == 4
    armed = one["budget"]["fires"]["armed_share"]
    whole = one["numbers"]["keepers_per_h"]["value"] * one["session"]["hours"]
    assert 0 < armed <= 1 and a["value"] == pytest.approx(whole * armed)


def test_fires_and_keepers_are_those_of_the_session_hours(facts, history):
    zero = facts["sky"]["sunset_utc_us"]
    lo, hi = ((facts["session"][k] - zero) / 1e6 for k in ("start_utc_us", "end_utc_us"))
    n, hours = 0, 0.0
    for night, fires in zip(history.sighted, history.fires, strict=True):
        at = fires.fire_s + (history.fires_zero_us[night.date] - night.by_sunset.zero_utc_us) / 1e6
        n += int(((at >= lo) & (at <= hi)).sum())
        hours += (hi - lo) / 3600
    wanted = facts["budget"]["fires"]["wanted_per_h"]
    assert wanted["n"] == 4 and wanted["value"] == pytest.approx(n / hours, rel=0.05) and n > 50
    assert plan_history.during(history, 20 * 3600, 21 * 3600).fires == []


def test_the_beam_place_agrees_with_the_delay_command(facts, history):
    space = plan_history.lead_of(history, None)["space"]
    assert facts["numbers"]["ahead"]["value"] == pytest.approx(space["lead"]["way_mm"]["value"])
    assert facts["depth"]["total_mm"] == pytest.approx(space["depth"]["total_mm"])


def test_a_camera_released_by_the_beam_has_no_open_shutter(site, history):
    facts = plan_facts.plan_facts(changed(site, path="beam_camera"), history, DATE, Asked())
    assert facts["shutter"] is None and facts["keepers"]["frames_per_h"] is None
    assert "own frame" in facts["keepers"]["per_h"]["text"]


def test_a_day_visitor_is_planned_by_day(site):
    facts = alone(changed(site, active="day"))
    assert facts["sky"]["sunrise_utc_us"] <= facts["session"]["start_utc_us"]
    assert any(line.startswith("Light    daylight from") for line in facts["summary"])


def test_fresh_cells_are_called_for_before_the_first_set_may_be_spent(facts):
    budget = {"fires": {"expected_n": {"hi": 300.0}}, "cells": [{"per_set": {"lo": 100.0}}, {"per_set": {"lo": 250.0}},
                                                                {"per_set": None}]}  # fmt: skip
    assert plan_frames.cells_spent_us(budget, 7 * H_US, 3.0) == 8 * H_US
    assert plan_frames.cells_spent_us(budget | {"cells": []}, 0, 3.0) is None
    assert plan_frames.cells_spent_us(budget | {"fires": {"expected_n": {"value": None}}}, 0, 3.0) is None


def test_a_camera_that_the_beam_fires_is_judged_beside_the_flashes(site, history):
    slow = changed(site, camera=dataclasses.replace(site.camera, shutter_lag_ms=(45.0, 200.0)))
    beam = plan_facts.plan_facts(slow, history, DATE, Asked())["beam"]
    assert [p["path"] for p in beam["paths"]] == ["beam_flash", "beam_camera"]
    assert beam["paths"][1]["needed_mm"] > beam["paths"][0]["needed_mm"] + 100 * beam["speed_m_s"]


def test_lines_fit_one_screen_and_page_says_what_the_facts_say(facts, site):
    for found in (facts, alone(site), alone(None), alone(sitefile.Site())):
        assert 3 <= len(found["summary"]) <= 24 and max(map(len, found["summary"])) <= 100, found["summary"]
    page = plan_page(facts)
    for text in [*facts["answer"], facts["strip"]["alt"], *(row["title"] for row in facts["timetable"])]:
        assert text in page, text
    assert page.count('name="look"') == 3


def test_a_lull_is_told_as_chance_unless_nights_agree(facts):
    found = facts["lull"]
    assert found is None or found["told"] or "may be chance" in found["text"]


def test_the_example_site_of_the_demo_leaves_nothing_unknown_but_what_it_never_measured(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(site_text(scenes.PRESETS["quiet-night"]), encoding="utf-8")
    keys = {row["key"] for row in alone(sitefile.load(path))["missing"]}
    assert not {k for k in keys if not k.startswith("power_steps.")}, keys


def test_names_from_a_file_cannot_break_the_page(site):
    head = dataclasses.replace(site.heads[0], name="</script><script>alert(1)</script>", sensors=())
    page = plan_page(alone(changed(site, name="<img src=x onerror=alert(2)>{{ 7 * 7 }}", heads=(head,))))
    assert "<script>alert" not in page and "<img" not in page and "{{ 7 * 7 }}" in page


def test_what_was_also_worked_out_stands_on_the_page(site, history):
    steps = sitefile.parse(sitefile.template() + STEPS).power_steps
    heads = tuple(dataclasses.replace(h, burst_fires=40, burst_rest_s=600.0) for h in site.heads[:1]) + site.heads[1:]
    camera = dataclasses.replace(site.camera, sync_s=1 / 200)
    full = plan_facts.plan_facts(changed(site, camera=camera, heads=heads, power_steps=steps), history, DATE, Asked())
    said = dict(full["tables"]["further"]["rows"][::-1])
    assert said["test shot by day"].startswith("f/11, ISO 400, 1/200 s: the shutter time does not change the flash")
    most = full["flash"]["test_shot"]["most_lux"]
    assert f"below {most:,.0f} lux".replace(",", " ") in said["test shot by day"].replace("\u202f", " ")
    assert said["which path can work"] == full["beam"]["which"]
    caught = full["exposure"]
    assert caught["none"] + caught["one"] + caught["more"] == pytest.approx(1) and caught["n"] == 4
    assert f"no fire {100 * caught['none']:.1f} %" in said["one exposure"] and "a steady rate" in said["one exposure"]
    heat = [text for what, text in full["tables"]["further"]["rows"] if what == "heat of the heads"]
    assert heat[0].startswith("left: at most 40 fires in 600 s") and "give burst_fires and burst_rest_s" in heat[1]
    assert full["tables"]["powers"]["rows"][0] == ["left", "1/64", "38", "not measured", "0.4", "30"]
    page = plan_page(full)
    assert all(text.split(":")[0] in page for _, text in full["tables"]["further"]["rows"])
    without = dict(alone(site)["tables"]["further"]["rows"])
    assert "camera.sync_s" in without["test shot by day"]


STEPS = '\n[[power_steps]]\nhead = "left"\npower = "1/64"\nt05_us = 38\nrecycle_s = 0.4\nfires = 30\n'


def test_numbers_at_their_limit_and_powers_are_told_as_such(site, history):
    shy = changed(site, animal=dataclasses.replace(site.animal, fires_per_h=2.0))
    facts = plan_facts.plan_facts(shy, history, DATE, Asked(hours=3.0))
    fires = facts["numbers"]["fires"]
    assert fires["basis"] == "computed" and fires["text"] == "6 firings, the limit of 2 an hour"
    assert facts["numbers"]["power"]["text"] == "1/64 of full"
    assert facts["numbers"]["sets_left"]["text"] == "1 set"


def measured_rows(site, **own):
    rows = [{"head": h.name, "power": h.power, "t05_us": 30.0, "t01_us": 95.0 + k, "fires": 18, **own}
            for k, h in enumerate(site.heads)]  # fmt: skip
    return tuple(sitefields.PowerStep(**row) for row in rows)


def test_measured_durations_and_recycle_times_are_used_and_named(site, history):
    """Blur is speed times t0.1; the pause of one exposure is the slowest head's own recycle time."""
    steps = measured_rows(site, recycle_s=0.7)
    full = plan_facts.plan_facts(changed(site, power_steps=steps), history, DATE, Asked())
    blur, slowest = full["numbers"]["blur"], steps[-1]
    assert blur["value"] == pytest.approx(site.animal.speed_m_s * slowest.t01_us / 1000)
    assert blur["reason"] == f"stated speed x measured flash duration t0.1 ({slowest.head}, n = 18 firings)"
    ready = full["numbers"][f"ready_{slowest.head}"]
    assert (ready["value"], ready["text"], ready["n"], ready["basis"]) == (0.7, "0.7 s", 18, "site file")
    assert "measured: recycle_s in [[power_steps]] of site.toml at 1/64" in ready["reason"]
    assert full["exposure"]["steady"]["dead_s"] == 0.7
    assert_every_number_is_founded(full)


def test_recycle_times_of_other_powers_or_of_some_heads_leave_the_nights_own(site, history):
    own = plan_facts.plan_facts(site, history, DATE, Asked())["ready_s"]
    some = changed(site, power_steps=measured_rows(site, recycle_s=0.7)[:-1])
    assert plan_facts.plan_facts(some, history, DATE, Asked())["ready_s"] == own != {}
    steps = measured_rows(site, recycle_s=0.7)
    assert plan_facts.plan_facts(changed(site, power_steps=steps), history, DATE, Asked(power=0.5))["ready_s"] == own


def test_a_duration_that_was_only_reckoned_is_told_as_such(site):
    steps = measured_rows(site, t01_us=None)
    reason = alone(changed(site, power_steps=steps))["numbers"]["blur"]["reason"]
    assert "reckoned from the measured t0.5" in reason
