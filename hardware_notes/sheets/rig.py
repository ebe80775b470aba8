"""The whole rig: who sees what, and which wire goes where."""

from . import symbols as s
from .canvas import Sheet


def draw(pins):
    """Beam, trigger unit, transmitter, heads with their sensors, camera, board, laptop."""
    sheet = Sheet(
        1120, 800, "The whole rig",
        "Emitter and receiver face each other across the feeder; the board watches the beam, the "
        "heads, the camera and the clock.",
    )
    _beam(sheet)
    _heads(sheet)
    _board(sheet, pins)
    _wires(sheet)
    _key(sheet)
    return sheet


def _beam(sheet):
    s.breakout(sheet, 40, 100, 140, 70, "beam emitter")
    sheet.text(110, 150, "shaded tube", anchor="middle")
    sheet.arrow(180, 135, 440, 135, dash=True)
    sheet.text(310, 120, "beam, across the spot", anchor="middle")
    s.breakout(sheet, 440, 100, 150, 70, "beam receiver")
    sheet.text(515, 150, "shaded tube", anchor="middle")
    sheet.circle(310, 190, 26)
    sheet.text(310, 195, "feeder", anchor="middle", size=12)
    s.breakout(sheet, 670, 100, 150, 70, "trigger unit")
    sheet.text(745, 150, "or the receiver itself", anchor="middle", size=12)
    sheet.arrow(590, 135, 670, 135)
    s.breakout(sheet, 900, 100, 170, 70, "radio transmitter")
    sheet.text(985, 150, "its trigger contact", anchor="middle", size=12)
    sheet.arrow(820, 135, 900, 135)


def _heads(sheet):
    for k in range(3):
        y = 250 + k * 90
        s.breakout(sheet, 880, y, 190, 60, f"head {k + 1} with radio")
        sheet.text(975, y + 46, "own cells, manual power", anchor="middle", size=12)
        sheet.box(720, y + 15, 100, 32, round_px=14)
        sheet.text(770, y + 36, f"sensor {k + 1}", anchor="middle", size=12)
        sheet.arrow(880, y + 30, 820, y + 30, dash=True)
        sheet.line((720, y + 31), (640, y + 31))
    sheet.arrow(985, 170, 985, 250, dash=True)
    sheet.text(1000, 215, "radio")
    sheet.text(850, 270, "light", anchor="middle", size=12)


def _board(sheet, pins):
    sheet.box(330, 270, 250, 330, round_px=8, fill="white")
    sheet.text(455, 292, "Duskgate board", anchor="middle", bold=True, size=14)
    left = [("BEAM", 330), ("SYNC", 420), ("SHOT", 500)]
    right = [("FLASH1", 320), ("FLASH2", 371), ("FLASH3", 461), ("SDA", 520), ("SCL", 545), ("SECOND", 570)]
    for name, y in left:
        sheet.text(340, y + 5, pins.flag(name), size=12)
    for name, y in right:
        sheet.text(570, y + 5, pins.flag(name), anchor="end", size=12)
    sheet.text(340, 585, f"VSYS, {pins.flag('SUPPLY')}", size=12)


def _wires(sheet):
    sheet.line((630, 135), (630, 230), (280, 230), (280, 330), (330, 330))
    sheet.dot(630, 135)
    sheet.text(300, 250, "through the input stage, or a tap (optocoupler)", size=12)
    sheet.line((640, 281), (640, 320), (580, 320))
    sheet.line((640, 371), (580, 371))
    sheet.line((640, 461), (580, 461))
    sheet.text(712, 362, "comparator", size=12, anchor="end")
    s.breakout(sheet, 40, 385, 150, 70, "camera")
    sheet.text(115, 435, "shutter open for seconds", anchor="middle", size=11)
    sheet.line((190, 420), (330, 420))
    sheet.text(260, 410, "optocoupler", anchor="middle", size=12)
    s.breakout(sheet, 40, 480, 150, 60, "SHOT, bench only")
    sheet.text(115, 526, "fires the transmitter", anchor="middle", size=12)
    sheet.line((190, 500), (330, 500))
    sheet.text(260, 490, "optocoupler", anchor="middle", size=12)
    s.breakout(sheet, 690, 505, 180, 80, "DS3231 module")
    sheet.text(780, 550, "clock, keeps time\non its own cell", anchor="middle", size=12)
    for y in (520, 545, 570):
        sheet.line((580, y), (690, y))
    s.breakout(sheet, 330, 650, 250, 60, "cells, fuse")
    sheet.text(455, 695, "divider to the supply input", anchor="middle", size=12)
    sheet.arrow(400, 650, 400, 600)
    s.breakout(sheet, 690, 650, 180, 60, "laptop")
    sheet.text(780, 695, "in the morning, by USB", anchor="middle", size=12)
    sheet.line((690, 680), (635, 680), (635, 620), (520, 620), (520, 600))
    sheet.text(545, 640, "USB", size=12)


def _key(sheet):
    sheet.line((40, 660), (90, 660), dash=True)
    sheet.text(100, 665, "light or radio")
    sheet.line((40, 690), (90, 690))
    sheet.text(100, 695, "wire")
    sheet.text(40, 740, "Beam whole: BEAM is high.  Beam broken: BEAM is low.", bold=True)
    sheet.text(
        40, 765,
        "A fourth head is wired like the others, to FLASH4. A second beam some centimetres along "
        "the flight goes to BEAM2.",
    )
