"""The board under test: loading, power, playing, pulling - with the tool's own code wherever it has some."""

import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from duskgate.cli.pull import pull_with
from duskgate.errors import LinkError
from duskgate.link import install
from duskgate.link.port import BoardLink
from duskgate.logfile.decode import read_dgl_files

from .clocks import SettledClock
from .control import Control
from .match import Match, match
from .scene import CHANNELS, FIRST_INPUT, TICK_US, Edges

SILENCE_S = 15.0  # wall time without an answer: a board that is emulated runs slower than real time when busy
BACK_S = 120.0
HOLD_PIN, SHOT_PIN, LAMP_PIN, BUTTON_PIN = 15, 10, 25, 11
EMPTY = """
import os
for name in os.listdir('/log'):
    os.remove('/log/' + name)
"""


@dataclass
class Played:
    """A scene that began at board time `begin_us` in boot `boot_id`, whose tick 0 lies in `zero_us`."""

    edges: Edges
    begin_us: float
    boot_id: int
    zero_us: tuple[float, float]

    @property
    def end_us(self) -> float:
        return self.begin_us + self.edges.end_us


class ChipBoard:
    """`url`: the serial link; `control`: the control port. `folder`: a new logbook for each call of `pull()`."""

    def __init__(self, url: str, control: Control, folder: Path):
        self.url = url
        self.control = control
        self._clock = SettledClock(control)
        self._folder = folder
        self._pulls = 0

    # -- power and programs ---------------------------------------------------------------------------------------

    def rest(self) -> None:
        """All inputs at rest, buttons open, no scene, power on, real time."""
        self.control("clear")
        self.control("speed", speed=1)
        for channel in range(CHANNELS):
            self.control("pin", pin=FIRST_INPUT + channel, level=1)
        for pin in (HOLD_PIN, BUTTON_PIN):
            self.control("pin", pin=pin, level=1)
        if not self.control("status")["on"]:
            self.control("on")

    def load(self, *options: str, code: int = 0) -> str:
        """`duskgate load`; what it said. `code`: the exit code that it shall have."""
        process = self.begin_load(*options)
        said, _ = process.communicate(timeout=600)
        assert process.returncode == code, said
        return said

    def begin_load(self, *options: str) -> subprocess.Popen:
        """`duskgate load`, begun."""
        command = [sys.executable, "-m", "duskgate", "load", "--port", self.url, *options]
        return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)

    def cut(self, off_s: float = 1.0) -> None:
        """Power off now and on again."""
        self.control("cut")
        self.control("on", after_us=1e6 * off_s)

    def await_logger(self, within_s: float = BACK_S) -> dict:
        """`who` of the board once it logs."""
        end = time.monotonic() + within_s
        while True:
            try:
                with BoardLink(self.url, self._clock, silence_s=2.0) as link:
                    return link.who()
            except LinkError:
                if time.monotonic() > end:
                    raise
            time.sleep(0.2)

    @contextmanager
    def link(self):
        with BoardLink(self.url, self._clock, silence_s=SILENCE_S) as link:
            yield link

    @contextmanager
    def prompt(self, hold: bool = True):
        """The board's prompt with nothing running; `hold`: ask the logger for it first. Ends with a restart."""
        if hold:
            self.hold()
        transport = install.prompt_when_back(self.url, BACK_S)
        try:
            yield transport
        finally:
            install.Installer(transport).reset()
            install.close_prompt(transport)
            time.sleep(0.5)

    def hold(self) -> None:
        """Have the logger restart without logging, and wait until it has."""
        starts = self.control("status")["boots"]
        with self.link() as link:
            link.restart("hold")
        while self.control("status")["boots"] == starts:
            self.control.wait(0.1)

    def empty_store(self) -> None:
        """Remove all segments; the board logs again afterwards."""
        with self.prompt() as transport:
            transport.exec(EMPTY)
        self.await_logger()

    # -- scenes ----------------------------------------------------------------------------------------------------

    def zero(self, link: Any) -> tuple[int, tuple[float, float]]:
        """(boot id, bounds of the board time of tick 0): the tick is read between two looks at board time."""
        before = self.control.now_us()
        facts = link.ask("tick").facts
        after = self.control.now_us()
        at = facts["tick"] * TICK_US
        return facts["boot_id"], (before - at - 5e3, after - at + 5e3)

    def play(self, link: Any, edges: Edges, meanwhile: Callable[[], object] | None = None) -> Played:
        """Play a scene to its end; `meanwhile` is called again and again until then."""
        played = self.begin(link, edges)
        while self.control.now_us() < played.end_us + 50e3:
            if meanwhile is None:
                self.control.wait_until(played.end_us + 50e3)
            else:
                meanwhile()
        return played

    def begin(self, link: Any, edges: Edges) -> Played:
        """Start a scene."""
        boot_id, zero = self.zero(link)
        return Played(edges, self.control("scene", scene=edges.as_scene())["start_us"], boot_id, zero)

    # -- the log ---------------------------------------------------------------------------------------------------

    def pull(self, logbook: Path | None = None) -> Any:
        """Everything on the board, by the tool's own pull, as a Recording."""
        logbook = logbook or self._new_folder()
        with self.link() as link:
            self.pull_with(link, logbook)
        return read_dgl_files(sorted(logbook.glob("*.dgl")))

    def log(self, link: Any) -> Any:
        """Everything on the board now, over an open link, as a Recording."""
        logbook = self._new_folder()
        self.pull_with(link, logbook)
        return read_dgl_files(sorted(logbook.glob("*.dgl")))

    def pull_with(self, link: Any, logbook: Path | None = None) -> Any:
        """The tool's own pull over an open link; its result."""
        return pull_with(link, logbook or self._new_folder(), None, whole=True)

    def _new_folder(self) -> Path:
        self._pulls += 1
        return self._folder / f"pull{self._pulls}"

    def compare(self, recording: Any, played: Played) -> Match:
        """The edges of a scene against its boot's edges in the log."""
        stamps = boot_rows(recording, "edges", played.boot_id)
        return match(stamps, played.edges, played.begin_us, played.zero_us)


def boot_rows(recording: Any, name: str, boot_id: int) -> pd.DataFrame:
    """Rows of a table that belong to a boot, by its id."""
    boots = recording.boots
    number = boots.loc[boots["boot_id"] == boot_id, "boot"]
    assert len(number) == 1, f"boot {boot_id} is not in the log: {boots['boot_id'].tolist()}"
    rows = getattr(recording, name)
    return rows[rows["boot"] == number.iloc[0]]


def readings(recording: Any, boot_id: int, kind: str) -> tuple[np.ndarray, np.ndarray]:
    """(t_ns, values) of one kind of reading in a boot."""
    rows = boot_rows(recording, "readings", boot_id)
    rows = rows[rows["kind"] == kind]
    return rows["t_ns"].to_numpy(), rows["value"].to_numpy()
