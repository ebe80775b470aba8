"""The season's page: it says only what the facts say, its figures draw the facts, and odd seasons get a page too."""

import dataclasses
import json
import re

import numpy as np
import pytest
from duskgate import plots
from duskgate.analysis import season_drift, season_map
from duskgate.analysis.season import NightView
from duskgate.plots import season_map as map_plot
from duskgate.report import season_facts, season_tables
from duskgate.report.open_season import NightReader
from duskgate.report.page import season_page
from duskgate.report.told_apart import short_names

from tests.cli.season_books import book, date_of, log_name
from tests.factories import flip
from tests.host.test_page import HOSTILE, read, without_library

DAYS = (0, 1, 2, 5, 6, 7)


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    return season_facts.read_season(NightReader(book(tmp_path_factory.mktemp("s") / "logbook", DAYS)))


@pytest.fixture(scope="module")
def facts(nights):
    return season_facts.season_facts(*nights, other=nights)


@pytest.fixture(scope="module")
def page(facts):
    return season_page(facts)


def traces(facts, name):
    return {t["name"]: t for t in plots.describe(name, {}, facts)["data"]}


def unknown_numbers(page: str, facts: dict) -> list[str]:
    """Numbers of the page's text that do not stand in the facts."""
    known = " ".join(json.dumps(facts, ensure_ascii=False).replace('\\"', '"').split())
    words = [w for text in read(page).text for w in re.findall(r"[\d.,:\u00a0-]*\d", text)]
    assert len(words) > 20
    return [w for w in words if w.strip("-") not in known]


def test_every_number_on_the_page_is_in_the_facts(facts, page):
    assert unknown_numbers(page, facts) == []
    assert unknown_numbers(page.replace("<h1>", "<h1>98765.4 ", 1), facts) == ["98765.4"]


def test_each_figure_has_words_and_a_table_and_the_page_fetches_nothing(facts, page):
    reader = read(page)
    labels = [v for _, name, v in reader.attributes if name == "aria-label"]
    ids = [v for _, name, v in reader.attributes if name == "id"]
    assert set(facts["figures"]) == {name for name in plots.FIGURES if name.startswith("season_")}
    for name, figure in facts["figures"].items():
        assert figure["alt"] in labels and f"table-{name}" in ids and figure["table"]["rows"]
    assert not re.search(r"https?:|\bsrc=|@import|url\(", without_library(page))
    assert reader.levels[0] == 1 and all(b - a <= 1 for a, b in zip(reader.levels, reader.levels[1:], strict=False))
    for name in facts["figures"]:
        figure = plots.build(name, {}, facts)
        assert figure.layout.xaxis.title.text and figure.layout.yaxis.title.text


def test_the_map_draws_every_hour_that_was_seen_and_hatches_the_rest(facts):
    found, drawn = facts["map"], traces(facts, "season_map")
    share = np.array([r["exposure_s"] for r in found["nights"]]) / 3600
    assert sum(sum(r["n"]) for r in found["nights"]) == facts["totals"]["n"]
    assert len(drawn["visits per hour"]["y"]) == (share > 0).sum()
    assert len(drawn["no sight"]["y"]) == (share < 0.999).sum() > 0
    assert drawn["no sight"]["marker"]["pattern"]["shape"] == "/"
    heights = drawn["seen"]["width"]
    assert heights == pytest.approx(np.maximum(map_plot.CELL * share[share > 0], 0.12)), "a short sight is a low cell"
    first = next(h for h in drawn["visits per hour"]["hovertext"] if h.startswith(date_of(0)))
    cell = found["nights"][0]
    k = next(i for i, e in enumerate(cell["exposure_s"]) if e > 0)
    assert f": {cell['n'][k]:.0f} visit" in first and f"{cell['rate_per_h'][k]:.1f} per hour" in first


def test_numbers_stand_in_the_cells_and_rows_part_where_nights_are_missing(facts):
    places = map_plot.row_places([r["night"] for r in facts["map"]["nights"]])
    assert np.diff(places).tolist() == pytest.approx([1, 1, 1.45, 1, 1])
    figure = plots.describe("season_map", {}, facts)
    numbers = [t for t in figure["data"] if t["name"] == "number"]
    rates = [round(v) for r in facts["map"]["nights"] for v, e in zip(r["rate_per_h"], r["exposure_s"], strict=True)
             if e >= 0.6 * 3600]  # fmt: skip
    assert sorted(int(text) for t in numbers for text in t["text"]) == sorted(rates)


def test_shades_are_fifths_of_the_highest_rate_and_none_where_nobody_came():
    shades = map_plot.shades(np.array([0, 1, 20, 21, 60, 61, 100, 130, np.nan]), 100.0)
    a, b, c, d, e = map_plot.SHADES
    assert shades.tolist() == [0, a, a, b, c, d, e, e, 0]
    assert not [s for s in map_plot.SHADES if 0.35 < s < 0.7], "neither ink nor ground could be read there"


def test_marks_of_hours_nights_and_weeks_are_those_of_the_facts(facts):
    hours = facts["hours"]["sunset"]
    marks = traces(facts, "season_hours")["visits per hour"]
    assert list(marks["y"]) == pytest.approx([r["rate_per_h"]["value"] for r in hours])
    assert list(marks["y"] + marks["error_y"]["array"]) == pytest.approx([r["rate_per_h"]["hi"] for r in hours])
    marks = traces(facts, "season_nights")
    assert list(marks["visits per hour"]["y"]) == [r["rate_per_h"]["value"] for r in facts["nights"]]
    assert len(marks["moon"]["x"]) == len(DAYS)
    for head, trace in traces(facts, "season_delay").items():
        told = [r["latency_us"]["beam_flash"][head]["value"] / 1000 for r in facts["nights"]]
        assert list(trace["y"]) == pytest.approx(told)
    assert set(traces(facts, "season_recycle")) == {"left", "right", "back"}
    both = plots.describe("season_compare", {}, facts)["data"]
    assert [list(t["y"]) for t in both] == [[r["rate_per_h"]["value"] for r in hours]] * 2


def test_a_change_of_the_delay_over_the_weeks_is_found_where_one_was_put_in(nights):
    moved = [dataclasses.replace(n, rig=json.loads(json.dumps(n.rig))) for n in nights[0]]
    for day, n in zip(DAYS, moved, strict=True):
        n.rig["latency_us"]["beam_flash"]["left"]["value"] += 20 * day
    facts = season_facts.season_facts(moved, nights[1])
    e = facts["drift"]["latency_us"]["beam_flash"]["left"]
    assert e["lo"] < 140 < e["hi"] and e["lo"] > 100 and e["n"] == len(DAYS)
    assert "left" in facts["figures"]["season_delay"]["title"] and "moves" in facts["figures"]["season_delay"]["title"]


def test_weekly_change_covers_the_true_one_as_often_as_it_says():
    rng, day = np.random.default_rng(3), np.arange(0, 20, 2.0)
    found = [season_drift.weekly(day, 100 + 3 * day + rng.normal(0, 5, len(day))) for _ in range(400)]
    assert 0.92 < np.mean([e["lo"] < 21 < e["hi"] for e in found]) < 0.98
    assert season_drift.weekly(day[:4], day[:4])["value"] is None
    assert season_drift.weekly(np.zeros(9), np.arange(9.0))["value"] is None


def test_cells_count_visits_and_sight():
    night = NightView("a", 0, np.array([10.0, 20.0, 4000.0]), (0.0, 5400.0), np.array([[0.0, 1800.0]]))
    dark = NightView("b", 0, np.zeros(0), (0.0, 0.0), np.zeros((0, 2)))
    found = season_map.cells([night, dark], 3600.0)
    assert found["edges_s"].tolist() == [0, 3600, 7200] and found["n"].tolist() == [[2, 1], [0, 0]]
    assert found["exposure_s"].tolist() == [[1800, 1800], [0, 0]]
    assert found["rate_per_h"][0].tolist() == [4, 2] and np.isnan(found["rate_per_h"][1]).all()
    assert (found["lo"][0] < [4, 2]).all() and (found["hi"][0] > [4, 2]).all()
    assert season_map.cells([dark], 3600.0)["n"].shape == (1, 0)


@pytest.mark.parametrize("days, status", [((), "nothing"), ((0,), "few"), ((0, 1), "few")])
def test_few_nights_say_so_and_rank_nothing(nights, days, status):
    few = [n for n in nights[0] if n.date in {date_of(d) for d in days}]
    facts = season_facts.season_facts(few, nights[1])
    page = season_page(facts)
    assert facts["status"] == status and facts["answer"][0] in " ".join(read(page).text)
    assert unknown_numbers(page, facts) == []
    if status == "few":
        assert "cannot rank hours" in facts["answer"][1] and "first hint" in facts["answer"][0]
        assert "not told apart" not in traces(facts, "season_hours")


def test_an_empty_season_is_an_answer(tmp_path):
    folder = book(tmp_path / "b", (0, 1, 2), preset="empty-garden")
    facts = season_facts.season_of(folder)
    assert facts["status"] == "empty" and facts["answer"][0].startswith("Nobody came")
    text = " ".join(read(season_page(facts)).text)
    assert facts["answer"][0] in text and "No visits in the hours that were seen" in text
    assert "nan" not in text.lower().split()


def test_a_damaged_night_is_named_at_the_top_and_its_mark_is_hollow(tmp_path):
    folder = book(tmp_path / "b", (0, 1, 2))
    path = folder / log_name(1)
    path.write_bytes(flip(path.read_bytes(), 40_000))
    facts = season_facts.season_of(folder)
    assert facts["partial"] and facts["partial"][0] in " ".join(read(season_page(facts)).text)
    symbols = traces(facts, "season_nights")["visits per hour"]["marker"]["symbol"]
    assert [s.endswith("open") for s in symbols] == [False, True, False]


def test_notes_stand_beside_their_night_and_hostile_text_stays_text(nights):
    note = {"utc_us": 0, "time": "22:10", "what": "text", "head": 0, "text": HOSTILE, "said": HOSTILE}
    some = [dataclasses.replace(n, notes=[note], place={**n.place, "name": HOSTILE}) for n in nights[0][:3]]
    facts = season_facts.season_facts(some, {**nights[1], "path": HOSTILE})
    page = season_page(facts)
    reader = read(page)
    assert len(reader.scripts) == 4 and not any(tag == "img" for tag, *_ in reader.attributes)
    assert [row[2] for row in facts["sections"][2]["tables"][0]["rows"]] == [HOSTILE] * 3
    assert "<script>alert" not in page and "<img" not in without_library(page)


def test_days_are_called_days(nights):
    some = [dataclasses.replace(n, place={**n.place, "active": "day"}) for n in nights[0]]
    facts = season_facts.season_facts(some, nights[1])
    said = json.dumps([facts["answer"], facts["sections"][0], facts["figures"]["season_nights"]["title"]])
    assert "days" in said and "night" not in said


def test_hours_of_each_night_are_a_table_too(facts):
    table = season_tables.season_tables(facts)["season_night_hours"]
    assert len(table) == len(DAYS) * (len(facts["map"]["edges_s"]) - 1)
    assert table["n"].sum() == facts["totals"]["n"]
    assert np.array_equal(table["rate_per_h"].isna().to_numpy(), table["exposure_s"].to_numpy() == 0)


@pytest.mark.parametrize("labels, names", [
    (["a/b/logbook"], ["logbook"]), (["x/one/logbook", "x/two/logbook"], ["one", "two"]),
    (["a", "a"], ["a (1)", "a (2)"]), (["c:\\n\\p", "c:\\n\\q"], ["p", "q"]), (["l b1", "l b2"], ["l b1", "l b2"]),
])  # fmt: skip
def test_short_names_tell_rigs_apart(labels, names):
    assert short_names(labels) == names
