"""The README's pictures show what the pages say today, are small, and are all there."""

import json
import struct

import pytest

from tests.browser.pictures import FOLDER, INPUTS, MOST_BYTES, PICTURES, ROOT, hashes, pages, shown, steps

AGAIN = "make the pictures anew: python tests/browser/pictures.py"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return pages(tmp_path_factory.mktemp("pictures"), {one.page for one in PICTURES.values()})


def test_what_the_pictures_show_still_stands_on_the_pages(made):
    recorded, today = json.loads(INPUTS.read_text(encoding="utf-8")), hashes(made)
    assert set(recorded) == set(today) == set(PICTURES), AGAIN
    assert [name for name in PICTURES if recorded[name] != today[name]] == [], f"these are out of date; {AGAIN}"


def test_each_picture_is_a_small_png_of_its_width_and_stands_in_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert {path.stem for path in FOLDER.glob("*.png")} == set(PICTURES)
    for name, one in PICTURES.items():
        data = (FOLDER / f"{name}.png").read_bytes()
        assert data[:8] == b"\x89PNG\r\n\x1a\n" and len(data) <= MOST_BYTES, name
        assert struct.unpack(">I", data[16:20])[0] == one.width, name  # IHDR, PNG specification, section 11.2.1
        assert f"](.pictures/{name}.png)" in readme, name


def test_another_word_or_another_point_gives_another_hash(made):
    text, until = made["season"].read_text(encoding="utf-8"), PICTURES["season"].until
    before = shown(text, until)
    heading = text.index("<h1>") + 4
    assert shown(text[:heading] + "Another " + text[heading:], until) != before
    assert shown(text + "<!-- below the picture -->", until) == before
    figures = text.index('id="figures">')
    value = text.index('"hovertext":', figures)
    assert value > 0
    other = text[:figures] + text[figures:].replace('"type":"', '"type":"x', 1)
    assert shown(other, until) != before


def test_the_last_digits_of_a_number_do_not_count():
    import numpy as np

    row = np.array([1.0, 2.0, np.nan, 3.5, 1e9])
    assert steps(row) == steps(row * (1 + 1e-13)) and steps(row) != steps(row + np.array([0, 0, 0, 3e8, 0]))
