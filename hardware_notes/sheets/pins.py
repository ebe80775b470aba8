"""The board's pins as firmware/wiring.py has them, for drawings and the table."""

import importlib.util
import re
import textwrap
from pathlib import Path

WIRING = Path(__file__).resolve().parents[2] / "firmware" / "wiring.py"

# GP number -> pin of the common 40-pin board layout; boards of another shape go by the GP number
LAYOUT = {
    0: 1, 1: 2, 2: 4, 3: 5, 4: 6, 5: 7, 6: 9, 7: 10, 8: 11, 9: 12, 10: 14, 11: 15, 12: 16, 13: 17, 14: 19, 15: 20,
    16: 21, 17: 22, 18: 24, 19: 25, 20: 26, 21: 27, 22: 29, 26: 31, 27: 32, 28: 34,
}

# input name -> (direction, what it is)
INPUT_USES = {
    "BEAM": "low while the feeder's beam is broken",
    "BEAM2": "second beam, optional: low while it is broken",
    "SYNC": "low while the camera's flash contact is closed, optional",
    "FLASH1": "low while head 1 gives light",
    "FLASH2": "low while head 2 gives light",
    "FLASH3": "low while head 3 gives light",
    "FLASH4": "low while head 4 gives light",
    "SECOND": "1 Hz wave of the clock chip, falls at each second",
}
# name in the table -> (constant of wiring.py, direction, what it is)
OTHER_USES = {
    "SHOT": ("SHOT", "out", "pulled low to fire the rig on the bench, else open"),
    "BUTTON": ("BUTTON", "in", "push button to ground: note in the log"),
    "HOLD": ("HOLD", "in", "to ground at power-up: no logging"),
    "SDA": ("SDA", "both", "clock chip, data"),
    "SCL": ("SCL", "out", "clock chip, clock line"),
    "SUPPLY": ("SUPPLY_ADC", "in, analogue", "supply through the divider"),
    "PULSE": ("PULSE_ADC", "in, analogue", "light pulse shape, optional"),
}


def load(path=WIRING):
    """wiring.py as a module, by its path: it is not installed anywhere."""
    spec = importlib.util.spec_from_file_location("wiring_of_the_board", path)
    if spec is None or spec.loader is None:
        raise SystemExit(f"{path}: cannot be read as Python; the drawings need firmware/wiring.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def reasons(path=WIRING):
    """Constant -> the remark above it; a remark holds for every constant up to the next empty line."""
    found, remark, fresh = {}, [], True
    for line in path.read_text(encoding="utf-8").splitlines():
        name = re.match(r"([A-Z][A-Z0-9_]*) = ", line)
        if line.startswith("# "):
            remark = [*remark, line[2:]] if not fresh else [line[2:]]
            fresh = False
        elif name:
            found[name[1]] = " ".join(remark)
            fresh = True
        elif not line:
            remark, fresh = [], True
    return found


class Pins:
    """rows: (name, GP number, direction, use, reason) in the order of GP numbers."""

    def __init__(self, path=WIRING):
        self.wiring = load(path)
        why = reasons(path)
        rows = [
            (name, self.wiring.FIRST_INPUT + bit, "in", INPUT_USES[name], why["FIRST_INPUT"])
            for bit, name in enumerate(self.wiring.CHANNELS[: self.wiring.INPUTS])
        ]
        for name, (constant, direction, use) in OTHER_USES.items():
            rows.append((name, getattr(self.wiring, constant), direction, use, why[constant]))
        self.rows = sorted(rows, key=lambda row: row[1])
        self._gp = {row[0]: row[1] for row in rows}
        self._lamp_reason = why["LAMP"]

    def gp(self, name):
        return self._gp[name]

    def flag(self, name):
        """Text of a pin flag: "BEAM GP2"."""
        return f"{name} GP{self.gp(name)}"

    def flashes(self):
        return [name for name in self.wiring.CHANNELS if name.startswith("FLASH")]

    def divider_factor(self):
        return (self.wiring.SUPPLY_UPPER_OHM + self.wiring.SUPPLY_LOWER_OHM) / self.wiring.SUPPLY_LOWER_OHM

    def table(self):
        """Markdown lines of the pin table."""
        lines = ["| pin | on a 40-pin board | name | direction | what it is |", "|---|---|---|---|---|"]
        for name, gp, direction, use, _ in self.rows:
            lines.append(f"| GP{gp} | {LAYOUT[gp]} | {name} | {direction} | {use} |")
        lines.append(f"| {self.wiring.LAMP} | on the board | LAMP | out | one colour, short blinks |")
        lines += ["", "Why these pins (the remarks of `firmware/wiring.py`):", ""]
        said = {}
        for name, _, _, _, why in self.rows:
            said.setdefault(why, []).append(name)
        said[self._lamp_reason] = ["LAMP"]
        for why, names in said.items():
            if why:
                lines += textwrap.wrap(f"- {', '.join(names)}: {why}", 118, subsequent_indent="  ")
        return lines
