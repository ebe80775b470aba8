"""Circuit symbols (IEC 60617 style, simplified). Each draws on a sheet; most return where their wires end."""


def ground(sheet, x, y):
    """Ground below a wire that ends at (x, y)."""
    sheet.line((x, y), (x, y + 8))
    for row, half in enumerate((11, 7, 3)):
        sheet.line((x - half, y + 8 + row * 4), (x + half, y + 8 + row * 4))


def supply(sheet, x, y, name):
    """Supply rail above a wire that ends at (x, y)."""
    sheet.line((x, y), (x, y - 8))
    sheet.line((x - 11, y - 8), (x + 11, y - 8), thick=2.4)
    sheet.text(x, y - 14, name, anchor="middle")


def resistor(sheet, x, y, value, down=True, side="right"):
    """Resistor of 60 px from (x, y) down, or to the right; its value beside or above it."""
    if down:
        sheet.line((x, y), (x, y + 12))
        sheet.box(x - 7, y + 12, 14, 36, fill="white")
        sheet.line((x, y + 48), (x, y + 60))
        if side == "right":
            sheet.text(x + 13, y + 35, value)
        else:
            sheet.text(x - 13, y + 35, value, anchor="end")
        return x, y + 60
    sheet.line((x, y), (x + 12, y))
    sheet.box(x + 12, y - 7, 36, 14, fill="white")
    sheet.line((x + 48, y), (x + 60, y))
    sheet.text(x + 30, y - 13, value, anchor="middle")
    return x + 60, y


def capacitor(sheet, x, y, value, side="right"):
    """Capacitor of 40 px from (x, y) down."""
    sheet.line((x, y), (x, y + 17))
    sheet.line((x - 12, y + 17), (x + 12, y + 17), thick=2.4)
    sheet.line((x - 12, y + 23), (x + 12, y + 23), thick=2.4)
    sheet.line((x, y + 23), (x, y + 40))
    if side == "right":
        sheet.text(x + 18, y + 25, value)
    else:
        sheet.text(x - 18, y + 25, value, anchor="end")
    return x, y + 40


def diode(sheet, x, y, up=False, light=""):
    """Diode of 40 px from (x, y) down, anode on top (up: cathode). light: "out" (LED), "in" (photodiode) or ""."""
    sheet.line((x, y), (x, y + 40))
    top, bottom = y + 12, y + 28
    if up:
        sheet.shape((x - 10, bottom), (x + 10, bottom), (x, top))
        sheet.line((x - 10, top), (x + 10, top), thick=2.4)
    else:
        sheet.shape((x - 10, top), (x + 10, top), (x, bottom))
        sheet.line((x - 10, bottom), (x + 10, bottom), thick=2.4)
    for shift in (0, 9):
        if light == "out":
            sheet.arrow(x + 13, y + 14 + shift, x + 27, y + 6 + shift, head=6)
        elif light == "in":
            sheet.arrow(x - 28, y + 8 + shift, x - 14, y + 16 + shift, head=6)
    return x, y + 40


def diode_right(sheet, x, y):
    """Diode of 40 px from (x, y) to the right, anode on the left."""
    sheet.line((x, y), (x + 40, y))
    sheet.shape((x + 12, y - 10), (x + 12, y + 10), (x + 28, y))
    sheet.line((x + 28, y - 10), (x + 28, y + 10), thick=2.4)
    return x + 40, y


def transistor(sheet, x, y):
    """NPN transistor: collector at (x, y), emitter at (x, y + 60), base wire ends at (x - 40, y + 30)."""
    sheet.line((x, y), (x, y + 14), (x - 18, y + 24))
    sheet.line((x - 18, y + 14), (x - 18, y + 46), thick=2.6)
    sheet.arrow(x - 18, y + 36, x - 2, y + 45, head=8)
    sheet.line((x - 2, y + 45), (x, y + 46), (x, y + 60))
    sheet.line((x - 18, y + 30), (x - 40, y + 30))


def optocoupler(sheet, x, y, name):
    """Optocoupler in a box 110 x 80 with its upper left corner at (x, y).

    Returns the ends of its four wires: anode, cathode (left), collector, emitter (right).
    """
    sheet.box(x, y, 110, 80, dash=True, fill="none")
    left, right = x + 28, x + 88
    sheet.line((x, y + 12), (left, y + 12), (left, y + 20))
    diode(sheet, left, y + 20)
    sheet.line((left, y + 60), (left, y + 68), (x, y + 68))
    for shift in (0, 9):
        sheet.arrow(x + 42, y + 34 + shift, x + 58, y + 34 + shift, head=6)
    sheet.line((x + 110, y + 12), (right, y + 12), (right, y + 22), (right - 18, y + 32))
    sheet.line((right - 18, y + 22), (right - 18, y + 58), thick=2.6)
    sheet.arrow(right - 18, y + 48, right - 2, y + 57, head=8)
    sheet.line((right - 2, y + 57), (right, y + 58), (right, y + 68), (x + 110, y + 68))
    sheet.text(x + 55, y + 97, name, anchor="middle")
    return (x, y + 12), (x, y + 68), (x + 110, y + 12), (x + 110, y + 68)


def comparator(sheet, x, y, upper="-", lower="+"):
    """Comparator 70 x 80: returns the ends of the upper input, the lower input and the output."""
    sheet.shape((x, y), (x, y + 80), (x + 70, y + 40))
    sheet.text(x + 8, y + 25, upper if upper != "-" else "−", size=15)
    sheet.text(x + 8, y + 65, lower if lower != "-" else "−", size=15)
    return (x, y + 20), (x, y + 60), (x + 70, y + 40)


def contact(sheet, x, y):
    """Open contact of 50 px from (x, y) down."""
    sheet.line((x, y), (x, y + 12))
    sheet.circle(x, y + 15, 3, fill="white")
    sheet.line((x - 13, y + 17), (x, y + 35))
    sheet.circle(x, y + 35, 3, fill="white")
    sheet.line((x, y + 38), (x, y + 50))
    return x, y + 50


def cell(sheet, x, y, value, side="right"):
    """Battery of 40 px from (x, y), plus on top, down."""
    sheet.line((x, y), (x, y + 16))
    sheet.line((x - 13, y + 16), (x + 13, y + 16))
    sheet.line((x - 7, y + 23), (x + 7, y + 23), thick=3.2)
    sheet.line((x, y + 23), (x, y + 40))
    sheet.text(x - 22, y + 14, "+", size=13)
    if side == "right":
        sheet.text(x + 18, y + 24, value)
    else:
        sheet.text(x - 24, y + 30, value, anchor="end")
    return x, y + 40


def pin_flag(sheet, x, y, name, left_of=True):
    """A board pin: a flag whose point meets the wire at (x, y). left_of: the wire comes from the left."""
    width = len(name) * 8.4 + 20
    if left_of:
        sheet.shape((x, y), (x + 12, y - 13), (x + 12 + width, y - 13), (x + 12 + width, y + 13), (x + 12, y + 13))
        sheet.text(x + 12 + width / 2, y + 5, name, anchor="middle", bold=True)
    else:
        sheet.shape((x, y), (x - 12, y - 13), (x - 12 - width, y - 13), (x - 12 - width, y + 13), (x - 12, y + 13))
        sheet.text(x - 12 - width / 2, y + 5, name, anchor="middle", bold=True)


def input_stage(sheet, x, y, pull_up, name, supply_name="3V3"):
    """Pull-up, series resistor and pin flag at the end of a wire at (x, y). The same for every input of the board."""
    sheet.line((x, y), (x + 20, y))
    supply(sheet, x + 20, y - 60, supply_name)
    resistor(sheet, x + 20, y - 60, pull_up)
    sheet.dot(x + 20, y)
    sheet.line((x + 20, y), (x + 40, y))
    end_x, _ = resistor(sheet, x + 40, y, "", down=False)
    sheet.text(x + 70, y + 24, "1 kΩ", anchor="middle")
    pin_flag(sheet, end_x, y, name)


def breakout(sheet, x, y, width, height, name):
    """A ready-made part drawn as a box with its name on top."""
    sheet.box(x, y, width, height, round_px=6, fill="white")
    sheet.text(x + width / 2, y + 20, name, anchor="middle", bold=True)


def diode_left(sheet, x, y):
    """Diode of 40 px from (x, y) to the right whose cathode is on the left."""
    sheet.line((x, y), (x + 40, y))
    sheet.shape((x + 28, y - 10), (x + 28, y + 10), (x + 12, y))
    sheet.line((x + 12, y - 10), (x + 12, y + 10), thick=2.4)
    return x + 40, y


def cell_right(sheet, x, y, value):
    """Battery of 40 px from (x, y) to the right, minus on the left."""
    sheet.line((x, y), (x + 17, y))
    sheet.line((x + 17, y - 7), (x + 17, y + 7), thick=3.2)
    sheet.line((x + 24, y - 13), (x + 24, y + 13))
    sheet.line((x + 24, y), (x + 40, y))
    sheet.text(x + 30, y + 18, "+")
    sheet.text(x + 20, y - 30, value, anchor="middle")
    return x + 40, y


def jumper(sheet, x, y, name):
    """A plug-in link of 40 px from (x, y) to the right."""
    sheet.circle(x + 4, y, 4, fill="white")
    sheet.circle(x + 36, y, 4, fill="white")
    sheet.line((x + 4, y - 8), (x + 4, y - 14), (x + 36, y - 14), (x + 36, y - 8))
    sheet.text(x + 20, y - 22, name, anchor="middle")
    return x + 40, y
