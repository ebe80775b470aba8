"""What `watch` puts on a terminal, cell by cell, in an emulator: pictures, changes, colours, sizes, hostile text."""

import sys
import types
from pathlib import Path

import pytest
from duskgate.cli.cells import cells
from duskgate.cli.console import WindowsConsole
from duskgate.cli.terminal import DIM_RED, Screen, pictures
from duskgate.ready.large import LETTERS, large
from duskgate.ready.picture import STEPS, picture
from duskgate.ready.words import Told
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cli.watch_states import states
from tests.fake_terminal import Terminal, Wire
from tests.hostile_text import ALL, TEXTS, obeyed

PICTURES = Path(__file__).parent / "pictures"
STATES = states()
SIZES = ((80, 24), (40, 12))


class Sized(Screen):
    """A screen whose terminal tells a size that a test may change."""

    def __init__(self, wire: Wire, red: bool = False):
        super().__init__(wire, red)
        self.wire = wire

    def size(self):
        return self.wire.terminal.columns, self.wire.terminal.lines

    def show(self, name: str) -> None:
        self.draw(picture(*STATES[name], *self.size()))


def shown_by(*names: str, width: int = 80, height: int = 24, red: bool = False) -> Terminal:
    terminal = Terminal(width, height)
    with Sized(Wire(terminal), red) as screen:
        for name in names:
            screen.show(name)
        assert not terminal.faults, terminal.faults
        terminal.kept = terminal.lines_shown(), terminal.colours()
    return terminal


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("name", STATES)
def test_each_moment_looks_as_drawn(name, width, height):
    wanted = (PICTURES / f"{name}_{width}x{height}.txt").read_text(encoding="utf-8").split("\n")[:-1]
    assert len(wanted) == height
    assert shown_by(name, width=width, height=height).kept[0] == wanted


@pytest.mark.parametrize("name", STATES)
def test_a_picture_over_any_other_leaves_nothing_of_it(name):
    alone = shown_by(name).kept[0]
    for other in STATES:
        assert shown_by(other, name).kept[0] == alone, other


def test_only_cells_that_changed_are_written():
    for before in STATES:
        for after in STATES:
            terminal = Terminal()
            with Sized(Wire(terminal)) as screen:
                screen.show(before)
                old = list(terminal.display)
                terminal.written.clear()
                screen.show(after)
                new = list(terminal.display)
                changed = [(y, x) for y in range(24) for x in range(80) if old[y][x] != new[y][x]]
                assert sorted(terminal.written) == changed, (before, after)


def test_nobody_sees_half_a_picture_and_each_goes_out_in_one_write():
    terminal = Terminal()
    wire = Wire(terminal)
    whole = []
    with Sized(wire) as screen:
        wire.writes = 0
        for name in STATES:
            screen.show(name)
            whole.append(terminal.lines_shown())
        assert wire.writes == len(STATES)
        assert [seen for seen in terminal.seen if any(seen)] == whole
    # the emulator itself would tell: without holding, the same text shows pictures on the way
    bare = Terminal(holds=False)
    bare.stream.feed("".join(wire.text))
    assert len(bare.seen) > 10 * len(whole)


def test_a_picture_that_stays_writes_nothing():
    terminal = Terminal()
    wire = Wire(terminal)
    with Sized(wire) as screen:
        screen.show("quiet")
        writes = wire.writes
        screen.show("quiet")
        assert wire.writes == writes


def test_red_is_red_on_black_in_every_cell_and_nothing_is_bright(monkeypatch):
    assert shown_by("quiet", "fault", red=True).kept[1] == {("red", "black", False)}
    assert {int(p) for p in DIM_RED[2:-1].split(";")} == {0, 2, 31, 40}  # SGR: reset, faint, red, on black
    assert shown_by("quiet", "fault").kept[1] == {("default", "default", False)}
    # https://no-color.org: no colour unless it is asked for by name
    monkeypatch.setenv("NO_COLOR", "1")
    assert shown_by("quiet").kept[1] == {("default", "default", False)}


def test_the_terminal_is_given_back_on_every_way_out():
    for error in (None, KeyboardInterrupt, RuntimeError, SystemExit):
        terminal = Terminal()
        try:
            with Sized(Wire(terminal), red=True) as screen:
                assert terminal.modes == {1049: True, 25: False, 7: False, 2026: False}
                screen.show("quiet")
                if error:
                    screen.stream.write("\x1b[?2026h")  # in the middle of a picture
                    raise error()
        except BaseException as caught:
            assert type(caught) is error
        assert terminal.modes == {1049: False, 25: True, 7: True, 2026: False}
        assert terminal.cursor.attrs.fg == "default"


def test_a_terminal_that_has_gone_hides_no_error():
    terminal = Terminal()
    with pytest.raises(RuntimeError, match="the reason"), Sized(Wire(terminal)) as screen:
        screen.stream.write = gone
        raise RuntimeError("the reason")


def gone(text: str) -> None:
    raise OSError(5, "gone")


def test_a_new_size_is_painted_anew():
    terminal = Terminal()
    with Sized(Wire(terminal)) as screen:
        for width, height in ((80, 24), (40, 12), (100, 30), (80, 24), (20, 5)):
            terminal.resize(height, width)
            terminal.stream.feed("\x1b[H" + "x" * width)  # what a terminal made of the old picture
            screen.show("recycling")
            wanted = picture(*STATES["recycling"], width, height)
            assert terminal.lines_shown() == wanted
            terminal.faults.clear()


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(STATES)), st.integers(1, 130), st.integers(1, 50))
def test_every_size_holds_a_picture(name, width, height):
    lines = picture(*STATES[name], width, height)
    assert len(lines) == height and max(map(len, lines)) <= width


@pytest.mark.parametrize("name", [name for name in STATES if Told(*STATES[name]).headline()[0]])
def test_the_word_stands_at_every_size_and_large_where_there_are_twelve_rows(name):
    word, _ = Told(*STATES[name]).headline()
    for width in (80, 40):
        rows = [f" {row}".rstrip() for row in large(word, width - 1)]
        assert len(rows) == 5
        for height in range(1, 25):
            lines = picture(*STATES[name], width, height)
            stands_large = any(lines[k : k + 5] == rows for k in range(height))
            assert stands_large or (height < 12 and any(line.startswith(f" {word}") for line in lines)), (width, height)


def test_a_larger_screen_never_shows_less():
    kinds = ("VISITS", "supply", "link good", "recycle", "last fire|LAST FIRE", "BEAM ", "! ")
    for name in ("quiet", "fault", "recycling"):
        ranks = []
        for height in range(1, 30):
            text = "\n".join(picture(*STATES[name], 80, height))
            ranks.append(sum(any(part in text for part in kind.split("|")) for kind in kinds))
        worse = [k for k in range(1, len(ranks)) if ranks[k] < ranks[k - 1]]
        # a thing may go only where something larger takes its rows: the times, then the word
        assert len(worse) <= 2, (name, ranks)


def test_every_step_takes_something_away():
    fields = [next(iter(step)) for step in STEPS]
    assert fields == [*["gaps"], *["details"] * 4, *["warnings"] * 2, "large_times", "counts", "sentence", "large_word",
                      "top"]  # fmt: skip


def hostile(text: str, width: int) -> Terminal:
    terminal = Terminal(width, 24)
    live, status = states()["fault"]
    status.state = {**status.state, "faults": [text, "the clock chip did not answer"], "store": text}
    live.who = {**live.who, "board": text}
    wire = Wire(terminal)
    with Sized(wire) as screen:
        screen.draw(picture(live, status, width, 24))
        terminal.kept = terminal.lines_shown(), terminal.colours()
        assert terminal.modes == {1049: True, 25: False, 7: False, 2026: False}
    return terminal


@settings(max_examples=60, deadline=None)
@given(st.one_of(st.sampled_from(ALL), TEXTS), st.sampled_from((80, 40)))
def test_text_from_the_board_obeys_nobody_and_stays_in_its_cells(text, width):
    terminal = hostile(text, width)
    lines, colours = terminal.kept
    assert not terminal.faults and colours == {("default", "default", False)}
    assert not any(obeyed(line) for line in lines)
    assert any(line.startswith(" BEAM ") for line in lines)


@settings(max_examples=200, deadline=None)
@given(TEXTS, st.integers(1, 90), st.sampled_from(("utf-8", "cp1252", "cp437", "ascii")))
def test_a_line_takes_exactly_its_cells(text, width, encoding):
    row = cells(text, width, encoding)
    assert len(row) == width
    "".join(row).encode(encoding)


def test_wide_signs_take_two_cells_and_marks_none():
    assert cells("a花e\u0301", 6) == ["a", "花", "", "e\u0301", " ", " "]
    assert cells("a花", 2) == ["a", " "]
    terminal = Terminal(10, 2)
    with Sized(Wire(terminal)) as screen:
        for lines in (["花花abc", "x"], ["a花bc", "x"], ["abcdef", "花"], ["ab花f", ""]):
            screen.draw(lines)
            assert terminal.lines_shown() == lines, lines


def test_signs_that_the_terminal_lacks_are_written_as_escapes():
    terminal = Terminal()
    with Sized(Wire(terminal, "ascii")) as screen:
        screen.draw(["é"])
        assert terminal.lines_shown()[0] == "\\xe9" and screen.pixel == "#"
    assert Sized(Wire(terminal, "cp437")).pixel == "█" and Sized(Wire(terminal)).pixel == "█"


def test_letters_are_whole():
    for sign, drawn in LETTERS.items():
        rows = drawn.split("|")
        assert len(rows) == 5 and len({len(row) for row in rows}) == 1 and set(drawn) <= {"#", " ", "|"}, sign
    twins = {(a, b) for a in LETTERS for b in LETTERS if a < b and LETTERS[a] == LETTERS[b]}
    assert twins == {("0", "O"), ("5", "S")}  # figures and words are never mixed within one group of signs


class FakeKernel:
    """kernel32's three calls, as Microsoft documents them: zero means refused."""

    def __init__(self, mode: int = 3, console: bool = True, obeys: bool = True):
        self.mode, self.console, self.obeys = mode, console, obeys

    def GetStdHandle(self, which):
        assert which == -11
        return 7

    def GetConsoleMode(self, handle, where):
        assert handle == 7
        where._obj.value = self.mode
        return int(self.console)

    def SetConsoleMode(self, handle, mode):
        if mode & 4 and not self.obeys:
            return 0
        self.mode = mode
        return 1


def test_a_windows_console_is_switched_and_set_back():
    kernel = FakeKernel(mode=0x12)
    with WindowsConsole(kernel) as obeys:
        assert obeys and kernel.mode == 0x12 | 1 | 4
    assert kernel.mode == 0x12
    for refusing in (FakeKernel(obeys=False), FakeKernel(console=False)):
        with WindowsConsole(refusing) as obeys:
            assert not obeys
        assert refusing.mode == 3


def test_pictures_only_where_a_terminal_can_show_them(monkeypatch):
    monkeypatch.setattr(sys, "platform", "linux")
    for tty, term, able in (
        (True, "xterm", True),
        (True, "linux", True),
        (True, "dumb", False),
        (False, "xterm", False),
    ):
        monkeypatch.setenv("TERM", term)
        with pictures(types.SimpleNamespace(isatty=lambda tty=tty: tty)) as told:
            assert told is able
