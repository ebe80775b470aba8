"""Facts of several nights: against the truth of the invented nights, and what one night may not decide."""

import dataclasses

import numpy as np
import pytest
from duskgate.analysis import season, season_lead, spans, strata
from duskgate.errors import UsageError
from duskgate.report import season_facts, season_words
from duskgate.report.open_season import NightReader

from tests.cli.season_books import book, date_of, true_visits
from tests.host.test_analysis_season import drawn, hump

DAYS = (0, 1, 2, 4, 7, 8)


@pytest.fixture(scope="module")
def read(tmp_path_factory):
    return season_facts.read_season(NightReader(book(tmp_path_factory.mktemp("s") / "logbook", DAYS)))


@pytest.fixture(scope="module")
def facts(read):
    return season_facts.season_facts(*read)


def test_visits_of_each_night_are_the_true_ones(facts):
    true = {night: len(at) for night, at in true_visits(DAYS).items()}
    told = {row["night"]: row["n"] for row in facts["nights"]}
    assert list(told) == sorted(true)
    for night, n in true.items():
        assert abs(told[night] - n) <= max(3, 0.05 * n), night
    assert facts["totals"]["n_nights"] == len(DAYS) and facts["totals"]["rate_per_h"]["n"] == len(DAYS)


def test_rate_by_hour_after_sunset_holds_the_true_counts(facts):
    sunsets = {row["night"]: row["sunset_utc_us"] for row in facts["nights"]}
    hours = np.concatenate([(at - sunsets[night]) / 3.6e9 for night, at in true_visits(DAYS).items()])
    for row in facts["hours"]["sunset"]:
        true = ((hours >= row["start_s"] / 3600) & (hours < row["end_s"] / 3600)).sum()
        assert abs(row["n"] - true) <= max(4, 0.08 * true)
        e = row["rate_per_h"]
        assert e["lo"] <= row["n"] / (row["exposure_s"] / 3600) <= e["hi"] and e["n"] == row["n_nights"]
    assert sum(r["n"] for r in facts["hours"]["sunset"]) == sum(r["n"] for r in facts["hours"]["clock"])


def test_the_best_window_lies_on_the_dusk_peak(facts):
    """The plan puts half of all visits around 20:21 UTC, some 0.7 h after sunset."""
    best = facts["best_window"]
    assert 0 <= (best["start_s"] + best["end_s"]) / 7200 <= 1.5
    assert best["next"]["sure"] > 0.9 and best["next"]["start_s"] > 6 * 3600  # the dawn peak is the next one apart
    assert facts["without_each"]["firm"] is True


def test_facts_are_whole_and_the_lines_few(facts):
    assert facts["facts_version"] == 1 and facts["status"] == "season" and facts["by"] == "sunset"
    assert 15 <= len(facts["summary"]) <= 30
    text = "\n".join(facts["summary"])
    for word in ("after sunset", "n = 6 nights", "95 %", "Trend", "Moon"):
        assert word in text


def test_a_night_is_kept_as_a_few_kilobytes(read):
    for night in read[0]:
        arrays = (night.by_clock.visits_s, night.by_sunset.visits_s, night.gaps_s, night.moon_up_us)
        assert sum(a.nbytes for a in arrays) < 12_000


def swapped(night, visits_s, shift_s):
    """The same night with other visits, given in seconds from sunset."""
    by_sunset = dataclasses.replace(night.by_sunset, visits_s=np.sort(visits_s))
    by_clock = dataclasses.replace(night.by_clock, visits_s=np.sort(visits_s + shift_s))
    return dataclasses.replace(night, by_sunset=by_sunset, by_clock=by_clock, n=len(visits_s))


def test_one_wild_night_is_named_when_it_decides(read):
    nights = list(read[0])
    wild = nights[2]
    shift = (wild.by_sunset.zero_utc_us - wild.by_clock.zero_utc_us) / 1e6
    nights[2] = swapped(wild, np.linspace(4 * 3600, 5 * 3600, 5000), shift)
    facts = season_facts.season_facts(nights, read[1])
    assert facts["best_window"]["start_s"] >= 3 * 3600
    assert [c["night"] for c in facts["without_each"]["changed_by"] if c["apart"]] == [date_of(2)]
    assert facts["without_each"]["firm"] is False
    assert f"one night decides: without {date_of(2)}" in "\n".join(facts["summary"])
    assert any("more than half of all visits" in r for r in facts["remarks"])


@pytest.mark.parametrize("k", [1, 2])
def test_one_or_two_nights_say_that_they_are_too_few(read, k):
    facts = season_facts.season_facts(read[0][:k], read[1])
    assert facts["status"] == "few" and facts["totals"]["rate_per_h"]["value"] is None
    text = "\n".join(facts["summary"])
    assert "too few" in text and "first hint" in text and "no interval" in text
    assert facts["without_each"]["firm"] is None and facts["trend"]["value"] is None


def test_a_season_without_visits_is_an_answer_and_names_no_window(tmp_path):
    nights = season_facts.read_season(NightReader(book(tmp_path / "b", range(3), "empty-garden")))
    facts = season_facts.season_facts(*nights)
    assert facts["status"] == "empty" and facts["totals"]["n"] == 0
    assert facts["totals"]["rate_per_h"]["value"] == 0 < facts["totals"]["rate_per_h"]["hi"]
    assert "start_s" not in facts["best_window"] and "no visit came" in "\n".join(facts["summary"])


def test_without_a_place_hours_go_by_the_clock_and_the_keys_are_named(tmp_path):
    nights = season_facts.read_season(NightReader(book(tmp_path / "b", range(3), site=False)))
    facts = season_facts.season_facts(*nights)
    assert facts["by"] == "clock" and any("latitude_deg" in r for r in facts["remarks"])
    with pytest.raises(UsageError, match="latitude_deg"):
        season_facts.season_facts(*nights, by="sunset")


def test_a_rig_against_itself_is_no_different_and_against_a_busy_one_is(read, tmp_path):
    same = season_facts.season_facts(*read, other=read)["compare"]["same_hours"]
    assert same["value"] == pytest.approx(1.0) and same["lo"] < 1 < same["hi"]
    busy_days = (0, 1, 2, 5, 6)
    busy = season_facts.read_season(NightReader(book(tmp_path / "b", busy_days, "busy-night", seed=40)))
    told = season_facts.season_facts(*read, other=busy)["compare"]
    true = np.mean([len(v) for v in true_visits(DAYS).values()]) / np.mean(
        [len(v) for v in true_visits(busy_days, "busy-night", 40).values()]
    )  # fmt: skip
    # newcomers within the pause count as one visit: busy nights are undercounted by up to 15 %
    assert told["same_hours"]["lo"] * 0.85 <= true <= told["same_hours"]["hi"]
    assert told["n_nights"] == [6, 5] and told["same_dates"] == [date_of(d) for d in (0, 1, 2)]


def test_leaders_are_those_of_the_season_and_of_each_season_without_a_night():
    rng = np.random.default_rng(3)
    nights = [drawn(rng, k, hump, hours=(0, 9 - k % 3)) for k in range(7)]
    start, rate = season.window_rates(nights, 7200, 1800)
    assert start[season_lead.leader(rate)] == season.best_window(nights)["start_s"]
    for k, w in enumerate(season_lead.leaders_without_each(rate)):
        assert start[w] == season.best_window(nights[:k] + nights[k + 1 :])["start_s"]


def test_duel_of_windows():
    rate = np.array([[10.0, 5, np.nan], [12, 6, 1], [9, 8, 2], [20, 9, 1]])
    d = season_lead.duel(rate, 0, 1)
    assert (d["won"], d["lost"], d["n"]) == (4, 0, 4) and 0.9 < d["sure"] < 1
    assert season_lead.duel(rate[:2], 0, 1)["sure"] is None
    assert season_lead.duel(rate, 1, 0)["sure"] == pytest.approx(1 - d["sure"])


def test_ratio_at_the_same_hours_worked_here():
    """Two hours with rates 10 and 1; condition 1 has the busy hour mostly. Crude ratio 3.0, ratio of strata 1.0."""
    n1, e1 = np.tile([30.0, 1], (5, 1)), np.tile([3 * 3600.0, 3600], (5, 1))
    n0, e0 = np.tile([10.0, 3], (5, 1)), np.tile([3600.0, 3 * 3600], (5, 1))
    r = strata.ratio(n1, e1, n0, e0)
    assert r["value"] == pytest.approx(1.0) and r["lo"] < 1 < r["hi"] and r["n_nights"] == [5, 5]
    assert strata.ratio(n1[:3], e1[:3], n0[:3], e0[:3])["value"] is None
    assert strata.ratio(n1, e1, 0 * n0, e0)["text"].startswith("not enough data")


def test_ratio_of_moonlit_to_dark_hours_holds_the_truth():
    """Moonlight halves the visits; it drifts through the night, and so do the visits' own hours."""
    rng, edges, held = np.random.default_rng(8), np.arange(0, 9 * 3600 + 1, 3600.0), 0
    trials = 60
    for _ in range(trials):
        parts = [[], []]
        for k in range(10):
            middle = 24.0 * k / 10
            up = np.array([[middle - 6 + d, middle + 6 + d] for d in (-24, 0, 24)])

            def law(h, up=up):
                return hump(h) * (0.5 if ((h >= up[:, 0]) & (h < up[:, 1])).any() else 1.0)

            night = drawn(rng, k, law, spread=0.4)
            for side, open_s in zip(parts, (3600 * up, spans.outside(3600 * up, -1e6, 1e6)), strict=True):
                side.append(strata.only_in(night, open_s))
        r = strata.ratio(*strata.counted(parts[0], edges), *strata.counted(parts[1], edges))
        held += r["lo"] <= 0.5 <= r["hi"]
    assert held >= 52  # of 60; fewer happens in about 1 % of runs at 95 %, and the seed is fixed


@pytest.mark.parametrize(
    ("start", "end", "by", "text"),
    [
        (3600, 10_800, "sunset", "1 to 3 h after sunset"),
        (-1800, 5400, "sunset", "0.5 h before to 1.5 h after sunset"),
        (-7200, 0, "sunset", "2 to 0 h before sunset"), (-5400, 1800, "clock", "22:30 to 00:30"),
    ],
)  # fmt: skip
def test_spans_in_words(start, end, by, text):
    assert season_words.when(start, end, by) == text
