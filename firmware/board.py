"""The parts of this board, made in the order that the chip wants, and the station run on them."""

import gc
import os
import sys

import machine
import wiring
from chip.edge_stamper import EdgeStamper, left_over, ring_memory

_MEMORY = ring_memory(wiring.RING_BITS)  # before the other modules take pieces of the heap
# What importing leaves behind would lie between the pieces that stay. After source, which is compiled here, no more
# than 5 kB in a row would be free in the end, instead of 72 kB; after compiled files 65 kB instead of 86 kB.
gc.threshold(16384)

from chip.button import Button  # noqa: E402
from chip.flash_fs import FlashFs  # noqa: E402
from chip.lamp import Lamp  # noqa: E402
from chip.light_pulse import LightPulse  # noqa: E402
from chip.pace import Pace  # noqa: E402
from chip.rtc import Rtc  # noqa: E402
from chip.shot import Shot  # noqa: E402
from chip.supply import Supply  # noqa: E402
from chip.usb import Usb  # noqa: E402
from chip.watchdog import Watchdog  # noqa: E402
from core import faults  # noqa: E402
from core.settings import Settings  # noqa: E402
from core.store import Store  # noqa: E402
from machine import Pin  # noqa: E402
from station import Identity, Station  # noqa: E402

gc.collect()
gc.threshold(-1)  # from here on the loop collects


def unwired(channels):
    """Names of inputs in use that follow the chip's own weak pulls, so nothing drives them.

    Each input has an external pull-up or a push-pull output, which the internal pull-down cannot overcome.
    """
    found = []
    for bit, name in enumerate(wiring.CHANNELS):
        pin = wiring.FIRST_INPUT + bit
        if channels >> bit & 1 and Pin(pin, Pin.IN, Pin.PULL_UP).value() and not _pulled_down(pin):
            found.append(name)
        Pin(pin, Pin.IN, Pin.PULL_UP)
    return found


def _pulled_down(number):
    pin = Pin(number, Pin.IN, Pin.PULL_DOWN)
    for _ in range(20):  # some 50 us: the lead's capacitance through 50 kilohm
        level = pin.value()
    return level


def _identity():
    version = tuple(sys.implementation.version[:3])
    text = "MicroPython %d.%d.%d" % version
    return Identity(machine.unique_id(), text, 1, version)


def run(cause, crashes, healthy):
    """Log until a restart is asked for; returns "log" or "hold". healthy() is called once the start proved good."""
    if machine.freq() != wiring.CLOCK_HZ:
        machine.freq(wiring.CLOCK_HZ)
    fs = FlashFs()
    settings = Settings(fs)
    store = Store(fs, lambda: settings["drop_unpulled"])
    idle = unwired(settings["channels"])
    stream = Usb()
    parts = {
        "stamper": EdgeStamper(
            _MEMORY,
            wiring.FIRST_INPUT,
            wiring.INPUTS,
            wiring.STATE_MACHINE,
            wiring.CLOCK_HZ,
            wiring.CYCLES_PER_TICK,
        ),
        "rtc": Rtc(wiring.I2C, wiring.SDA, wiring.SCL, wiring.I2C_HZ, wiring.CLOCK_CHIP),
        "supply": Supply(
            wiring.SUPPLY_ADC, wiring.SUPPLY_UPPER_OHM, wiring.SUPPLY_LOWER_OHM, wiring.ADC_REFERENCE_MV
        ),
        "button": Button(wiring.BUTTON),
        "shot": Shot(wiring.SHOT, wiring.SHOT_MS),
        "lamp": Lamp(wiring.LAMP),
        "stream": stream,
        "pace": Pace(wiring.PAUSE_MS, stream.wait),
        "watchdog": Watchdog(wiring.WATCHDOG_MS),
    }
    # After the stamper, which clears the PIO block, and the supply, which switches the converter on.
    parts["pulse"] = LightPulse(
        left_over(_MEMORY, wiring.PULSE_RING_BITS),
        wiring.PULSE_ADC,
        wiring.FIRST_FLASH,
        wiring.PULSE_STATE_MACHINE,
        wiring.CLOCK_HZ,
        wiring.PULSE_STEP_NS,
        wiring.PULSE_POST_US,
    )
    boot_id = int.from_bytes(os.urandom(4), "little") or 1
    station = Station(parts, _identity(), settings, store, boot_id, cause, idle)
    if crashes:
        station.parts.fault(faults.PROGRAM, crashes)
    for name in idle:
        station.parts.fault(faults.CHANNEL, 1 << wiring.CHANNELS.index(name))
    gc.collect()  # what the start left behind: the first reading of the free heap would count it as used
    return station.run(wiring.HEALTHY_MS, healthy)
