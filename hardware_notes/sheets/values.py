"""Component values of the drawings and what follows from them. Units: ohm, volt, ampere, farad, second, lux."""

from math import log

SUPPLY_V = 3.3
PULL_UP_OHM = 4700.0
SERIES_OHM = 1000.0

# Part figures from memory of common data sheets; each part's own sheet decides.
LED_V = 1.2  # infrared LED of an optocoupler at some mA
RECTIFIER_V = 0.7  # silicon rectifier, 1000 V kind
LOW_V = 0.15  # open-collector output that conducts, at some mA
INPUT_HIGH_V = 2.0  # RP2040 input, sure high at 3.3 V
INPUT_LOW_V = 0.8  # and sure low
CABLE_F_PER_M = 100e-12

SYNC_CELL_V = 3.0
SYNC_OHM = 330.0
SHOT_OHM = 470.0
TAP_V = 5.0
TAP_OHM = 470.0

LOAD_OHM = 1000.0
DIVIDER_TOP_OHM = 100e3
DIVIDER_BOTTOM_OHM = 3300.0
FEEDBACK_OHM = 330e3
DIODE_F = 40e-12  # 7 mm2 silicon PIN diode at some volts of reverse voltage
SENSOR_CABLE_M = 3.0
# Sun arithmetic: 0.1 W/cm2 on 0.075 cm2 at some 0.35 A/W is 2.6 mA in 100 klx: 26 nA a lux of daylight-like light.
AMPERE_PER_LUX = 26e-9


def threshold_v(output_v, output_ohm=0.0):
    """Voltage at the comparator's + input while its output stands at output_v behind output_ohm."""
    top, bottom, back = 1 / DIVIDER_TOP_OHM, 1 / DIVIDER_BOTTOM_OHM, 1 / (FEEDBACK_OHM + output_ohm)
    return (SUPPLY_V * top + output_v * back) / (top + bottom + back)


def light_on_v():
    """The signal above which light is reported: the output still rests high, behind its pull-up."""
    return threshold_v(SUPPLY_V, PULL_UP_OHM)


def light_off_v():
    """The signal below which light ends: the output conducts."""
    return threshold_v(LOW_V)


def divider_v():
    """The threshold divider alone, without feedback: the break watcher's threshold."""
    return SUPPLY_V * DIVIDER_BOTTOM_OHM / (DIVIDER_TOP_OHM + DIVIDER_BOTTOM_OHM)


def dark_below_v():
    """Break watcher, inputs exchanged, feedback of 100 loads to the signal: below this the wire is pulled low."""
    return divider_v() * 1.01 - SUPPLY_V / 100


def lit_above_v():
    """And above this it is released: the output conducts until then."""
    return divider_v() * 1.01 - LOW_V / 100


def lux(signal_v):
    return signal_v / (LOAD_OHM * AMPERE_PER_LUX)


def sensor_tau_s():
    """Time constant of the photodiode with its load and cable."""
    return LOAD_OHM * (DIODE_F + SENSOR_CABLE_M * CABLE_F_PER_M)


def rise_s(cable_m):
    """Time in which a released input rises to a sure high through its pull-up, with that much cable."""
    return -PULL_UP_OHM * cable_m * CABLE_F_PER_M * log(1 - INPUT_HIGH_V / SUPPLY_V)


def sync_a():
    return (SYNC_CELL_V - LED_V - RECTIFIER_V) / SYNC_OHM


def shot_a():
    return (SUPPLY_V - LED_V) / SHOT_OHM


def tap_a():
    return (TAP_V - 2 * LED_V) / TAP_OHM


def pull_up_a():
    return SUPPLY_V / PULL_UP_OHM


def ohms(value):
    """4700 -> "4.7 kΩ"."""
    return f"{value / 1000:g} kΩ" if value >= 1000 else f"{value:g} Ω"


def rows():
    """(what, how it follows, figure) of the calculated table in sensors.md."""
    on, off = light_on_v(), light_off_v()
    tau = sensor_tau_s()
    return [
        ("current through an input's pull-up while it is pulled low", "3.3 V / 4.7 kΩ", f"{pull_up_a() * 1e3:.2f} mA"),
        ("time for a released input to rise, 10 m of cable", "4.7 kΩ x 1 nF x ln(3.3 / (3.3 − 2.0))",
         f"{rise_s(10) * 1e6:.1f} µs"),
        ("light sensor: light is reported above", "divider and feedback, output high", f"{on * 1e3:.0f} mV"),
        ("light sensor: light ends below", "the same, output low", f"{off * 1e3:.0f} mV"),
        ("light sensor: hysteresis", "difference of the two", f"{(on - off) * 1e3:.0f} mV"),
        ("illuminance on the bare photodiode at which light is reported", "on-threshold / (1 kΩ x 26 nA/lx)",
         f"{lux(on) / 1000:.1f} klx"),
        ("illuminance at which it ends", "off-threshold / (1 kΩ x 26 nA/lx)", f"{lux(off) / 1000:.1f} klx"),
        ("time constant of photodiode, load and 3 m of cable", "1 kΩ x (40 pF + 300 pF)", f"{tau * 1e6:.2f} µs"),
        ("rise time 10 % to 90 % of the same", "2.2 time constants", f"{2.2 * tau * 1e6:.2f} µs"),
        ("bandwidth of the same", "1 / (2 π x time constant)", f"{1 / (2 * 3.14159 * tau) / 1e3:.0f} kHz"),
        ("break watcher: dark is reported below", "divider x 1.01 − 3.3 V / 100", f"{dark_below_v() * 1e3:.0f} mV"),
        ("break watcher: light is back above", "divider x 1.01 − 0.15 V / 100", f"{lit_above_v() * 1e3:.0f} mV"),
        ("SYNC: current through optocoupler and camera contact", "(3.0 − 1.2 − 0.7) V / 330 Ω",
         f"{sync_a() * 1e3:.1f} mA"),
        ("SHOT: current through the optocoupler", "(3.3 − 1.2) V / 470 Ω", f"{shot_a() * 1e3:.1f} mA"),
        ("tap: current through both optocouplers", "(5.0 − 2 x 1.2) V / 470 Ω", f"{tap_a() * 1e3:.1f} mA"),
    ]
