"""Figures: what is drawn is what the tables hold, with intervals, in colours that survive colour blindness."""

import itertools

import numpy as np
import pytest
from duskgate import plots
from duskgate.plots import night_axis, style
from duskgate.plots.misses import chance
from duskgate.report.facts import night_facts

from tests.host.sample_night import LOG, SITE, START, sample_night, sample_sky


@pytest.fixture(scope="module")
def night():
    found = sample_night()
    return found, night_facts(found, SITE, sample_sky(), LOG)


def traces(night, name):
    found, facts = night
    figure = plots.build(name, found.tables, facts)
    return figure, {t.name: t for t in figure.data}


def test_every_figure_of_the_facts_can_be_built_with_title_and_units(night):
    found, facts = night
    other = [name for name in plots.FIGURES if name.startswith("season_") or name == "pulse"]  # see test_pulse_page
    assert list(facts["figures"]) == [name for name in plots.FIGURES if name not in other]
    for name in facts["figures"]:
        figure = plots.build(name, found.tables, facts)
        assert figure.layout.title.text == style.plain(facts["figures"][name]["title"])
        assert figure.layout.xaxis.title.text and figure.layout.yaxis.title.text


def test_each_visit_is_one_mark_in_the_row_of_what_the_flashes_did(night):
    _, by = traces(night, "visits")
    caught = night[0].tables["visits"]["caught"].value_counts()
    assert {n: len(by[n].x) for n in ("all heads lit", "some heads lit", "no light")} == {
        "all heads lit": caught["yes"],
        "some heads lit": caught["partly"],
        "no light": caught["no"],
    }
    symbols = {by[n].marker.symbol for n in ("all heads lit", "some heads lit", "no light")}
    assert len(symbols) == 3, "shape says it besides colour"
    assert by["all heads lit"].hovertext[0].startswith("At ") and by["all heads lit"].hovertext[0].endswith(".")


def test_rates_without_sight_have_no_mark_and_few_visits_are_hollow(night):
    _, by = traces(night, "rate")
    rates = night[0].tables["rates"]
    marks = by["visits per hour"]
    assert len(marks.x) == int((rates["exposure_s"] > 0).sum()) == len(rates) - 1
    n = rates.loc[rates["exposure_s"] > 0, "n"].to_numpy()
    assert [s == "circle-open" for s in marks.marker.symbol] == list(n < 5)
    assert np.all(marks.error_y.array >= 0) and np.any(marks.error_y.array > 0)
    assert "no sight" in by, "blind times are hatched"
    assert by["no sight"].marker.pattern.shape == "/"


def test_delays_draw_every_answered_firing_of_each_head_and_both_quantiles(night):
    figure, by = traces(night, "delay")
    fires = night[0].tables["fires"]
    for k in (1, 2, 3):
        assert len(by[f"FLASH{k}"].x) == int(fires.loc[fires["kind"] == "answered", f"latency{k}_us"].notna().sum())
    quantiles = [t for t in figure.data if t.name in ("median", "p95")]
    assert len(quantiles) == 6 and all(t.error_x.array[0] > 0 for t in quantiles)


def test_misses_draw_shares_with_intervals_and_one_curve_per_head(night):
    figure, by = traces(night, "misses")
    assert len(by["all heads lit (share)"].x) == len(night[1]["answered_by_gap"])
    assert sum("chance to be ready" in t.name for t in figure.data) == 3
    assert len({t.line.dash for t in figure.data if "chance" in t.name}) == 3


def test_the_curve_passes_through_its_own_points():
    at = chance(np.array([0.9, 1.2]), 0.9, 1.2, 0.02)
    assert at == pytest.approx([0.98 * 0.5, 0.98 * 0.95], abs=1e-6)


def test_supply_marks_the_cut_off_and_the_interval_of_the_forecast(night):
    figure, by = traces(night, "supply")
    assert len(by["reading"].x) == len(night[0].tables["supply"])
    assert figure.layout.shapes[0].y0 == 3300
    forecast = by["cut-off reached"]
    assert forecast.error_x.array[0] == pytest.approx(4 * 3.6e6) and forecast.error_x.arrayminus[0] == pytest.approx(
        4 * 3.6e6
    )


@pytest.mark.parametrize(("least_h", "words"), [(9.44, "at least 9.4 h"), (80.0, "at least 80 h, beyond this axis")])
def test_a_least_time_is_a_mark_at_its_end_and_no_level_line(least_h, words):
    found = sample_night()
    found.estimates["supply"]["logger"]["hours_left"] = {"at_least_h": least_h}
    figure, by = traces((found, night_facts(found, SITE, sample_sky(), LOG)), "supply")
    assert set(by) == {"reading", "lasts at least until here"}
    mark = by["lasts at least until here"]
    end_ms = float(np.max(by["reading"].x)) + min(least_h, 36.0) * 3.6e6
    assert float(mark.x[0]) == pytest.approx(end_ms, abs=70_000) and mark.y[0] == 3300
    assert words in mark.text[0] and mark.marker.symbol == "triangle-right-open"
    upright = [s for s in figure.layout.shapes if s.x0 == s.x1]
    assert len(upright) == (least_h < 36.0) and all(s.x0 == mark.x[0] for s in upright)


def test_circles_of_false_triggers_count_every_one_of_them(night):
    _, by = traces(night, "false")
    kinds = night[0].tables["breaks"]["kind"].value_counts()
    assert sum(int(t) for t in by["insects"].text) == kinds["insect"]
    assert sum(int(t) for t in by["light without a break"].text) == 4
    area = by["insects"].marker.size.astype(float) ** 2
    n = np.array([int(t) for t in by["insects"].text])
    big = area > 6.0**2
    assert np.ptp(area[big] / n[big]) < 0.1 * (area[big] / n[big]).mean()


def test_blind_times_are_hatched_bars_of_their_length(night):
    figure, _ = traces(night, "blind")
    bar = next(t for t in figure.data if t.marker.pattern.shape)
    assert bar.x[0] == pytest.approx(1_800_000) and len(figure.data) == 2


def test_thinning_draws_every_k_th():
    found = sample_night(4000)
    facts = night_facts(found, SITE, None, LOG)
    by = {t.name: t for t in plots.build("visits", found.tables, facts).data}
    n, step = int((found.tables["visits"]["caught"] == "yes").sum()), facts["figures"]["visits"]["draw_every"]
    assert step == 3 and len(by["all heads lit"].x) == -(-n // step)


def test_times_are_local_and_vectorised():
    facts = {"local": {"offset_s": 7200}}
    assert list(night_axis.clock([START, START + 61_000_000], facts)) == ["20:30:00", "20:31:01"]
    assert night_axis.local_ms([START], facts)[0] == START / 1000 + 7_200_000


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition of relative luminance)."""
    c = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(a: str, b: str) -> float:
    one, two = sorted((luminance(a), luminance(b)), reverse=True)
    return (one + 0.05) / (two + 0.05)


def test_roles_have_colours_of_their_own_so_that_looks_can_be_swapped():
    day = [c[0] for c in style.ROLES.values()]
    assert len(set(day)) == len(day)
    assert set(style.swaps()["red"]) == set(day)


@pytest.mark.parametrize("look", [0, 2])
def test_words_stand_out_from_every_sky_behind_them(look):
    """4.5 : 1 for text (WCAG 2.2, success criterion 1.4.3)."""
    grounds = [c[look] for role, c in style.ROLES.items() if role.startswith("sky") or role == "ground"]
    assert min(contrast(style.ROLES["ink"][look], g) for g in grounds) >= 7
    assert contrast(style.ROLES["soft"][look], style.ROLES["ground"][look]) >= 4.5


def test_the_dim_red_look_is_red_and_dim():
    for role, (_, red, _) in style.ROLES.items():
        r, g, b = (int(red[k : k + 2], 16) for k in (1, 3, 5))
        assert g <= 0.36 * r and b <= 0.25 * r, role
    assert contrast(style.ROLES["ink"][1], style.ROLES["ground"][1]) >= 4.5


def test_marks_stand_out_from_the_ground_by_lightness_alone():
    """3 : 1 for graphical objects (WCAG 2.2, success criterion 1.4.11)."""
    for role in ("full", "part", "none", "other", "frame"):
        assert contrast(style.ROLES[role][0], style.ROLES["ground"][0]) >= 3, role


def test_line_styles_and_shapes_differ():
    assert all(a != b for a, b in itertools.combinations(style.DASHES, 2))
    assert len(set(style.SYMBOLS)) == len(style.SYMBOLS)


def test_the_sky_stands_in_words_under_the_visits(night):
    figure, by = traces(night, "visits")
    bands, row = night[1]["sky"]["bands"], by["twilight"]
    assert list(row.hovertext) and all(text.endswith(".") and " from " in text for text in row.hovertext)
    inside = [b for b in bands if b["end_utc_us"] > night[1]["night"]["start_utc_us"]]
    inside = [b for b in inside if b["start_utc_us"] < night[1]["night"]["end_utc_us"]]
    assert [t.split(" from ")[0].lower() for t in row.hovertext] == [b["name"] for b in inside]
    assert by["moon"].hovertext[0].startswith("The moon is up from ")
    assert any(a.text.startswith("| sunset ") for a in figure.layout.annotations)


def test_an_interval_of_a_blind_bin_does_not_press_the_others_flat(night):
    found, facts = night
    tables = dict(found.tables)
    rates = tables["rates"].copy()
    seen = rates.index[rates["exposure_s"] > 0]
    rates.loc[seen[3], ["exposure_s", "hi"]] = [12.0, 4321.0]
    tables["rates"] = rates
    figure = plots.build("rate", tables, facts)
    others = rates.loc[seen.drop(seen[3])]
    assert float(others["hi"].max()) < figure.layout.yaxis.range[1] < 1.2 * float(others["hi"].max())
    assert [a.text for a in figure.layout.annotations if "up to" in a.text] == [" up to 4321"]
    columns = next(t for t in figure.data if t.name == "columns")
    assert len(columns.y) == len(seen) and columns.hoverinfo == "skip"


def test_a_lone_point_of_answers_has_a_readable_axis(night):
    found, facts = night
    alone = {**facts, "answered_by_gap": [{**facts["answered_by_gap"][0], "gap_mid_s": 0.78}]}
    axis = plots.build("misses", found.tables, alone).layout.xaxis
    assert sum(axis.range[0] <= np.log10(t) <= axis.range[1] for t in axis.tickvals) >= 2
