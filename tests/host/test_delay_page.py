"""The delay's page: it says only what the facts say, its figures draw the facts, and its picture is to scale."""

import json
import re

import numpy as np
import pytest
from duskgate import plots
from duskgate.report import delay_facts, delay_scene
from duskgate.report.page import delay_page

from tests.cli.season_books import book
from tests.cli.test_delay import dark_capture, lit_capture
from tests.host.test_page import HOSTILE, read, without_library
from tests.host.test_season_page import unknown_numbers


@pytest.fixture(scope="module")
def books(tmp_path_factory):
    folder = tmp_path_factory.mktemp("d")
    return [book(folder / "one" / "logbook", (0, 1)), book(folder / "cam" / "logbook", (0,), preset="guided-evening")]


@pytest.fixture(scope="module")
def one(books):
    return delay_facts.delays_of([books[0]])


@pytest.fixture(scope="module")
def two(books):
    return delay_facts.delays_of([books[0], books[0], books[1]])


def drawn(facts, name):
    return plots.describe_rigs(name, facts)


@pytest.mark.parametrize("which", ["one", "two"])
def test_every_number_on_the_page_is_in_the_facts(which, request):
    facts = request.getfixturevalue(which)
    page = delay_page(facts)
    assert unknown_numbers(page, facts) == []
    reader = read(page)
    assert reader.levels[0] == 1 and all(b - a <= 1 for a, b in zip(reader.levels, reader.levels[1:], strict=False))
    assert not re.search(r"https?:|\bsrc=|@import|url\(", without_library(page))
    assert not [a for a in reader.attributes if a[1] == "style"], "the policy refuses style attributes"
    labels = [v for _, name, v in reader.attributes if name == "aria-label"]
    assert [f["alt"] for f in facts["figures"].values() if f["alt"] not in labels] == []
    assert all(f["table"]["rows"] for f in facts["figures"].values())


def test_lanes_hold_every_firing_and_marks_are_the_quantiles(one):
    found = one["shapes"]["beam_flash"]
    heads = one["rigs"][0]["paths"]["beam_flash"]["heads"]
    assert [lane["head"] for lane in found["lanes"]] == list(heads)
    for lane in found["lanes"]:
        assert sum(lane["in_bin"]) + lane["before"] + lane["beyond"] == lane["n"] == heads[lane["head"]]["median"]["n"]
    figure = drawn(one, "delay_beam_flash")
    marks = [t["x"][0] for t in figure["data"] if t["name"] == "median"]
    assert marks == pytest.approx([q["median"]["value"] / 1000 for q in heads.values()])
    bins = [t for t in figure["data"] if t["type"] == "bar"]
    assert [len(t["y"]) for t in bins] == [sum(n > 0 for n in lane["in_bin"]) for lane in found["lanes"]]
    lo, hi = figure["layout"]["xaxis"]["range"]
    assert all(lo < x < hi for t in bins for x in t["x"])


def test_late_answers_and_medians_over_time_are_those_of_the_facts(one):
    found = one["rigs"][0]["paths"]["beam_flash"]
    late = next(m for m in found["modes"] if m["what"] == "late")
    assert sum(found["late"]["n"]) == round(late["share"]["value"] * late["share"]["n"]) > 0
    figure = drawn(one, "delay_time_0")
    for trace in figure["data"]:
        told = [r["heads"][trace["name"]]["value"] / 1000 for r in found["by_time"]]
        assert list(trace["y"]) == pytest.approx(told) and len(told) == 2
    assert [r["when"] for r in found["by_time"]] == one["rigs"][0]["nights"]


def test_a_single_night_is_parted_by_its_own_hours(two):
    rows = two["rigs"][2]["paths"]["beam_camera"]["by_time"]
    assert len(rows) == 6 and all(re.fullmatch(r"\d\d:\d\d to \d\d:\d\d", r["when"]) for r in rows)
    n = [r["heads"]["left"]["n"] for r in rows]
    assert max(n) - min(n) < 0.2 * max(n)


def test_rigs_stand_side_by_side_on_one_axis_with_their_differences(two):
    lanes = two["figures"]["delay_beam_flash"]["lanes"]
    assert len(lanes) == 6 and [lane["name"].split(",")[0] for lane in lanes] == ["one (1)"] * 3 + ["one (2)"] * 3
    table = next(s for s in two["sections"] if s["id"] == "rigs")["tables"][0]
    assert len(table["rows"]) == 3, "the camera's rig shares no path with the first"
    assert len({t["marker"]["color"] for t in drawn(two, "delay_beam_flash")["data"] if t["type"] == "bar"}) == 2
    assert delay_page(two).count('<svg class="scene"') == 3


def test_the_picture_is_to_scale(one):
    space, scene = one["rigs"][0]["space"], one["rigs"][0]["scene"]
    page = delay_page(one)
    svg = page[page.index('<svg class="scene"') : page.index("</svg>", page.index('<svg class="scene"'))]
    left, top, width, height = (float(v) for v in re.search(r'viewBox="([^"]+)"', svg)[1].split())
    at = [(float(a), float(b)) for a, b in re.findall(r"translate\(([\d.-]+) 0\) scale\(([\d.]+)\)", svg)]
    assert at == [(0, 42), (pytest.approx(space["lead"]["way_mm"]["value"]), 42)]
    boxes = re.findall(r'class="(\w+)" x="([\d.-]+)" y="[\d.-]+" width="([\d.]+)"', svg)
    bars = {c: (float(x), float(w)) for c, x, w in boxes}
    near = space["depth"]["near_mm"] - space["depth"]["distance_mm"]
    assert bars["depth"] == pytest.approx((scene["way_mm"] + near, space["depth"]["total_mm"]))
    assert bars["places"] == pytest.approx((space["lead"]["spread"]["from_mm"], space["lead"]["spread"]["width_mm"]))
    assert f"h{scene['scale_mm']}" in svg and f">{scene['scale_mm']:g} mm<" in svg
    assert left < -42 and left + width > space["lead"]["late_mm"] and top < -0.9 * 42 and height > 42


def test_the_outline_is_one_body_long():
    for path in (delay_scene.OUTLINE, *delay_scene.WINGS):
        x = [float(v) for v in re.findall(r"(-?[\d.]+),", path)]
        assert min(x) >= -1.01 and max(x) <= 0.01
    assert min(float(v) for v in re.findall(r"(-?[\d.]+),", delay_scene.OUTLINE)) == -1


@pytest.mark.parametrize("about, length", [(25, 20), (9.9, 5), (1.0, 1), (0.4, 0.2), (130, 100)])
def test_scale_bars_are_round(about, length):
    assert delay_scene.scale_length(about) == pytest.approx(length)


def changed(facts, **space):
    """The space of the first rig with some of its facts changed."""
    return json.loads(json.dumps(facts["rigs"][0]["space"])) | space


def test_pictures_without_animal_depth_or_way(one):
    bare = delay_scene.scene_facts(changed(one, animal={"label": "animal", "body_length_mm": None}))
    assert bare and "No animal is drawn" in bare["note"] and bare["width_mm"] > 8
    flat = delay_scene.scene_facts(changed(one, depth=None))
    assert flat and [r["what"] for r in flat["rows"]] == ["places", "late"]
    deep = changed(one)
    deep["depth"] |= {"far_mm": None, "total_mm": None}
    endless = delay_scene.scene_facts(deep)
    assert endless and "no far end" in endless["note"]
    assert delay_scene.scene_facts(changed(one, lead=None)) is None


def test_captures_with_little_or_no_light_get_a_page(tmp_path):
    for name, make, said in (("dark", dark_capture, "was not measured"), ("lit", lit_capture, "after the break")):
        (tmp_path / name).mkdir()
        facts = delay_facts.delays_of([make(tmp_path / name)])
        text = " ".join(read(delay_page(facts)).text)
        assert said in text and facts["answer"][0] in text and facts["rigs"][0]["scene"] is None
        assert np.all([w not in text.lower().split() for w in ("nan", "none.", "inf")])


def test_hostile_text_stays_text(books):
    rigs = delay_facts.read_rigs([books[0]])
    rigs[0].label = HOSTILE
    rigs[0].remarks = [HOSTILE]
    facts = delay_facts.delay_facts(rigs)
    facts["rigs"][0]["site"] = facts["rigs"][0]["scene"]["title"] = HOSTILE
    page = delay_page(facts)
    reader = read(page)
    assert len(reader.scripts) == 4 and not any(tag == "img" for tag, *_ in reader.attributes)
    assert "<script>alert" not in page and "<img" not in without_library(page)
