"""Inputs that look wrong: what the board's own code finds on a scene, and how the host words it everywhere."""

import json

import pytest
from click.testing import CliRunner
from duskgate import faults
from duskgate.cli import main
from duskgate.logfile.decode import decode_blocks
from duskgate.report.board_faults import noted
from duskgate.report.open_night import open_night
from duskgate.timebase.clock import fit_clock

from tests import fakes
from tests.contract import board_here
from tests.contract.board_here import BoardHere
from tests.contract.test_contract_link import linked
from tests.contract.test_contract_log import recording


def numbers() -> dict[str, int]:
    from core import faults as board

    return {name: value for name, value in vars(board).items() if name.isupper() and isinstance(value, int)}


def test_the_host_has_words_for_every_fault_of_the_board():
    told = numbers()
    assert len(set(told.values())) == len(told) >= 23
    for name, number in told.items():
        said = faults.words(number, 3)
        assert "does not know" not in said.text and said.todo, name
    assert "does not know" in faults.words(max(told.values()) + 1, 3).text


def test_both_sides_number_the_inputs_faults_alike():
    told = numbers()
    for name in ("INPUT_NEW", "INPUT_LONG", "INPUT_TWINS", "INPUT_HUM", "INPUT_CHATTER", "INPUT_SILENT"):
        assert told[name] == getattr(faults, name)
    assert told["CHANNEL"] == faults.UNDRIVEN


@pytest.mark.parametrize(("mask", "names"), [(1, "BEAM"), (5, "BEAM and SYNC"), (56, "FLASH1, FLASH2 and FLASH3")])
def test_names_of_a_mask(mask, names):
    assert faults.names(mask) == names


SCENES = {
    "broken from the start": ([(1.0, 0, 1)], 18, "BEAM", "likely aim, polarity"),
    "two wires are one": (
        [row for k in range(30) for row in ((20.0 + k, 0, 5), (20.4 + k, 0, 0))], 20, "BEAM and SYNC", "likely a short",
    ),
    "mains": (
        [row for k in range(3000) for row in ((20.0 + k / 100, 0, 2), (20.005 + k / 100, 0, 0))], 21, "BEAM2",
        "100 Hz: likely lamplight",
    ),
    "a sensor that stays dark": (
        [row for k in range(40) for row in ((20.0 + k, 0, 1 | 8), (20.4 + k, 0, 1), (20.5 + k, 0, 0))], 23, "FLASH2",
        "likely a wire off",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SCENES)
def test_a_mistake_is_in_the_state_and_in_the_log(tmp_path, name):
    more, number, inputs, likely = SCENES[name]
    path = fakes.scene_file(tmp_path / "scene", 420.0, more=more)
    board = BoardHere(path, tmp_path / "flash", channels=0x9F)
    seen: set[tuple[int, int]] = set()
    for _ in range(board_here.MOST_STEPS):
        if board.board.pace._ended:
            break
        board.station.step()
        seen |= {tuple(row) for row in board.station.inputs.found()}
    state = linked(board).state()
    assert all(isinstance(row, list) and len(row) == 2 for row in state["inputs"])
    found = [faults.words(*row) for row in seen if row[0] == number]
    assert len(found) == 1 and inputs in found[0].text and likely in found[0].text, seen
    rec = recording(tmp_path, board)
    rows = noted(rec, fit_clock(rec), None)
    assert [(row["number"], row["detail"] & 0x7F) for row in rows if row["number"] == number] == [
        (number, found[0].channels)
    ]
    assert all(row["utc_us"] for row in rows)


def test_the_night_page_names_them_and_what_to_do(tmp_path):
    path = fakes.scene_file(tmp_path / "scene", 420.0, more=SCENES["broken from the start"][0])
    board = BoardHere(path, tmp_path / "flash", channels=0x9F)
    board.play()
    recording(tmp_path, board)
    facts = open_night(tmp_path / "book").facts
    (fault,) = [f for f in facts["log"]["faults"] if f["number"] == 18]
    assert fault["n"] == 1 and fault["input"] and "BEAM active since the start" in fault["text"]
    assert any("The board noted: BEAM" in said for s in facts["sections"] for said in s["says"])
    assert any("Look at an input" in row["what"] for row in facts["tonight"])
    done = CliRunner().invoke(main, ["night", str(tmp_path / "book"), "--page", str(tmp_path / "n.html"), "--json"])
    assert done.exit_code in (0, 5), done.output
    assert json.loads(done.stdout)["log"]["faults"][0]["number"] == 18
    page = (tmp_path / "n.html").read_text(encoding="utf-8")
    assert 'id="table-faults"' in page and "likely aim, polarity or a short to ground" in page


def test_faults_without_a_time_of_day_are_kept_unless_a_night_is_chosen():
    rows = [fakes.record(5, 0x02, 0x7F), fakes.record(9, 0x40), fakes.record(125_000_000, 0x41)]
    rows += [fakes.record(10, 0x03), fakes.record(18 | 1 << 16, 0x78)]
    rec = decode_blocks(fakes.block(rows))
    clock = fit_clock(rec)
    assert noted(rec, clock, None) == [{"number": 18, "detail": 1, "utc_us": None}]
    assert noted(rec, clock, (0, 1 << 62)) == []
