"""The hardware notes say what firmware/wiring.py says: drawings, pin table, calculated values; links lead somewhere."""

import importlib
import re
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

ROOT = Path(__file__).resolve().parents[2]
NOTES = ROOT / "hardware_notes"
SVG = "{http://www.w3.org/2000/svg}"
PAGES = sorted(NOTES.glob("*.md"))
DRAWINGS = sorted((NOTES / "drawings").glob("*.svg"))
# Constants of wiring.py that are no pins; a new one has to be put here or drawn.
NOT_PINS = {
    "CHANNELS", "FIRST_INPUT", "INPUTS", "I2C", "CLOCK_CHIP",
    "STATE_MACHINE", "RING_BITS", "CYCLES_PER_TICK", "CRASHES",
    "PULSE_STATE_MACHINE", "PULSE_RING_BITS", "FIRST_FLASH",
}
NOT_PIN_UNITS = ("_HZ", "_MS", "_US", "_NS", "_OHM", "_MV")


def module(name):
    """A module of hardware_notes, which is no package that is installed."""
    sys.path.insert(0, str(NOTES))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.remove(str(NOTES))


@pytest.fixture(scope="module")
def pins():
    return module("sheets.pins").Pins()


@pytest.fixture(scope="module")
def wiring():
    """wiring.py run here by itself, so that the reader in hardware_notes is not its own judge."""
    names: dict = {}
    exec((ROOT / "firmware" / "wiring.py").read_text(encoding="utf-8"), names)
    return {name: value for name, value in names.items() if name.isupper()}


def pin_numbers(wiring):
    """Constant or channel -> GP number (or the name of an on-board light)."""
    found = {name: wiring["FIRST_INPUT"] + bit for bit, name in enumerate(wiring["CHANNELS"])}
    for name, value in wiring.items():
        if name not in NOT_PINS and not name.endswith(NOT_PIN_UNITS):
            found[name] = value
    return found


def texts(path):
    return ["".join(t.itertext()) for t in ElementTree.parse(path).iter(f"{SVG}text")]


def test_files_are_what_the_script_makes_of_todays_wiring():
    draw = module("draw")
    made = draw.outputs_of(draw.Pins())
    stale = [path.name for path, text in made.items() if path.read_text(encoding="utf-8") != text]
    assert not stale, f"run python hardware_notes/draw.py: {stale}"
    assert {path.name for path in DRAWINGS} == {path.name for path in made if path.suffix == ".svg"}


def test_a_moved_pin_would_be_noticed(tmp_path):
    draw, sheets_pins = module("draw"), module("sheets.pins")
    moved = tmp_path / "wiring.py"
    text = (ROOT / "firmware" / "wiring.py").read_text(encoding="utf-8")
    moved.write_text(re.sub(r"^SHOT = \d+", "SHOT = 14", text, flags=re.M), encoding="utf-8")
    changed = [
        path.name
        for path, made in draw.outputs_of(sheets_pins.Pins(moved)).items()
        if path.read_text(encoding="utf-8") != made
    ]
    assert {"board.svg", "shot.svg", "rig.svg", "pins.md"} == set(changed)


def test_every_pin_is_on_the_board_drawing_at_its_place(wiring):
    sheets_pins = module("sheets.pins")
    written = texts(NOTES / "drawings" / "board.svg")
    tree = ElementTree.parse(NOTES / "drawings" / "board.svg")
    rows = {"".join(t.itertext()): float(t.attrib["y"]) for t in tree.iter(f"{SVG}text")}
    shown = {"SUPPLY_ADC": "SUPPLY", "PULSE_ADC": "PULSE"}
    for name, number in pin_numbers(wiring).items():
        if isinstance(number, str):
            assert number in written, f"{name}: {number} is not on the drawing"
            continue
        label = shown.get(name, name)
        place = sheets_pins.LAYOUT[number]
        beside = f"{place}  GP{number}" if place <= 20 else f"GP{number}  {place}"
        assert label in rows and beside in rows, f"{name} at GP{number} is not on the drawing"
        assert rows[label] == rows[beside], f"{name} does not stand at GP{number}"


def test_layout_is_the_common_40_pin_one():
    """Pin 1 is GP0, ground after every fourth pin, likewise from GP16 up to GP22 (board data sheets)."""
    layout = module("sheets.pins").LAYOUT
    for gp in range(16):
        assert layout[gp] == gp + 1 + (gp + 2) // 4, gp
    assert [layout[gp] for gp in (16, 17, 18, 19, 20, 21, 22)] == [21, 22, 24, 25, 26, 27, 29]
    assert [layout[gp] for gp in (26, 27, 28)] == [31, 32, 34]


def test_the_pin_table_lists_every_pin(wiring):
    page = (NOTES / "pins.md").read_text(encoding="utf-8")
    for name, number in pin_numbers(wiring).items():
        label = {"SUPPLY_ADC": "SUPPLY", "PULSE_ADC": "PULSE"}.get(name, name)
        where = number if isinstance(number, str) else f"GP{number}"
        assert re.search(rf"^\| {where} \|[^|]*\| {label} \|", page, flags=re.M), f"{name} is not in the table"


@pytest.mark.parametrize("path", DRAWINGS, ids=lambda p: p.stem)
def test_drawing_stands_alone(path):
    root = ElementTree.parse(path).getroot()
    assert root.tag == f"{SVG}svg"
    assert "".join(root.find(f"{SVG}title").itertext()) and "".join(root.find(f"{SVG}desc").itertext())
    colours = set()
    for element in root.iter():
        assert element.tag not in {f"{SVG}{t}" for t in ("image", "script", "use", "style", "a", "foreignObject")}
        for key, value in element.attrib.items():
            assert "href" not in key and "url(" not in value and "://" not in value, f"{key}={value}"
            if key in ("fill", "stroke"):
                colours.add(value)
    assert colours <= {"black", "white", "none"}
    text = path.read_text(encoding="utf-8")
    assert "<?" not in text and "<!" not in text and text.count("://") == 1  # the name space alone


def test_no_text_lies_on_another(pins):
    draw, canvas = module("draw"), module("sheets.canvas")
    for name, make in draw.DRAWINGS.items():
        assert not canvas.overlaps(make(pins)), name


def test_the_overlap_check_sees_one():
    canvas = module("sheets.canvas")
    sheet = canvas.Sheet(200, 100, "a", "b")
    sheet.text(20, 80, "one text")
    assert not canvas.overlaps(sheet)
    sheet.text(30, 84, "another")
    sheet.text(150, 60, "too far to the right")
    assert len(canvas.overlaps(sheet)) == 2


def slug(heading):
    """Anchor of a heading as common Markdown viewers make it."""
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


@pytest.mark.parametrize("path", PAGES, ids=lambda p: p.stem)
def test_links_resolve(path):
    text = path.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)]+)\)", text):
        assert "://" not in target, f"{path.name}: {target} needs a network"
        name, _, anchor = target.partition("#")
        aim = path.parent / name if name else path
        assert aim.exists(), f"{path.name}: {target} leads nowhere"
        if anchor:
            headings = re.findall(r"^#+ (.+)$", aim.read_text(encoding="utf-8"), flags=re.M)
            assert anchor in [slug(h) for h in headings], f"{path.name}: no heading for {target}"


def test_every_page_is_in_the_index_and_every_drawing_on_a_page():
    index = (NOTES / "README.md").read_text(encoding="utf-8")
    for path in PAGES:
        assert path.name == "README.md" or f"({path.name})" in index, path.name
    for path in DRAWINGS:
        assert f"(drawings/{path.name})" in index, path.name


def test_markers_that_are_gone_are_an_error_with_a_cure():
    draw = module("draw")
    with pytest.raises(ValueError, match=r"pins\.md: no line .* put both back"):
        draw.between("no markers here", "pins", ["x"], "pins.md")
