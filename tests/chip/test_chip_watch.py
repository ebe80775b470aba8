"""`duskgate watch` beside the board: visits as they come, and the link that goes away."""

from . import figures
from .rig import Tool, breaks


def test_visits_are_counted_in_plain_lines(board, tmp_path):
    board.cut()
    board.await_logger()
    told = []

    def play(line: str) -> None:
        if not told:
            told.append(line)  # the first line: it watches
            board.control("scene", scene={"origin": "now", "edges": breaks([1.0 + 3.0 * k for k in range(5)])})

    code, lines = Tool("watch", "--seconds", "25", "--port", board.url, cwd=tmp_path, on_line=play).end()
    assert code == 0, lines
    assert lines[-1] == "Seen: 5 visits, 5 fires, 0 misses. The board logs on.", lines
    assert len(lines) >= 3 and not any("\x1b" in line or "Traceback" in line for line in lines)
    assert "beam whole" in lines[-2] and "visits 5; fires 5; misses 0" in lines[-2] and "link good" in lines[-2]
    figures.note("watch", seconds=25, visits=5, fires=5, lines=len(lines))


def test_it_survives_the_power_going(board, tmp_path):
    board.cut()
    board.await_logger()
    step = []

    def act(line: str) -> None:
        if not step:
            step.append("playing")
            board.control("scene", scene={"origin": "now", "edges": breaks([1.0, 4.0])})
        elif step == ["playing"] and "visits 2" in line:
            step.append("cut")
            board.control("cut")
        elif step[-1:] == ["cut"] and "NO LINK" in line:
            step.append("back")
            board.control("on", after_us=1e6)
        elif step[-1:] == ["back"] and "restarted 1 times" in line and "NO LINK" not in line:
            step.append("again")
            board.control("scene", scene={"origin": "now", "edges": breaks([1.0])})

    code, lines = Tool("watch", "--seconds", "75", "--port", board.url, cwd=tmp_path, on_line=act).end()
    assert code == 0 and step == ["playing", "cut", "back", "again"], (step, lines)
    assert lines[-1] == "Seen: 3 visits, 3 fires, 0 misses. The board logs on.", lines
    gone = [line for line in lines if "NO LINK for" in line]
    assert gone and "the board logs on" in gone[0] and not any("Traceback" in line for line in lines)
    figures.note("watch over a power cut", visits=3, lines=len(lines), lines_without_link=len(gone))
