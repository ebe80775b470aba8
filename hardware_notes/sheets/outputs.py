"""Drawings of the firing output and of the supply."""

from . import symbols as s
from . import values as v
from .canvas import Sheet


def shot(pins):
    """SHOT through an optocoupler, with the bench jumper to BEAM2 and a hand button."""
    sheet = Sheet(
        980, 480, "SHOT: firing the rig on the bench",
        "The SHOT pin closes an optocoupler across the transmitter's trigger contact; a jumper "
        "shows the same moment to BEAM2.",
    )
    sheet.text(20, 62, "Wire high = rest. Wire low = a shot: the transmitter fires.", bold=True)
    s.pin_flag(sheet, 150, 206, pins.flag("SHOT"), left_of=False)
    u = s.optocoupler(sheet, 470, 138, "optocoupler, 5 kV kind")
    _shot_drive(sheet, u, pins)
    s.breakout(sheet, 700, 110, 230, 130, "transmitter")
    sheet.text(716, 160, "test or trigger contact:\n+ above, − below;\nat most 24 V, measured")
    sheet.line(u[2], (700, u[2][1]))
    sheet.line(u[3], (700, u[3][1]))
    return sheet


def _shot_drive(sheet, u, pins):
    anode, cathode = u[0], u[1]
    s.supply(sheet, 360, anode[1], "3V3")
    sheet.line((360, anode[1]), (380, anode[1]))
    s.resistor(sheet, 380, anode[1], v.ohms(v.SHOT_OHM), down=False)
    sheet.line((440, anode[1]), anode)
    sheet.line((150, cathode[1]), cathode)
    sheet.dot(230, cathode[1])
    sheet.line((230, cathode[1]), (230, 340), (300, 340))
    s.jumper(sheet, 300, 340, "J1, bench only")
    sheet.line((340, 340), (460, 340))
    s.input_stage(sheet, 460, 340, v.ohms(v.PULL_UP_OHM), pins.flag("BEAM2"))
    sheet.text(590, 300, "unplug the second beam first")
    sheet.dot(230, 340)
    sheet.line((230, 340), (230, 360))
    s.contact(sheet, 230, 360)
    s.ground(sheet, 230, 410)
    sheet.text(212, 392, "hand button", anchor="end")
    sheet.text(270, 400, "A press or a shot lights the optocoupler and is stamped on BEAM2 at the same moment.")


def battery(pins):
    """Cells, fuse, board supply and the divider for boards whose own supply reading is taken by the radio."""
    sheet = Sheet(
        980, 460, "Cells, and the divider for the supply reading",
        "Battery through a fuse and a diode to the board; two resistors and a capacitor bring a "
        "part of its voltage to an input.",
    )
    sheet.text(
        20, 62,
        "Boards with a radio cannot read their own supply, so the divider is wired on every "
        "board.", bold=True,
    )
    s.cell(sheet, 110, 210, "")
    sheet.text(50, 290, "cells, at most\n5.5 V when full")
    sheet.line((110, 210), (110, 140), (170, 140))
    sheet.box(170, 132, 46, 16)
    sheet.line((170, 140), (250, 140))
    sheet.text(193, 120, "fuse 500 mA", anchor="middle")
    s.ground(sheet, 110, 250)
    sheet.dot(250, 140)
    sheet.line((250, 140), (330, 140))
    s.diode_right(sheet, 330, 140)
    sheet.text(350, 118, "Schottky diode, 1 A", anchor="middle")
    sheet.line((370, 140), (470, 140))
    s.breakout(sheet, 470, 100, 260, 80, "board")
    sheet.text(486, 145, "VSYS", bold=True)
    sheet.text(486, 168, "USB may be plugged in as well")
    sheet.line((250, 140), (250, 170))
    s.resistor(sheet, 250, 170, v.ohms(pins.wiring.SUPPLY_UPPER_OHM))
    sheet.dot(250, 230)
    s.resistor(sheet, 250, 230, v.ohms(pins.wiring.SUPPLY_LOWER_OHM))
    s.ground(sheet, 250, 290)
    sheet.line((250, 230), (560, 230))
    sheet.dot(420, 230)
    s.capacitor(sheet, 420, 230, "100 nF")
    s.ground(sheet, 420, 270)
    s.pin_flag(sheet, 560, 230, pins.flag("SUPPLY"))
    factor = pins.divider_factor()
    total = pins.wiring.SUPPLY_UPPER_OHM + pins.wiring.SUPPLY_LOWER_OHM
    sheet.text(
        30, 370,
        f"The input sees 1/{factor:g} of the cells: full scale {factor * v.SUPPLY_V:.1f} V. "
        f"Both resistors 1 %. Drain at 5 V: {5e6 / total:.0f} µA.",
    )
    sheet.text(
        30, 394,
        "On USB alone, without cells, the log says about 0 mV: that is right, the divider sits on "
        "the cells' side of the diode.",
    )
    sheet.text(30, 418, "The diode keeps USB from charging the cells. It costs about 0.3 V.")
    return sheet
