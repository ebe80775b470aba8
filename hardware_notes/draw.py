"""Write drawings/*.svg and the generated parts of the pages from firmware/wiring.py.

Run it after every change of wiring.py: `python hardware_notes/draw.py`. With --check nothing is written and the exit
code is 1 where a file is not what would be written.
"""

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
if str(HERE) not in sys.path:
    sys.path.insert(0, str(HERE))

from sheets import board, inputs, outputs, rig, unit, values  # noqa: E402
from sheets.pins import Pins  # noqa: E402

DRAWINGS = {
    "rig": rig.draw,
    "board": board.draw,
    "beam_receiver": inputs.beam_receiver,
    "sync": inputs.sync,
    "light_sensor": inputs.light_sensor,
    "clock": inputs.clock,
    "battery": outputs.battery,
    "shot": outputs.shot,
    "unit_delay": unit.draw,
}


def between(text, name, lines, where):
    """Text with what stands between the markers of that name replaced. ValueError: a marker is missing."""
    begin, end = f"<!-- generated: {name} -->", "<!-- end of generated -->"
    if begin not in text or end not in text[text.index(begin) :]:
        raise ValueError(f"{where}: no line '{begin}' followed by '{end}': put both back")
    start = text.index(begin) + len(begin)
    return text[:start] + "\n" + "\n".join(lines) + "\n" + text[text.index(end, start) :]


def value_table():
    lines = ["| what | how it follows | figure |", "|---|---|---|"]
    return lines + [f"| {what} | {how} | {figure} |" for what, how, figure in values.rows()]


def outputs_of(pins):
    """Path -> text of every file that this script writes."""
    texts = {HERE / "drawings" / f"{name}.svg": make(pins).svg() for name, make in DRAWINGS.items()}
    for page, name, lines in (("pins.md", "pins", pins.table()), ("sensors.md", "values", value_table())):
        path = HERE / page
        texts[path] = between(path.read_text(encoding="utf-8"), name, lines, page)
    return texts


def main(arguments):
    check = "--check" in arguments
    stale = []
    for path, text in outputs_of(Pins()).items():
        old = path.read_text(encoding="utf-8") if path.exists() else None
        if old == text:
            continue
        stale.append(path)
        if not check:
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
    for path in stale:
        print(f"{'not current' if check else 'written'}: {path.relative_to(HERE)}")
    return 1 if check and stale else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
