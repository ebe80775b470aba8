"""The board seen from above, every pin that wiring.py uses with its name."""

from .canvas import Sheet
from .pins import LAYOUT

# pins of the common 40-pin layout that are not GP pins
POWER = {
    3: "GND", 8: "GND", 13: "GND", 18: "GND", 23: "GND", 28: "GND", 33: "AGND", 38: "GND",
    30: "RUN", 35: "ADC_VREF", 36: "3V3", 37: "3V3_EN", 39: "VSYS", 40: "VBUS",
}
TOP, STEP, LEFT, RIGHT = 130, 28, 500, 740


def draw(pins):
    """All 40 pins; those in use carry a flag with name and use."""
    sheet = Sheet(
        1100, 750, "The board from above, with its pins",
        "Forty pins of the common board layout; those that Duskgate uses carry their names.",
    )
    sheet.text(
        20, 62,
        "USB socket on top. Numbers in the outline: pins of the common 40-pin layout. Other "
        "boards: go by the GP number.",
    )
    sheet.box(LEFT, TOP - 35, RIGHT - LEFT, 20 * STEP + 50, round_px=8)
    sheet.box((LEFT + RIGHT) / 2 - 32, TOP - 52, 64, 44, fill="white")
    sheet.text((LEFT + RIGHT) / 2, TOP - 26, "USB", anchor="middle")
    sheet.text((LEFT + RIGHT) / 2, TOP + 230, "RP2040 or\nRP2350", anchor="middle", size=14)
    sheet.text((LEFT + RIGHT) / 2, TOP + 300, f"LAMP:\n{pins.wiring.LAMP}", anchor="middle", size=12)
    used = {LAYOUT[gp]: (name, gp, use) for name, gp, _, use, _ in pins.rows}
    names = {number: f"GP{gp}" for gp, number in LAYOUT.items()} | POWER
    for number in range(1, 41):
        _pin(sheet, number, names[number], used.get(number))
    sheet.text(
        20, 728,
        "All inputs rest high: 4.7 kΩ to 3V3 on each input in use, then 1 kΩ in series to the pin. "
        "Sensors get 3V3 from pin 36.",
    )
    return sheet


def _pin(sheet, number, name, use):
    left = number <= 20
    y = TOP + (number - 1) * STEP if left else TOP + (40 - number) * STEP
    edge, outward = (LEFT, -1) if left else (RIGHT, 1)
    inner, outer = ("start", "end") if left else ("end", "start")
    sheet.circle(edge, y, 5, fill="black" if use or number in (36, 39) else "white")
    sheet.text(edge - outward * 12, y + 4, f"{number}  {name}" if left else f"{name}  {number}", size=12, anchor=inner)
    if use:
        sheet.line((edge + outward * 5, y), (edge + outward * 22, y))
        label_x = edge + outward * 28
        width = 70
        sheet.box(label_x if not left else label_x - width, y - 11, width, 22)
        sheet.text(label_x + outward * width / 2, y + 4, use[0], size=12, anchor="middle", bold=True)
        sheet.text(label_x + outward * (width + 8), y + 4, _short(use[2]), size=11, anchor=outer)
    elif number in (36, 39, 38):
        words = {
            36: "3.3 V for sensors and clock chip",
            38: "ground of everything",
            39: "from the cells, 5.5 V at most",
        }
        sheet.line((edge + outward * 5, y), (edge + outward * 22, y))
        sheet.text(edge + outward * 28, y + 4, words[number], size=11, anchor=outer)


def _short(use):
    return use.replace(" the camera's flash contact is closed", " the camera's contact is closed")
