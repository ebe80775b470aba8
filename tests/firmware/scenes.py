"""Small scene files for the tests, written from their description: a JSON line, then `<QII` records."""

import json
import struct

CLOCK_HZ, CYCLES = 125000000, 9
LEVELS, SECOND, SUPPLY, TEMPERATURE, RESET, LOSS, STATE, BUTTON, DROP = range(9)
START = 1750000000
NS = 1000000000


def clock_points(seconds, ppm=0, first_ns=400000000):
    """One point a minute of a clock chip that is `ppm` slower than the board's crystal says."""
    return [(first_ns + k * 60 * (NS + ppm * 1000), SECOND, START + 60 * k) for k in range(seconds // 60 + 2)]


def write(path, events, seconds, seed=1, clock=True, rig=None, light=None):
    """Write a scene; returns its path."""
    header = {
        "scene": 1,
        "name": "test",
        "seed": seed,
        "board": "0102030405060708",
        "clock_hz": CLOCK_HZ,
        "cycles_per_tick": CYCLES,
        "end_ns": seconds * NS,
        "start_utc_us": START * 1000000,
    }
    if rig:
        header["shot_rig"] = rig
    if light:
        header["light_pulse"] = light
    rows = sorted(list(events) + (clock_points(seconds) if clock else []), key=lambda row: row[0])
    with open(path, "wb") as file:
        file.write(json.dumps(header).encode() + b"\n")
        for t_ns, what, value in rows:
            file.write(struct.pack("<QII", t_ns, what, value & 0xFFFFFFFF))
    return path
