"""`duskgate check` on the board: a rig in order, and mistakes played on its pins. All invented."""

import json
import time

import pytest

from . import figures
from .rig import BEAM, BEAM2, FLASHES, SYNC, Tool, breaks, pulse
from .scene import FIRST_INPUT

LOOKS = """
import time
from core import ticks, inputs
class Anchors:
    nominal = 13888888
class Capture:
    channels = 0xff
    anchors = Anchors()
    tick = 0
    def __init__(self):
        self.unroller = ticks.Unroller(8192, 0xff, 0x7f, 125000000, 9, 0)
        self.unroller.s[ticks.PREVIOUS] = 0x7f
    def now(self):
        return self.tick
import gc
gc.collect()
before = gc.mem_free()
capture = Capture()
gc.collect()
between = gc.mem_free()
watch = inputs.InputWatch(capture)
gc.collect()
size = between - gc.mem_free()
def timed(edges, ms, n):
    s, most = capture.unroller.s, 0
    for k in range(n):
        capture.tick += 13888888
        for channel in range(7 if edges else 0):
            place = ticks.CHANNEL + ticks.PER_CHANNEL * channel
            s[place + ticks.TOTAL] += edges
            s[place + ticks.LAST_EPOCHS], s[place + ticks.LAST_LOW] = (capture.tick >> 24) + 1, capture.tick & 0xffffff
        begin = time.ticks_us()
        watch.look(ms + 1000 * k)
        most = max(most, time.ticks_diff(time.ticks_us(), begin))
    return most
quiet = timed(0, 0, 20)
busy = timed(200, 100000, 20)
print(quiet, busy, size)
"""


@pytest.fixture()
def fresh(board):
    """The board just started: what came before is another story."""
    board.cut()
    board.await_logger()
    return board


def check(board, tmp_path, *words, meanwhile=()):
    """(exit code, item -> row) of `duskgate check --json`; the edges begin with it."""
    if meanwhile:
        board.control("scene", scene={"origin": "now", "edges": list(meanwhile)})
    code, lines = Tool("check", "--json", "--port", board.url, *words, cwd=tmp_path).end()
    begin = next((k for k, line in enumerate(lines) if line == "{"), None)
    assert begin is not None, lines
    text = "\n".join(lines[begin:])
    facts = json.JSONDecoder().raw_decode(text)[0]
    items: dict[str, dict] = {}
    for row in facts["items"]:
        items.setdefault(row["item"], row)
    return code, items


def pass_time(board, seconds: float) -> None:
    """Board time goes on with nobody talking, as fast as it will."""
    board.control("speed", speed=0)
    board.control.wait(seconds)
    board.control("speed", speed=1)


def inputs_now(board) -> list:
    with board.link() as link:
        return link.state()["inputs"]


def test_a_rig_in_order_is_ready(fresh, tmp_path):
    with fresh.link() as link:
        link.set_clock(int(time.time()) + 1)
    fresh.control.wait(6)  # two readings that agree
    code, items = check(fresh, tmp_path, meanwhile=breaks([1.0 + 2.5 * k for k in range(24)]))
    # an emulated board may fall behind this computer's clock while it is busy; nothing else may be wrong
    to_mend = [name for name, item in items.items() if item["word"] == "mend"]
    assert to_mend in ([], ["clock"]) and code == (6 if to_mend else 0), items
    assert items["beam"]["seen"] == "whole, and broken 3 times by hand"
    lights = [items[f"light {n}"]["seen"] for n in (1, 2, 3, 4)]
    assert lights == ["answered 3 of 3 breaks"] * 4
    assert items["storage"]["word"] == "ready" and "wiring" not in items
    assert items["delay"]["seen"].startswith("first light after 2.80 ms (2.80 to 2.80, n = 3)")
    figures.note("check, rig in order", exit_code=code, **{k.replace(" ", "_"): v["word"] for k, v in items.items()})


def test_a_head_that_stays_dark_is_named(fresh, tmp_path):
    dark = [c for c in FLASHES if c != FLASHES[2]]
    code, items = check(fresh, tmp_path, meanwhile=breaks([1.0 + 2.5 * k for k in range(24)], heads=dark))
    assert code == 6 and items["light 3"]["word"] == "mend" and "answered none of 3" in items["light 3"]["seen"]
    assert [items[f"light {n}"]["word"] for n in (1, 2, 4)] == ["ready"] * 3


def test_a_stuck_beam_is_named(fresh, tmp_path):
    fresh.control("pin", pin=FIRST_INPUT + BEAM, level=0)
    fresh.control.wait(31)
    code, items = check(fresh, tmp_path, "--no-hands")
    assert code == 6 and items["beam"]["word"] == "mend" and "reads BROKEN" in items["beam"]["seen"]


@pytest.mark.slow
def test_a_beam_broken_from_the_start_is_found_by_the_board_itself(fresh):
    fresh.control("pin", pin=FIRST_INPUT + BEAM, level=0)
    pass_time(fresh, 6 * 60 + 10)
    assert inputs_now(fresh) == [[18, 1 << BEAM]]
    code, lines = Tool("boards", "--port", fresh.url).end()
    assert code == 0 and any("input   BEAM active since the start" in line for line in lines), lines
    fresh.control("pin", pin=FIRST_INPUT + BEAM, level=1)
    pass_time(fresh, 125)
    assert inputs_now(fresh) == []


def test_a_mirrored_channel_is_named_by_both_sides(fresh, tmp_path):
    edges = []
    for k in range(12):
        edges += pulse(BEAM, 1e6 * (1 + k), 3e5) + pulse(SYNC, 1e6 * (1 + k), 3e5)
    fresh.control("scene", scene={"origin": "now", "edges": sorted(edges, key=lambda edge: edge["t_us"])})
    fresh.control.wait(15)
    code, items = check(fresh, tmp_path, "--no-hands")
    assert code == 6 and "BEAM and SYNC change together, 24 of 24" in items["wiring"]["seen"]
    assert inputs_now(fresh) == [[20, 1 << BEAM | 1 << SYNC]]


def test_a_receiver_turned_round_is_named(fresh, tmp_path):
    fresh.control("pin", pin=FIRST_INPUT + BEAM, level=0)
    edges = [edge for k in range(12) for edge in pulse(BEAM, 1e6 * (2 + 1.5 * k), 1e5, active=1)]
    fresh.control("scene", scene={"origin": "now", "edges": edges})
    fresh.control.wait(19)
    code, items = check(fresh, tmp_path, "--no-hands")
    assert code == 6 and "broken most of the time" in items["beam"]["seen"] and "polarity" in items["beam"]["todo"]


def test_lamplight_on_a_receiver_is_told_with_its_frequency(fresh, tmp_path):
    edges = [edge for k in range(1400) for edge in pulse(BEAM2, 1e6 + 1e4 * k, 4e3)]
    fresh.control("scene", scene={"origin": "now", "edges": edges})
    fresh.control.wait(13.5)
    assert inputs_now(fresh) == [[21, 1 << BEAM2 | 100 << 8]]
    code, items = check(fresh, tmp_path, "--no-hands")
    assert code == 6 and "BEAM2 flickers at 100 Hz: likely lamplight" in items["wiring"]["seen"]


class Hands:
    """Does what `check --cover` asks. `dark`: which receivers read broken while these emitters are covered."""

    def __init__(self, board, dark):
        self.board = board
        self.dark = dark

    def __call__(self, line: str) -> None:
        if "Cover " in line and "now" in line:
            covered = (BEAM, BEAM2) if "both" in line else (BEAM2,) if "beam 2" in line else (BEAM,)
            self.set(self.dark(covered))
        elif "Uncover" in line or "nothing" in line:
            self.set(())

    def set(self, broken) -> None:
        for channel in (BEAM, BEAM2):
            self.board.control("pin", pin=FIRST_INPUT + channel, level=0 if channel in broken else 1)


def own(covered):
    return covered


def crossed(covered):
    """The receiver of BEAM sees both emitters."""
    return tuple(c for c in covered if c != BEAM or len(covered) == 2)


@pytest.mark.parametrize(
    ("optics", "beam", "text"),
    [
        (own, "ready", "answers its own emitter alone"),
        (crossed, "MEND", "stays whole until both emitters are covered: it sees that of beam 2 too"),
    ],
)
def test_the_walk_along_two_emitters(fresh, tmp_path, optics, beam, text):
    (tmp_path / "site.toml").write_text("beam_spacing_mm = 30\n")
    hands = Hands(fresh, optics)
    tool = Tool("check", "--cover", "--seconds", "15", "--port", fresh.url, cwd=tmp_path, on_line=hands)
    code, lines = tool.end()
    said = [line for line in lines if line.startswith(f"{beam:<6} beam cover ")]
    assert said and text in said[0], lines
    assert any(line.startswith("ready  beam 2 cover answers its own emitter alone") for line in lines)
    assert optics is own or code == 6
    figures.note(f"check --cover, {optics.__name__}", beam=beam, exit_code=code)


def test_what_the_look_at_the_inputs_costs(board):
    with board.prompt() as transport:
        quiet, busy, size = (float(word) for word in transport.exec(LOOKS).split())
    board.await_logger()
    figures.note("look at the inputs, once a second", quiet_us=quiet, busy_us=busy, heap_bytes=int(size))
    # of a second at most 1 %, with every channel busy 2 %
    assert quiet < 10_000 and busy < 20_000 and size < 2_000
