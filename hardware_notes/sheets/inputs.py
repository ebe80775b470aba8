"""Drawings of what feeds the stamped inputs: beam receiver, camera contact, light sensor, clock chip."""

from . import symbols as s
from . import values as v
from .canvas import Sheet


def beam_receiver(pins):
    """Open collector, free contact, and a contact that the transmitter needs as well."""
    sheet = Sheet(
        980, 900, "Beam receiver to BEAM (BEAM2 is wired the same)",
        "Three ways to bring a beam receiver's output to the board: open collector, a free contact, a shared contact.",
    )
    flag = pins.flag("BEAM")
    sheet.text(20, 62, "Wire high = beam whole. Wire low = beam broken.", bold=True)
    _open_collector(sheet, 20, 90, flag)
    _free_contact(sheet, 20, 350, flag)
    _shared_contact(sheet, 20, 610, flag)
    return sheet


def _open_collector(sheet, x, y, flag):
    sheet.text(x, y, "A. Receiver with an open-collector (NPN) output", size=15, bold=True)
    s.breakout(sheet, x + 20, y + 40, 210, 160, "beam receiver")
    sheet.text(x + 34, y + 82, "set to: conducts\nwhen the beam\nis broken")
    s.transistor(sheet, x + 200, y + 80)
    sheet.line((x + 200, y + 80), (x + 200, y + 68), (x + 330, y + 68), (x + 330, y + 100), (x + 420, y + 100))
    sheet.line((x + 200, y + 140), (x + 200, y + 165), (x + 330, y + 165))
    s.ground(sheet, x + 330, y + 165)
    sheet.text(x + 350, y + 182, "0 V of the receiver and of the board joined")
    sheet.text(x + 242, y + 60, "output")
    s.input_stage(sheet, x + 420, y + 100, v.ohms(v.PULL_UP_OHM), flag)
    sheet.text(
        x + 680, y + 70,
        "Measure the free output first:\nmore than 3.3 V on it means a\n"
        "hidden pull-up: take way C's\noptocoupler instead.",
    )


def _free_contact(sheet, x, y, flag):
    sheet.text(x, y, "B. Trigger unit with a free relay contact (nothing else on it)", size=15, bold=True)
    s.breakout(sheet, x + 20, y + 40, 210, 160, "trigger unit")
    sheet.text(x + 34, y + 92, "relay closes\nwhen the beam\nis broken")
    s.contact(sheet, x + 200, y + 85)
    sheet.line((x + 200, y + 85), (x + 200, y + 68), (x + 330, y + 68), (x + 330, y + 100), (x + 420, y + 100))
    sheet.line((x + 200, y + 135), (x + 200, y + 165), (x + 330, y + 165))
    s.ground(sheet, x + 330, y + 165)
    sheet.text(x + 242, y + 60, "contact")
    s.input_stage(sheet, x + 420, y + 100, "1 kΩ", flag)
    sheet.text(
        x + 680, y + 70,
        "1 kΩ gives the contact 3.3 mA.\nNo capacitor across it: the first\n"
        "touch is the stamp, bounce is\njoined by the host.",
    )


def _shared_contact(sheet, x, y, flag):
    sheet.text(x, y, "C. Tap: one contact for the transmitter and for the board, both isolated", size=15, bold=True)
    s.breakout(sheet, x + 20, y + 20, 170, 230, "trigger unit")
    sheet.text(x + 34, y + 66, "its own supply,\n+5 V")
    sheet.line((x + 190, y + 140), (x + 130, y + 140), (x + 130, y + 150))
    s.contact(sheet, x + 130, y + 150)
    s.ground(sheet, x + 130, y + 200)
    sheet.text(x + 110, y + 180, "relay", anchor="end")
    a = s.optocoupler(sheet, x + 290, y + 30, "U1")
    b = s.optocoupler(sheet, x + 290, y + 160, "U2")
    sheet.line((x + 190, a[0][1]), (x + 210, a[0][1]))
    s.resistor(sheet, x + 210, a[0][1], v.ohms(v.TAP_OHM), down=False)
    sheet.line((x + 270, a[0][1]), a[0])
    sheet.line(a[1], (x + 265, a[1][1]), (x + 265, b[0][1]), b[0])
    sheet.line(b[1], (x + 240, b[1][1]), (x + 240, y + 140), (x + 190, y + 140))
    s.breakout(sheet, x + 450, y + 22, 150, 92, "transmitter")
    sheet.text(x + 464, y + 66, "trigger contact,\n+ above, at most\n24 V")
    sheet.line(a[2], (x + 450, a[2][1]))
    sheet.line(a[3], (x + 450, a[3][1]))
    sheet.line(b[2], (x + 630, b[2][1]))
    sheet.line(b[3], (x + 440, b[3][1]))
    s.ground(sheet, x + 440, b[3][1])
    s.input_stage(sheet, x + 630, b[2][1], v.ohms(v.PULL_UP_OHM), flag)
    sheet.text(
        x + 470, y + 228,
        "The rig goes on firing when the board is off.\n"
        "With a 12 V supply: 1.8 kΩ instead of 470 Ω.",
    )


def sync(pins):
    """The camera's contact through an optocoupler with its own cells."""
    sheet = Sheet(
        980, 400, "SYNC: the camera's flash contact, isolated",
        "Camera contact, two cells, resistor, optocoupler and rectifier on one side; the board's input on the other.",
    )
    sheet.text(20, 62, "Wire high = contact open. Wire low = contact closed.", bold=True)
    s.breakout(sheet, 30, 120, 170, 180, "camera")
    sheet.text(44, 286, "flash contact")
    u = s.optocoupler(sheet, 500, 163, "optocoupler, 5 kV kind")
    frame_y, centre_y = u[0][1], u[1][1]
    sheet.line((160, frame_y), (160, frame_y + 3))
    s.contact(sheet, 160, frame_y + 3)
    sheet.line((160, frame_y + 53), (160, centre_y), (400, centre_y))
    sheet.line((160, frame_y), (270, frame_y))
    sheet.text(206, frame_y - 8, "frame")
    sheet.text(206, centre_y - 8, "centre")
    s.cell_right(sheet, 270, frame_y, "two AA or AAA, 3 V")
    sheet.line((310, frame_y), (400, frame_y))
    s.resistor(sheet, 400, frame_y, v.ohms(v.SYNC_OHM), down=False)
    sheet.line((460, frame_y), u[0])
    s.diode_left(sheet, 400, centre_y)
    sheet.line((440, centre_y), u[1])
    sheet.text(400, centre_y + 34, "rectifier 1000 V", anchor="middle")
    sheet.line((555, 100), (555, 150), dash=True)
    sheet.line((555, 275), (555, 330), dash=True)
    sheet.text(545, 115, "camera side", anchor="end")
    sheet.text(565, 115, "board side")
    sheet.line(u[2], (700, u[2][1]))
    s.input_stage(sheet, 700, u[2][1], v.ohms(v.PULL_UP_OHM), pins.flag("SYNC"))
    sheet.line(u[3], (640, u[3][1]))
    s.ground(sheet, 640, u[3][1])
    sheet.text(
        30, 350,
        "No flash on the same contact. The rectifier keeps the optocoupler whole if somebody plugs "
        "one in all the same.",
    )
    sheet.text(30, 372, "Nothing on the left of the broken line touches the board, its ground or its box.")
    return sheet


def light_sensor(pins):
    """Photodiode and comparator for one FLASH input."""
    sheet = Sheet(
        1000, 480, "Light sensor to FLASH1 .. FLASH4 (one for each head)",
        "Photodiode with load resistor, comparator with threshold divider and feedback, board input.",
    )
    sheet.text(20, 62, "Wire high = dark. Wire low = light of this head.", bold=True)
    s.supply(sheet, 110, 130, "3V3")
    s.diode(sheet, 110, 130, up=True, light="in")
    sheet.text(130, 156, "silicon PIN photodiode,\n7 mm², in a black tube")
    sheet.line((110, 170), (110, 200), (430, 200))
    sheet.dot(110, 200)
    s.resistor(sheet, 110, 200, v.ohms(v.LOAD_OHM))
    s.ground(sheet, 110, 260)
    sheet.box(190, 188, 150, 24, round_px=12)
    sheet.text(265, 232, "screened cable, 3 m", anchor="middle")
    _, plus, out = s.comparator(sheet, 430, 180)
    sheet.line(plus, (400, plus[1]), (400, 300))
    sheet.dot(400, 300)
    s.supply(sheet, 320, 300, "3V3")
    s.resistor(sheet, 320, 300, "", down=False)
    sheet.line((380, 300), (400, 300))
    sheet.text(350, 325, v.ohms(v.DIVIDER_TOP_OHM), anchor="middle")
    s.resistor(sheet, 400, 300, v.ohms(v.DIVIDER_BOTTOM_OHM))
    s.ground(sheet, 400, 360)
    sheet.line((400, 300), (450, 300))
    s.resistor(sheet, 450, 300, v.ohms(v.FEEDBACK_OHM), down=False)
    sheet.line((510, 300), (540, 300), (540, out[1]))
    sheet.line(out, (620, out[1]))
    sheet.dot(540, out[1])
    sheet.text(400, 148, "comparator, open collector\n(type 393 or 339)")
    s.input_stage(sheet, 620, out[1], v.ohms(v.PULL_UP_OHM), "FLASH1..4")
    sheet.text(760, 290, "\n".join(f"{name}: GP{pins.gp(name)}" for name in pins.flashes()))
    on, off = v.light_on_v() * 1e3, v.light_off_v() * 1e3
    sheet.text(
        30, 420,
        f"Light is reported above {on:.0f} mV and ends below {off:.0f} mV. 100 nF from 3V3 to "
        "ground at every comparator package.",
    )
    sheet.text(30, 444, "Unused comparators: both inputs to ground.")
    return sheet


def clock(pins):
    """DS3231 module with the 1 Hz wire."""
    sheet = Sheet(
        980, 450, "Clock chip DS3231 with its 1 Hz wire",
        "Module on the left, board pins on the right: supply, ground, data, clock line and the one-second wave.",
    )
    s.breakout(sheet, 40, 80, 220, 310, "DS3231 module")
    sheet.text(60, 250, "its own cell,\n3 V, not\ncharged")
    rows = {"VCC": 130, "GND": 170, "SDA": 210, "SCL": 250, "SQW": 350}
    for name, y in rows.items():
        sheet.text(246, y + 5, name, anchor="end", bold=True)
    sheet.line((260, rows["VCC"]), (330, rows["VCC"]))
    s.supply(sheet, 330, rows["VCC"], "3V3, not 5 V")
    sheet.line((260, rows["GND"]), (330, rows["GND"]))
    s.ground(sheet, 330, rows["GND"])
    for name in ("SDA", "SCL"):
        sheet.line((260, rows[name]), (600, rows[name]))
        s.pin_flag(sheet, 600, rows[name], pins.flag(name))
    sheet.text(345, 204, "pull-ups 4.7 kΩ are on most modules")
    sheet.line((260, rows["SQW"]), (480, rows["SQW"]))
    s.input_stage(sheet, 480, rows["SQW"], "", pins.flag("SECOND"))
    sheet.text(486, 324, v.ohms(v.PULL_UP_OHM), anchor="end")
    sheet.text(
        40, 425,
        "The wave falls at the start of each second. Output 32K stays open. Keep SDA and SCL "
        "shorter than 30 cm.",
    )
    return sheet
