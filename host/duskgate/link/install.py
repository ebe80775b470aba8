"""Puts the firmware on a board: the only user of mpremote, whose `SerialTransport` is taken as a library.

Every file that differs is written beside the one in use (`name.new`) and checked by its hash on the board. One rename
puts a finisher in the place of `main.py`: before it the old firmware is whole, after it the board itself puts the new
files in place, now or, after a cut, at its next start. Only files of our own are touched: those of the firmware, and
what an older version left in `core/` and `chip/`. Logs and settings are not.
"""

import ast
import contextlib
import hashlib
import io
import re
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..errors import LinkError, UsageError
from ..firmware_path import firmware_folder

OLDEST = (1, 28, 0)
ADVISED = (1, 29, 0)
PLATFORM = "rp2"
FOLDERS = ("core", "chip")
NEW = ".new"
MAIN = "main.py"
FINISHER = "finish.new"
CHUNK = 1024  # bytes a call: few calls, and little of the board's memory
ANSWER_S = 10  # longest time for a byte from the board; an erase of its flash takes 0.4 s at most
RESERVE = 3 * 4096  # a file system's own bookkeeping while files are exchanged
HOW_TO = (
    "hold the board's button while plugging it in, and copy MicroPython's UF2 of your board, 1.28 or newer, "
    "to the drive that appears"
)
Progress = Callable[[int, int], None]

LOOK = """
import os, sys
print(repr((sys.implementation.name, tuple(sys.implementation.version[:3]), sys.platform,
 getattr(sys.implementation, '_machine', ''), os.statvfs('/')[0], os.statvfs('/')[3])))
"""
HASHES = """
import os, hashlib
def _hash(path):
 h = hashlib.sha256()
 b = bytearray(512)
 with open(path, 'rb') as f:
  while True:
   n = f.readinto(b)
   if not n: break
   h.update(memoryview(b)[:n])
 return h.digest()
_found = {}
for d in %r:
 try: rows = list(os.ilistdir('/' + d))
 except OSError: continue
 for r in rows:
  p = (d + '/' if d else '') + r[0]
  if r[1] == 0x8000 and (d or p in %r): _found[p] = _hash('/' + p)
print(repr(_found))
"""
# main.py while the files are exchanged. It may be cut anywhere and begun again: a file that has gone was renamed.
FINISH = """# Duskgate: puts a loaded firmware in place. If you can read this, the load was cut: restart the board.
import os
for name in {files!r}:
    try:
        os.stat("/" + name + ".new")
    except OSError:
        continue
    os.rename("/" + name + ".new", "/" + name)
for name in {gone!r}:
    try:
        os.remove("/" + name)
    except OSError:
        pass
os.rename("/main.py.new", "/main.py")
if __name__ == "__main__":
    import machine
    machine.reset()
"""
HOLD = "from chip import reset\nreset.restart(reset.ASKED, True)"
# By the firmware's own way, which leaves a note: the log then says "asked", and a wish to hold that was not read yet
# (the prompt came before the program could look) does not hold the board once more.
RESET = """
try:
    from chip import reset
except ImportError:
    import machine
    machine.reset()
reset.restart(reset.ASKED)
"""
CRASH_FILE = "crash.txt"  # a count of failed starts: a new firmware begins anew


@dataclass(frozen=True)
class Board:
    """What runs on the board and how much room its file system has."""

    interpreter: str
    version: tuple[int, ...]
    platform: str
    machine: str
    block: int
    free_blocks: int


@dataclass
class Plan:
    """What has to be done: files to write (with their bytes), files to take away, files that are right already."""

    write: dict[str, bytes] = field(default_factory=dict)
    staged: list[str] = field(default_factory=list)  # written and checked by an earlier load that was cut
    remove: list[str] = field(default_factory=list)
    same: int = 0

    @property
    def bytes(self) -> int:
        """Bytes to send."""
        return sum(map(len, self.write.values()))

    @property
    def idle(self) -> bool:
        """Whether the board has it all."""
        return not (self.write or self.staged or self.remove)


def firmware_files(folder: Path | None = None) -> dict[str, bytes]:
    """Name on the board -> bytes, for every file that belongs there; sorted. Raises UsageError without a firmware."""
    folder = folder or firmware_folder()
    paths = [*folder.glob("*.py"), *(p for room in FOLDERS for p in (folder / room).glob("*.py"))]
    files = {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(paths)}
    if MAIN not in files:
        raise UsageError(f"{folder}: no {MAIN} there, so this is no firmware folder: install duskgate again")
    return files


def version_of(files: dict[str, bytes]) -> str:
    """Version that these files call themselves, such as "0.1.0"."""
    found = re.search(rb"^FIRMWARE = \((\d+), (\d+), (\d+)\)", files.get("core/version.py", b""), re.M)
    if not found:
        raise UsageError("the firmware folder states no version: install duskgate again")
    return ".".join(part.decode() for part in found.groups())


def refuse_wrong(board: Board) -> None:
    """Raise UsageError for an interpreter or a chip that cannot run the firmware."""
    shown = f"{board.interpreter} {'.'.join(map(str, board.version))}"
    if board.interpreter != "micropython":
        raise UsageError(f"this board runs {shown}, not MicroPython; nothing was changed. To install it, {HOW_TO}")
    if board.platform != PLATFORM:
        raise UsageError(
            f"this is another kind of board (MicroPython for {board.platform}, {board.machine}); nothing was changed. "
            "The firmware needs an RP2040 or RP2350"
        )
    if board.version < OLDEST:
        raise UsageError(
            f"this board has MicroPython {'.'.join(map(str, board.version))}, 1.28 or newer is needed; nothing was "
            f"changed. To install it, {HOW_TO}"
        )


def plan(files: dict[str, bytes], there: dict[str, bytes]) -> Plan:
    """What to do, from our files and the hashes of those on the board."""
    out = Plan()
    for name, data in files.items():
        hashed = hashlib.sha256(data).digest()
        if there.get(name + NEW) == hashed:
            out.staged.append(name)
        elif there.get(name) == hashed:
            out.same += 1
        else:
            out.write[name] = data
    kept = {*files, *(name + NEW for name in (*out.staged, *out.write))}
    out.remove = sorted(name for name in there if name not in kept and name.endswith((".py", ".mpy", NEW)))
    return out


class Installer:
    """One load over a transport that is in the raw prompt."""

    def __init__(self, transport: Any):
        self.transport = transport

    def look(self) -> Board:
        """What runs there."""
        return Board(*self._tell(LOOK))

    def hashes(self, names: list[str]) -> dict[str, bytes]:
        """SHA-256 of every file in our folders, and of those of `names` at the top with and without `.new`."""
        top = [*names, *(name + NEW for name in names), FINISHER]
        return self._tell(HASHES % (["", *FOLDERS], top))

    def load(self, files: dict[str, bytes], progress: Progress = lambda done, total: None) -> Plan:
        """Put the files on the board. Raises UsageError (no room), LinkError (cut, or a file that came over wrong)."""
        board = self.look()
        refuse_wrong(board)
        names = [name for name in files if "/" not in name]
        todo = plan(files, self.hashes(names))
        if todo.idle:
            return todo
        room = board.free_blocks * board.block
        need = sum(-(-len(d) // board.block) * board.block for d in todo.write.values()) + RESERVE
        if need > room:
            raise UsageError(
                f"not enough room on the board: {room // 1000} kB free, {need // 1000} kB needed to keep the old "
                "firmware whole meanwhile; nothing was changed. Pull the log, then empty the board's /log by hand"
            )
        self._write_beside(todo, progress)
        self._check_beside(todo, files, names)
        self._exchange(todo)
        self._check_placed(files, names)
        return todo

    def _write_beside(self, todo: Plan, progress: Progress) -> None:
        for folder in FOLDERS:
            self._do(f"import os\nif {folder!r} not in os.listdir('/'): os.mkdir('/{folder}')")
        done = 0
        for name, data in todo.write.items():
            self._send(name + NEW, data, lambda n, _size, done=done: progress(done + n, todo.bytes))
            done += len(data)

    def _send(self, name: str, data: bytes, progress: Progress = lambda done, total: None) -> None:
        with _one_line_errors(f"writing {name}"):
            self.transport.fs_writefile("/" + name, data, chunk_size=CHUNK, progress_callback=progress)

    def _check_beside(self, todo: Plan, files: dict[str, bytes], names: list[str]) -> None:
        there = self.hashes(names)
        for name in (*todo.write, *todo.staged):
            if there.get(name + NEW) != hashlib.sha256(files[name]).digest():
                raise LinkError(
                    f"{name} came over wrong; the old firmware is whole. Load again; try another cable if it stays so"
                )

    def _exchange(self, todo: Plan) -> None:
        """One rename decides; from then on the board can finish by itself."""
        # main.py is exchanged last, whether it changed or not: the finisher stands in its place meanwhile
        if MAIN not in todo.write and MAIN not in todo.staged:
            self._do(_copy(f"/{MAIN}", f"/{MAIN}{NEW}"))
        others = [name for name in (*todo.write, *todo.staged) if name != MAIN]
        gone = [name for name in todo.remove if name != FINISHER]
        self._send(FINISHER, FINISH.format(files=others, gone=[*gone, CRASH_FILE]).encode())
        self._do(f"import os\nos.rename('/{FINISHER}', '/{MAIN}')")
        self._do(f"exec(open('/{MAIN}').read(), {{'__name__': 'finish'}})")

    def _check_placed(self, files: dict[str, bytes], names: list[str]) -> None:
        there = self.hashes(names)
        wrong = [name for name, data in files.items() if there.get(name) != hashlib.sha256(data).digest()]
        if wrong:
            raise LinkError(f"{wrong[0]} is not as it should be on the board after the load: load again")

    def has(self, name: str) -> bool:
        """Whether the board has that file."""
        return name in self.hashes([name])

    def hold(self) -> None:
        """Restart the chip, without logging and without watchdog; the firmware that is there must know how."""
        self._leave(HOLD)

    def reset(self) -> None:
        """Restart the chip."""
        self._leave(RESET)

    def _leave(self, code: str) -> None:
        with contextlib.suppress(LinkError), _one_line_errors("restarting"):
            self.transport.exec_raw_no_follow(code)

    def _do(self, code: str) -> bytes:
        with _one_line_errors("asking the board"):
            return self.transport.exec(code)

    def _tell(self, code: str) -> Any:
        said = self._do(code)
        try:
            return ast.literal_eval(said.decode().strip())
        except (ValueError, SyntaxError) as error:
            raise LinkError(f"the board's prompt answered what makes no sense ({said[:60]!r}): try again") from error


def _copy(source: str, target: str) -> str:
    return f"with open({source!r}, 'rb') as a, open({target!r}, 'wb') as b:\n while b.write(a.read(512)): pass"


@contextlib.contextmanager
def _one_line_errors(doing: str):
    """Whatever mpremote raises as a LinkError of one line. What it prints meanwhile goes nowhere."""
    from mpremote.transport import TransportError

    try:
        with contextlib.redirect_stdout(io.StringIO()):
            yield
    except (TransportError, OSError, TypeError, ValueError, struct.error) as error:
        last = (str(error).strip().splitlines() or [type(error).__name__])[-1]
        raise LinkError(f"the load broke off while {doing} ({last[:120]}): load again to go on from there") from error


def open_prompt(url: str) -> Any:
    """The board's raw prompt on a port. Raises LinkError where there is none."""
    from mpremote.transport import TransportError
    from mpremote.transport_serial import SerialTransport

    try:
        with contextlib.redirect_stdout(io.StringIO()):
            transport = SerialTransport(url, timeout=ANSWER_S)
    except (TransportError, OSError, ValueError) as error:
        raise LinkError(f"{url} cannot be opened: is it plugged in, or used by another program?") from error
    transport.serial.write_timeout = ANSWER_S
    try:
        with contextlib.redirect_stdout(io.StringIO()):
            transport.enter_raw_repl(soft_reset=True, timeout_overall=ANSWER_S)
    except (TransportError, OSError, TypeError, ValueError) as error:
        close_prompt(transport)
        raise LinkError(
            f"no MicroPython prompt on {url}: check the port; if MicroPython is not on the board yet, {HOW_TO}"
        ) from error
    return transport


def close_prompt(transport: Any) -> None:
    """Give the port back; a board that has gone does no harm."""
    with contextlib.suppress(OSError, TypeError, ValueError):
        transport.close()


def prompt_when_back(url: str, wait_s: float, clock: Any = time) -> Any:
    """The prompt of a board that restarts: tried until it is there. Raises the last LinkError."""
    end = clock.monotonic() + wait_s
    while True:
        try:
            return open_prompt(url)
        except LinkError:
            if clock.monotonic() > end:
                raise
        clock.sleep(0.5)
