"""A board without a board: the firmware's own loop on a scene.

    micropython -X heapsize=2m firmware/sim/run.py --scene SCENE --flash PATH [options]
    python firmware/sim/run.py --scene SCENE --flash PATH [options]

Options: --board HEX  --boot-at-ns N  --speed 0|1  --settings name=value,...  --tcp PORT (CPython)
--flash-faults bad=N:N..,read_only=1,erase_ms=N  (a flash that is not well; erase_ms: every erase takes so long)
The link is on standard input and output; progress and faults go to standard error:
`scene <percent>`, `scene end`, `tcp <port>`, `reset <ns> <cause>` before exit code 75 (start again with --boot-at-ns).
"""

import sys

_HERE = __file__.replace("\\", "/").rpartition("/")[0] or "."
sys.path.insert(0, _HERE + "/..")

import binascii  # noqa: E402
import os  # noqa: E402

from core.settings import Settings  # noqa: E402
from core.shim import const  # noqa: E402
from core.store import Store  # noqa: E402
from station import Identity, Station  # noqa: E402

from sim import flash_fs, scene, usb  # noqa: E402
from sim.button import Button  # noqa: E402
from sim.edge_stamper import EdgeStamper  # noqa: E402
from sim.lamp import Lamp  # noqa: E402
from sim.light_pulse import LightPulse  # noqa: E402
from sim.pace import BoardReset, Pace, Time  # noqa: E402
from sim.rtc import Rtc  # noqa: E402
from sim.shot import Shot  # noqa: E402
from sim.supply import Supply  # noqa: E402
from sim.watchdog import Watchdog  # noqa: E402
from sim.wave import Wave  # noqa: E402

EXIT_RESET = const(75)
CAUSE_POWER_ON = const(1)
CAUSE_ASKED = const(3)
OPTIONS = {
    "--scene": None,
    "--flash": None,
    "--board": "",
    "--boot-at-ns": "0",
    "--speed": "0",
    "--settings": "",
    "--tcp": "",
    "--flash-faults": "",
}


def say(text):
    sys.stderr.write(text + "\n")
    if hasattr(sys.stderr, "flush"):
        sys.stderr.flush()


def options(words):
    """Command line to a dict; SystemExit with a line that says what is wrong."""
    found = dict(OPTIONS)
    for i in range(0, len(words), 2):
        if words[i] not in found or i + 1 >= len(words):
            sys.exit("run.py: %s is not an option with a value; see the head of the file" % words[i])
        found[words[i]] = words[i + 1]
    for name in ("--scene", "--flash"):
        if not found[name]:
            sys.exit("run.py: %s is needed" % name)
    return found


class Scratch:
    """What a chip keeps over a reset: cause and whether to hold. A small file beside the flash, read once."""

    def __init__(self, flash_path):
        self._path = flash_path + ".scratch"

    def take(self):
        """("", None) or (how, cause); forgotten at once."""
        try:
            with open(self._path) as file:
                how, cause = file.read().split()
            os.remove(self._path)
        except (OSError, ValueError):
            return "", None
        return how, int(cause)

    def leave(self, how, cause):
        with open(self._path, "w") as file:
            file.write("%s %d" % (how, cause))


def identity(board_hex, header):
    """Board id from the command line, else from the scene; interpreter as it is."""
    board = binascii.unhexlify(board_hex or header.get("board") or "00" * 8)
    micropython = sys.implementation.name == "micropython"
    version = tuple(sys.implementation.version[:3])
    text = "%s %d.%d.%d" % ("MicroPython" if micropython else "CPython", version[0], version[1], version[2])
    return Identity(board, text, 2 if micropython else 3, version)


def boot_id(header, boot_at_ns, boot_no):
    """Random on a board; here made from the scene, so that a scene gives the same log every time."""
    words = "%d %d %d" % (header.get("seed", 0), boot_at_ns, boot_no)
    return binascii.crc32(words.encode()) or 1


class Board:
    """The parts, wired to the scene. `last` holds, by kind, what the scene said before this boot."""

    def __init__(self, path, boot_at_ns, low_mask, stream, speed):
        self.events = scene.Events(path)
        header = self.events.header
        clock_hz, cycles = header["clock_hz"], header["cycles_per_tick"]
        self.time = Time(boot_at_ns, clock_hz, cycles)
        self.last = self.events.skip_to(boot_at_ns)
        wave = Wave(path, self.time.to_tick, 0)
        self.stamper = EdgeStamper(self.time, wave, clock_hz, cycles, low_mask)
        self.rtc = Rtc(self.time, wave, self.stamper)
        self.supply = Supply()
        self.button = Button()
        handlers = self._handlers()
        for kind in (scene.LEVELS, scene.SUPPLY_MV, scene.TEMPERATURE_C100, scene.CLOCK_STATE, scene.CLOCK_AHEAD):
            if self.last[kind] is not None:
                handlers[kind](0, self.last[kind])
        self.pace = Pace(self.time, self.events, handlers, self.stamper, stream, speed, say)
        self.parts = {
            "stamper": self.stamper,
            "rtc": self.rtc,
            "supply": self.supply,
            "button": self.button,
            "lamp": Lamp(),
            "watchdog": Watchdog(),
            "stream": stream,
            "pace": self.pace,
            "shot": Shot(self.pace, header),
        }
        if header.get("light_pulse"):
            self.parts["pulse"] = self.stamper.light = LightPulse(self.time, header)

    def _handlers(self):
        handlers = [None] * scene.KINDS
        handlers[scene.LEVELS] = self.stamper.change
        handlers[scene.SUPPLY_MV] = lambda _tick, value: self.supply.scene_supply(value)
        handlers[scene.TEMPERATURE_C100] = lambda _tick, value: self.rtc.scene_temperature(scene.signed(value))
        handlers[scene.RING_LOSS] = self.stamper.lose
        handlers[scene.CLOCK_STATE] = self.rtc.scene_state
        handlers[scene.CLOCK_AHEAD] = self.rtc.scene_ahead
        handlers[scene.BUTTON] = lambda _tick, _value: self.button.scene_press()
        handlers[scene.FIFO_DROP] = self.stamper.drop
        return handlers


def load_settings(fs, words):
    settings = Settings(fs)
    for word in words.split(",") if words else ():
        name, _, value = word.partition("=")
        try:
            settings.override(name, int(value))
        except (KeyError, ValueError):
            sys.exit("run.py: %s is not a setting with a value in bounds" % word)
    return settings


def flash_faults(words):
    """(Faults, milliseconds of an erase)"""
    found = {"bad": "", "read_only": "0", "erase_ms": "0"}
    for word in words.split(",") if words else ():
        name, _, value = word.partition("=")
        if name not in found:
            sys.exit("run.py: %s is no fault of a flash; see the head of the file" % word)
        found[name] = value
    bad = [int(number) for number in found["bad"].split(":") if number]
    return flash_fs.Faults(bad, found["read_only"] == "1"), int(found["erase_ms"])


def main(words):
    chosen = options(words)
    scratch = Scratch(chosen["--flash"])
    how, cause = scratch.take()
    if how == "hold":
        say("hold: not logging; start again to log")
        return 0
    faults, erase_ms = flash_faults(chosen["--flash-faults"])
    try:
        fs = flash_fs.mount(chosen["--flash"], faults)
    except OSError as error:
        sys.exit("run.py: %s is no flash of a board (error %s): name another file" % (chosen["--flash"], error))
    settings = load_settings(fs, chosen["--settings"])
    stream = usb.Stdio()
    if chosen["--tcp"]:
        stream = usb.Tcp(int(chosen["--tcp"]))
        say("tcp %d" % stream.port)
    at_ns = int(chosen["--boot-at-ns"])
    board = Board(chosen["--scene"], at_ns, settings["low_mask"], stream, int(chosen["--speed"]))
    if cause is None:
        cause = CAUSE_POWER_ON
    store = Store(fs, lambda: settings["drop_unpulled"])
    header = board.events.header
    own_id = boot_id(header, at_ns, store.last_boot_no + 1)
    station = Station(board.parts, identity(chosen["--board"], header), settings, store, own_id, cause)
    if erase_ms:
        faults.erased = lambda: board.pace.stall(erase_ms)
    try:
        how = station.run()
    except BoardReset as reset:
        scratch.leave("log", reset.cause)
        say("reset %d %d" % (reset.t_ns, reset.cause))
        return EXIT_RESET
    except KeyboardInterrupt:
        say("stopped by Ctrl-C")
        return 0
    scratch.leave(how, CAUSE_ASKED)
    say("reset %d %d" % (board.time.now_ns, CAUSE_ASKED))
    return EXIT_RESET


def guarded(words):
    """main(), with the text of a failure on the error stream: standard output belongs to the link."""
    try:
        return main(words)
    except Exception as error:
        if not hasattr(sys, "print_exception"):
            raise
        sys.print_exception(error, sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(guarded(sys.argv[1:]))
