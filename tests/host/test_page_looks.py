"""The looks of a page: categories that colour-blind readers can part, contrast of the day, red alone in the dark."""

import itertools
import re

import numpy as np
import pytest
from duskgate.plots import style
from duskgate.report.whole_page import TEMPLATES

# Machado, Oliveira and Fernandes 2009, "A Physiologically-based Model for Simulation of Color Vision Deficiency",
# IEEE Transactions on Visualization and Computer Graphics 15(6), 1291-1298: severity 1.0, for linear RGB.
SEEN_BY = {
    "all cones": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
# Linear sRGB to CIE XYZ of D65 (IEC 61966-2-1), then CIELAB (CIE 15).
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
CSS = (TEMPLATES / "page.css").read_text(encoding="utf-8")
TEXT_ROLES = ("ink", "soft")
DAY, RED = 0, 1


def linear(colour: str) -> np.ndarray:
    c = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    t = TO_XYZ @ np.clip(rgb, 0, 1) / TO_XYZ.sum(axis=1)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(a: str, b: str) -> float:
    """Contrast ratio (WCAG 2.2, definition of contrast ratio)."""
    low, high = sorted(float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (a, b))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("eye", SEEN_BY)
def test_categories_differ_for_every_kind_of_colour_vision(eye):
    """CIELAB distance of 15 and more; 2.3 is just noticeable (Mahy, Van Eycken and Oosterlinck 1994)."""
    seen = {role: lab(np.array(SEEN_BY[eye]) @ linear(style.ROLES[role][DAY])) for role in style.CATEGORIES}
    near = {(a, b): float(np.linalg.norm(seen[a] - seen[b])) for a, b in itertools.combinations(seen, 2)}
    assert {pair: d for pair, d in near.items() if d < 15} == {}


def test_the_simulation_keeps_white_and_makes_red_and_green_alike():
    for matrix in SEEN_BY.values():
        assert np.array(matrix).sum(axis=1) == pytest.approx([1, 1, 1], abs=1e-5)
    red, green = (np.array(SEEN_BY["deutan"]) @ linear(c) for c in ("#c04040", "#5f7f40"))
    apart = np.linalg.norm(lab(linear("#c04040")) - lab(linear("#5f7f40")))
    assert np.linalg.norm(lab(red) - lab(green)) < 0.5 * apart


def pairs_of_the_style() -> set[tuple[str, str]]:
    """(text, ground) roles of each rule that sets either; what a rule leaves out it has from the page."""
    found = {("ink", "ground")}
    for body in re.findall(r"\{([^{}]*)\}", CSS):
        text = re.search(r"(?:^|;)color:var\(--(\w+)\)", body)
        ground = re.search(r"(?:^|;)background:var\(--(\w+)\)", body)
        if text or ground:
            found.add((text[1] if text else "ink", ground[1] if ground else "ground"))
    return found


def test_every_text_of_the_style_stands_out_from_its_ground_by_day():
    """4.5 : 1 (WCAG 2.2, success criterion 1.4.3, level AA)."""
    pairs = pairs_of_the_style()
    assert {("soft", "ground"), ("ground", "soft")} <= pairs, "the rules were found"
    weak = {(a, b): contrast(style.ROLES[a][DAY], style.ROLES[b][DAY]) for a, b in pairs}
    assert {pair: c for pair, c in weak.items() if c < 4.5} == {}


def test_words_and_marks_stand_out_from_the_page_and_from_every_sky():
    """4.5 : 1 for text, 3 : 1 for what has to be seen to understand a figure (WCAG 2.2, 1.4.3 and 1.4.11)."""
    grounds = [role for role in style.ROLES if role.startswith("sky_") or role == "ground"]
    for least, roles in ((4.5, ("ink",)), (3.0, (*style.CATEGORIES, "moon"))):
        for role, ground in itertools.product(roles, grounds):
            assert contrast(style.ROLES[role][DAY], style.ROLES[ground][DAY]) >= least, (role, ground)


def test_edges_of_controls_and_of_the_focus_stand_out():
    for role in ("soft", "ink", "frame"):
        assert contrast(style.ROLES[role][DAY], style.ROLES["ground"][DAY]) >= 3
    assert "outline:3px solid var(--frame)" in CSS


def test_the_dark_look_has_no_green_and_no_blue():
    assert {c[RED][3:] for c in style.ROLES.values()} == {"0000"}
    assert style.ROLES["ground"][RED] == "#000000"
    assert contrast(style.ROLES["ink"][RED], style.ROLES["ground"][RED]) >= 4.5


def test_the_style_names_no_colour_beside_the_roles():
    assert not re.search(r"#[0-9a-fA-F]{3,8}\b|\brgba?\(|\bhsla?\(", CSS)
    assert set(re.findall(r"var\(--([\w-]+)\)", CSS)) <= {role.replace("_", "-") for role in style.ROLES}
