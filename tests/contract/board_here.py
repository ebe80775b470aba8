"""The board's own firmware in this process: its station on a scene, its link as plain bytes."""

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT / "firmware") not in sys.path:
    sys.path.insert(0, str(ROOT / "firmware"))

from core import blocks, records  # noqa: E402, F401  handed on to the tests
from core.settings import Settings  # noqa: E402
from core.store import Store  # noqa: E402
from sim import flash_fs, run  # noqa: E402
from station import Station  # noqa: E402

MOST_STEPS = 200_000


class Wires:
    """The stream that the station is given. It takes what fits: at most `takes` bytes at once."""

    def __init__(self, takes: int = 4096):
        self.takes = takes
        self.to_board = b""
        self.from_board: list[bytes] = []

    def read(self) -> bytes:
        data, self.to_board = self.to_board[:1024], self.to_board[1024:]
        return data

    def write(self, view) -> int:
        piece = bytes(view[: self.takes])
        self.from_board.append(piece)
        return len(piece)

    def wait_readable(self, ms: int) -> None: ...

    def wait_writable(self, ms: int) -> int:
        return 1


class BoardHere:
    """`feed(bytes)` gives pieces of the answer, as a fake board does, so that the same ports and wires fit."""

    def __init__(self, scene: Path, flash: Path, takes: int = 4096, boot_at_ns: int = 0, **settings: int):
        self.wires = Wires(takes)
        self.flash = flash
        fs = flash_fs.mount(str(flash))
        chosen = Settings(fs)
        for name, value in settings.items():
            chosen.override(name, value)
        self.board = run.Board(str(scene), boot_at_ns, chosen["low_mask"], self.wires, 0)
        self.board.pace._say = lambda text: None
        self.store = Store(fs, lambda: chosen["drop_unpulled"])
        header = self.board.events.header
        own_id = run.boot_id(header, boot_at_ns, self.store.last_boot_no + 1)
        identity = run.identity("", header)
        self.station = Station(self.board.parts, identity, chosen, self.store, own_id, 1)

    def play(self) -> None:
        """To the end of the scene."""
        for _ in range(MOST_STEPS):
            if self.board.pace._ended:
                return
            self.station.step()
        raise AssertionError("the scene does not end")

    def feed(self, data: bytes) -> list[bytes]:
        self.wires.to_board += data
        for _ in range(MOST_STEPS):
            self.station.step()
            if not self.wires.to_board and not self.station._sender.busy():
                out, self.wires.from_board = self.wires.from_board, []
                return out
        raise AssertionError("the answer does not end")

    def stored(self) -> dict[int, bytes]:
        """Segment number -> bytes, straight from the disk, without the link."""
        return {int(p.stem): p.read_bytes() for p in sorted((self.flash / "log").iterdir())}

    def names(self) -> list[str]:
        return sorted(p.name for p in (self.flash / "log").iterdir())
