"""Packing of 8-byte records (FORMAT.md section 2)."""

import struct

from core.shim import const

SIZE = const(8)

EDGE = const(0x01)
LEVELS = const(0x02)
MOMENT = const(0x03)
FIRST_VALUE = const(0x40)

CYCLES_PER_TICK = const(0x40)
CLOCK_HZ = const(0x41)
BOOT_CAUSE = const(0x42)
LOW_MASK = const(0x43)
CHANNEL_MASK = const(0x44)
FIRMWARE = const(0x45)
INTERPRETER_VERSION = const(0x46)
INTERPRETER = const(0x47)
BOARD_ID = const(0x48)
SETTINGS_CHECK = const(0x49)
BOOT_NUMBER = const(0x4A)
RESTATED = const(0x4B)

CLOCK_SECOND = const(0x50)
CLOCK_STATE = const(0x51)
HOST_CLOCK = const(0x52)
HOST_UNCERTAINTY = const(0x53)
CLOCK_SET = const(0x54)
SUPPLY_MV = const(0x58)
TEMPERATURE_C100 = const(0x59)

RING_LOST = const(0x60)
FIFO_DROPS = const(0x61)
STORE_LOST = const(0x62)
BLIND_FROM = const(0x63)
BAD_REQUESTS = const(0x64)

CHATTER_EDGES = const(0x68)
CHATTER_SHORTEST = const(0x69)
CHATTER_LONGEST = const(0x6A)
CHATTER_ACTIVE = const(0x6B)
CHATTER_SPAN = const(0x6C)
CHATTER_END = const(0x6D)

NOTE = const(0x70)
NOTE_TEXT = const(0x71)
FAULT = const(0x78)
HEAP_FREE = const(0x79)
SHOT = const(0x7A)
STOP = const(0x7B)

PULSE = const(0x80)
PULSE_TIMING = const(0x81)
PULSE_SAMPLES = const(0x82)
PULSES_DROPPED = const(0x83)
PULSE_BLIND_US = const(0x84)
PULSE_GOES_ON = const(0x85)

NOTE_REFILLED = const(1)
NOTE_CELLS = const(2)
NOTE_MOVED = const(3)
NOTE_FREE_TEXT = const(4)
NOTE_BUTTON = const(5)
NOTE_TEXT_PARTS = const(20)

STOP_ASKED = const(1)
STOP_SUPPLY_LOW = const(2)
STOP_STORE_FULL = const(3)

_LAYOUT = "<IHBB"


def put(buf, at, number, tag, extra):
    """Write one record at byte `at` of `buf`. number: tick or value, -2**47 .. 2**48-1; extra: payload or index."""
    if number < 0:
        number += 1 << 48
    struct.pack_into(_LAYOUT, buf, at, number & 0xFFFFFFFF, number >> 32, tag, extra)


def bytes_as_value(data):
    """At most 6 bytes, first byte first and padded with 0, as the number whose record holds them so."""
    return int.from_bytes(data + bytes(6 - len(data)), "little")


def text_parts(data, most):
    """Cut bytes into values of 6 bytes each; at most `most` of them, the rest is dropped."""
    for part in range(min(most, (len(data) + 5) // 6)):
        yield bytes_as_value(data[6 * part : 6 * part + 6])
