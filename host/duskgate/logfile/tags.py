"""Record tags of FORMAT.md section 2 and where their values go."""

EDGE, LEVELS, MOMENT = 0x01, 0x02, 0x03

CYCLES, CLOCK, BOOT_CAUSE, LOW_MASK, CHANNEL_MASK = 0x40, 0x41, 0x42, 0x43, 0x44
FIRMWARE, INTERPRETER_VERSION, INTERPRETER, BOARD_ID, SETTINGS_CHECK = 0x45, 0x46, 0x47, 0x48, 0x49
BOOT_NUMBER, RESTATED = 0x4A, 0x4B
CLOCK_SECOND, CLOCK_STATE, STOP = 0x50, 0x51, 0x7B
BLIND_FROM = 0x63
CHATTER_EDGES, CHATTER_SHORTEST, CHATTER_LONGEST = 0x68, 0x69, 0x6A
CHATTER_ACTIVE, CHATTER_SPAN, CHATTER_END = 0x6B, 0x6C, 0x6D
NOTE, NOTE_TEXT = 0x70, 0x71
PULSE, PULSE_TIMING, PULSE_SAMPLES, PULSE_GOES_ON = PULSE_CHAIN = 0x80, 0x81, 0x82, 0x85

# tag -> kind of reading. 50 is turned from seconds into milliseconds, levels from the wire into active ones.
READINGS = {
    LEVELS: "levels",
    BOOT_CAUSE: "boot_cause", CLOCK_SECOND: "rtc_unix_ms", CLOCK_STATE: "clock_state", 0x52: "host_unix_ms",
    0x53: "host_unc_us", 0x54: "clock_set_ms", 0x58: "battery_mv", 0x59: "temp_c100", 0x60: "lost_edges",
    0x61: "fifo_drops", 0x62: "store_lost", 0x64: "bad_requests", 0x78: "fault", 0x79: "heap_free", 0x7A: "shot",
    STOP: "stop", 0x83: "pulses_dropped", 0x84: "pulse_blind_us",
}  # fmt: skip
SIGNED = (0x54, 0x59)
INTERPRETERS = {1: "MicroPython on a chip", 2: "MicroPython on a PC", 3: "CPython"}

KNOWN = frozenset({
    EDGE, LEVELS, MOMENT, *range(CYCLES, RESTATED + 1), *READINGS, BLIND_FROM, *range(CHATTER_EDGES, CHATTER_END + 1),
    NOTE, NOTE_TEXT, *range(0x80, 0x90),
})  # fmt: skip
