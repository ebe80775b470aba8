"""Puts the firmware on a board: the only user of mpremote, whose `SerialTransport` is taken as a library.

All that differs is sent as one packed file beside the firmware in use and checked by its hash on the board. One rename
then puts a finisher in the place of `main.py`: before it the old firmware is whole, after it the board itself puts the
new files in place, now or, after a cut, at its next start. Only files of our own are touched: those of the firmware,
source or compiled, and what an older version left in `core/` and `chip/`. Logs and settings are not.
"""

import ast
import base64
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
from . import pack
from .pack import FINISHER, MAIN, MAIN_NEW, NEW, PART

OLDEST = (1, 28, 0)
ADVISED = (1, 29, 0)
PLATFORM = "rp2"
FOLDERS = ("core", "chip")
ENDINGS = (".py", ".mpy", NEW)
CHUNK = 1024  # bytes a call: few calls, and little of the board's memory
PIECE = 8 * CHUNK  # bytes between two moments from which a load that was cut can go on
ANSWER_S = 10  # longest time for a byte from the board; an erase of its flash takes 0.4 s at most
HOW_TO = (
    "hold the board's button while plugging it in, and copy MicroPython's UF2 of your board, 1.28 or newer, "
    "to the drive that appears"
)
Progress = Callable[[int, int], None]
There = dict[str, tuple[int, bytes]]  # name on the board -> size in bytes, SHA-256

LOOK = """
import os, sys
try:
 import deflate
except ImportError:
 deflate = None
print(repr((sys.implementation.name, tuple(sys.implementation.version[:3]), sys.platform,
 getattr(sys.implementation, '_machine', ''), os.statvfs('/')[0], os.statvfs('/')[3],
 getattr(sys.implementation, '_mpy', 0), deflate is not None)))
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
  if r[1] == 0x8000 and (d or p in %r or (p.startswith(%r) and p.endswith(%r))):
   _found[p] = (os.stat('/' + p)[6], _hash('/' + p))
print(repr(_found))
"""
# Packs of other loads that were cut. One that main.py speaks of stays: a finisher is still to use it.
TIDY = """
import os
try:
 with open('/main.py') as f: main = f.read()
except OSError: main = ''
for name in %r:
 if name not in main: os.remove('/' + name)
"""
HOLD = "from chip import reset\nreset.restart(reset.ASKED, True)"
# By the firmware's own way, which leaves a note: the log then says "asked", and a wish to hold that was not read yet
# (the prompt came before the program could look) does not hold the board once more.
RESET = """
try:
    from chip import reset
except Exception:
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
    mpy: int = 0  # sys.implementation._mpy: which compiled files it reads
    inflates: bool = True


@dataclass
class Plan:
    """What has to be done: files to write (with their bytes), files to take away, files that are right already.

    packed: what is sent; kept: bytes of it that an earlier load, which was cut, had brought over.
    """

    write: dict[str, bytes] = field(default_factory=dict)
    remove: list[str] = field(default_factory=list)
    same: int = 0
    packed: bytes = b""
    kept: int = 0

    @property
    def bytes(self) -> int:
        """Bytes of the files to write."""
        return sum(map(len, self.write.values()))

    @property
    def idle(self) -> bool:
        """Whether the board has it all."""
        return not (self.write or self.remove)


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


def refuse_full(board: Board, todo: Plan, there: There) -> None:
    """Raise UsageError where the pack does not fit beside the old firmware, or the new files in its place."""
    new = [*map(len, todo.write.values())]
    old = [there[name][0] for name in (*todo.write, *todo.remove) if name in there and not name.endswith(NEW)]
    need = pack.blocks_needed(len(todo.packed) - todo.kept, new, old, board.block) * board.block
    room = board.free_blocks * board.block
    if need > room:
        raise UsageError(
            f"not enough room on the board: {room // 1000} kB free, {need // 1000} kB needed to keep the old "
            "firmware whole meanwhile; nothing was changed. Pull the log, then empty the board's /log by hand"
        )


def plan(files: dict[str, bytes], there: There) -> Plan:
    """What to do, from our files and what is on the board."""
    out = Plan()
    for name, data in files.items():
        if there.get(name) == (len(data), hashlib.sha256(data).digest()):
            out.same += 1
        else:
            out.write[name] = data
    out.remove = sorted(name for name in there if name not in files and name.endswith(ENDINGS))
    return out


def top_names(files: dict[str, bytes]) -> list[str]:
    """Our names at the top of the board's files, each as source and compiled, and those of a load under way."""
    stems = sorted({name.rsplit(".", 1)[0] for name in files if "/" not in name})
    return [stem + ending for stem in stems for ending in (".py", ".mpy")] + [FINISHER, MAIN_NEW, PART]


class Installer:
    """One load over a transport that is in the raw prompt."""

    def __init__(self, transport: Any):
        self.transport = transport

    def look(self) -> Board:
        """What runs there."""
        return Board(*self._tell(LOOK))

    def there(self, files: dict[str, bytes]) -> There:
        """Every file in our folders, ours at the top, and what a load that was cut left behind."""
        return self._hashes(["", *FOLDERS], top_names(files))

    def load(self, files: dict[str, bytes], progress: Progress = lambda done, total: None) -> Plan:
        """Put the files on the board. Raises UsageError (no room), LinkError (cut, or a file that came over wrong)."""
        board = self.look()
        refuse_wrong(board)
        there = self.there(files)
        todo = plan(files, there)
        if todo.idle:
            return todo
        # main.py goes along, changed or not: the finisher stands in its place meanwhile
        todo.packed = pack.make({**todo.write, MAIN: files[MAIN]}, board.inflates)
        name = pack.name_of(todo.packed)
        size, digest = there.get(name, (0, b""))
        todo.kept = size if hashlib.sha256(todo.packed[:size]).digest() == digest else 0
        stale = [old for old in there if old.startswith(pack.PREFIX) and "/" not in old and old != name]
        if stale:
            self._do(TIDY % stale)
            board = self.look()
        refuse_full(board, todo, there)
        self._send_pack(name, todo, progress)
        self._exchange(name, todo, board.inflates)
        self._check_placed(files)
        return todo

    def _send_pack(self, name: str, todo: Plan, progress: Progress) -> None:
        for folder in FOLDERS:
            self._do(f"import os\nif {folder!r} not in os.listdir('/'): os.mkdir('/{folder}')")
        total = len(todo.packed)
        for at in range(todo.kept, total, PIECE):
            piece = todo.packed[at : at + PIECE]
            self._append(name, piece, at == 0, lambda n, at=at: progress(at + n, total))
        if self._hashes([""], [name]).get(name) != (total, hashlib.sha256(todo.packed).digest()):
            raise LinkError(
                "the files came over wrong; the old firmware is whole. Load again; try another cable if it stays so"
            )

    def _append(self, name: str, data: bytes, anew: bool, progress: Callable[[int], None] = lambda n: None) -> None:
        self._do(f"import binascii\nf = open('/{name}', '{'wb' if anew else 'ab'}')", f"opening {name}")
        for at in range(0, len(data), CHUNK):
            text = base64.b64encode(data[at : at + CHUNK]).decode()
            self._do(f"n = f.write(binascii.a2b_base64('{text}'))", f"writing {name}")
            progress(min(at + CHUNK, len(data)))
        self._do("f.close()", f"writing {name}")

    def _exchange(self, name: str, todo: Plan, inflates: bool) -> None:
        """One rename decides; from then on the board can finish by itself."""
        gone = [old for old in todo.remove if old not in (FINISHER, name)]
        self._append(FINISHER, pack.finisher(name, [*gone, CRASH_FILE], inflates), anew=True)
        self._do(f"import os\nos.rename('/{FINISHER}', '/{MAIN}')")
        self._do(f"exec(open('/{MAIN}').read(), {{'__name__': 'finish'}})", "the files were put in place")

    def _check_placed(self, files: dict[str, bytes]) -> None:
        left = plan(files, self.there(files))
        if not left.idle:
            raise LinkError(
                f"{[*left.write, *left.remove][0]} is not as it should be on the board after the load: load again"
            )

    def has(self, name: str) -> bool:
        """Whether the board has that file."""
        folder, _, _ = name.rpartition("/")
        return name in self._hashes([folder], [name])

    def hold(self) -> None:
        """Restart the chip, without logging and without watchdog; the firmware that is there must know how."""
        self._leave(HOLD)

    def reset(self) -> None:
        """Restart the chip."""
        self._leave(RESET)

    def _leave(self, code: str) -> None:
        with contextlib.suppress(LinkError), _one_line_errors("restarting"):
            self.transport.exec_raw_no_follow(code)

    def _hashes(self, folders: list[str], top: list[str]) -> There:
        return self._tell(HASHES % (folders, top, pack.PREFIX, NEW))

    def _do(self, code: str, doing: str = "asking the board") -> bytes:
        with _one_line_errors(doing):
            return self.transport.exec(code)

    def _tell(self, code: str) -> Any:
        said = self._do(code)
        try:
            return ast.literal_eval(said.decode().strip())
        except (ValueError, SyntaxError) as error:
            raise LinkError(f"the board's prompt answered what makes no sense ({said[:60]!r}): try again") from error


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
