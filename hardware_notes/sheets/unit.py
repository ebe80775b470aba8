"""How the trigger unit's own delay is measured."""

from . import symbols as s
from .canvas import Sheet


def draw(pins):
    """A photodiode beside the unit's receiver sees the true break; the unit's contact is stamped next to it."""
    sheet = Sheet(
        1040, 440, "The trigger unit's own delay",
        "A shutter darkens the unit's emitter; a fast photodiode stamps the true break on one "
        "input, the unit's contact on another.",
    )
    s.breakout(sheet, 40, 110, 150, 70, "unit's emitter")
    sheet.text(115, 160, "dark: supply cut", anchor="middle", size=12)
    sheet.box(270, 95, 12, 100, fill="black")
    sheet.text(276, 230, "or: a shutter falls\nin front of it", anchor="middle", size=12)
    sheet.arrow(190, 130, 440, 130, dash=True)
    sheet.arrow(190, 145, 440, 235, dash=True)
    s.breakout(sheet, 440, 95, 150, 70, "unit's receiver")
    sheet.text(515, 146, "and filter, relay", anchor="middle", size=12)
    s.breakout(sheet, 440, 220, 150, 80, "fast photodiode")
    sheet.text(515, 263, "close beside it,\nown comparator", anchor="middle", size=12)
    sheet.arrow(590, 130, 680, 130)
    sheet.text(635, 118, "contact", anchor="middle", size=12)
    s.breakout(sheet, 680, 105, 130, 50, "input stage")
    sheet.text(745, 145, "or tap", anchor="middle", size=12)
    sheet.line((810, 130), (860, 130))
    s.pin_flag(sheet, 860, 130, pins.flag("BEAM"))
    sheet.line((590, 260), (860, 260))
    s.pin_flag(sheet, 860, 260, pins.flag("BEAM2"))
    sheet.text(610, 248, "low when dark", size=12)
    sheet.arrow(930, 245, 930, 145)
    sheet.text(940, 200, "delay", bold=True)
    sheet.text(40, 350, "Delay of the unit = time from the fall of BEAM2 to the next fall of BEAM.", bold=True)
    sheet.text(
        40, 375,
        "The photodiode's comparator has its inputs exchanged against the light sensor: here dark "
        "pulls the wire low.",
    )
    sheet.text(
        40, 400,
        "An emitter that flickers fast (modulated light) needs the hold circuit described in "
        "beam.md, else BEAM2 counts every flicker.",
    )
    return sheet
