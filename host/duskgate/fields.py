"""Column names, units and types of every table, and the words used in them.

Units end the column's name: `_us` microseconds, `_ns` nanoseconds, `_s` seconds, `_mv` millivolts,
`_degc` degrees Celsius, `_mm_s` millimetres a second. Times called utc are integers, microseconds since
1970-01-01T00:00:00Z; -1 in an id column means "none"; an unknown latency is NaN.
"""

TABLES_VERSION = 1

CHANNELS = ("BEAM", "BEAM2", "SYNC", "FLASH1", "FLASH2", "FLASH3", "FLASH4", "SECOND")
BEAM, BEAM2, SYNC, FLASH1, FLASH2, FLASH3, FLASH4, SECOND = range(8)
FLASHES = (FLASH1, FLASH2, FLASH3, FLASH4)

BREAK_KINDS = ("visit", "insect", "rain", "leaf", "blocked", "glitch")
OUTCOMES = ("none", "partial", "all", "not_watched")
CAUSES = ("recycling", "battery", "radio", "camera", "unknown")
FIRE_KINDS = ("answered", "interference")
CAUGHT = ("yes", "partly", "no", "not_watched")
PATHS = ("beam_flash", "beam_camera", "shot_flash", "break_unit")
NOTE_KINDS = {1: "refilled", 2: "cells", 3: "moved", 4: "text", 5: "button"}
BOOT_CAUSES = {0: "unknown", 1: "power-on", 2: "watchdog", 3: "asked", 4: "program fault"}

# table -> {column: pandas dtype}. Text columns with few values are "category" in memory, plain text in files.
TABLES: dict[str, dict[str, str]] = {
    "edges": {"boot": "int32", "t_ns": "int64", "utc_us": "int64", "channel": "category", "level": "int8"},
    "breaks": {
        "break_id": "int64", "boot": "int32", "t_us": "float64", "start_utc_us": "int64", "dur_us": "float64",
        "beam": "category", "visit_id": "int64", "kind": "category", "reason": "category", "outcome": "category",
        "fire_id": "int64", "latency_us": "float64", "cause": "category", "gap_s": "float64",
    },
    "visits": {
        "visit_id": "int64", "start_utc_us": "int64", "end_utc_us": "int64", "n_breaks": "int32", "n_fires": "int32",
        "caught": "category", "speed_mm_s": "float64", "direction": "category",
    },
    "fires": {
        "fire_id": "int64", "boot": "int32", "t_us": "float64", "utc_us": "int64", "kind": "category",
        "break_id": "int64", "latency_us": "float64", "latency1_us": "float64", "latency2_us": "float64",
        "latency3_us": "float64", "latency4_us": "float64", "sync_us": "float64", "beam_to_sync_us": "float64",
        "sync_to_light_us": "float64", "frame_id": "int64", "path": "category",
    },
    "frames": {
        "frame_id": "int64", "open_utc_us": "int64", "exposure_s": "float64", "n_fires": "int32",
        "n_visits": "int32", "kept": "bool",
    },
    "misses": {"break_id": "int64", "cause": "category", "gap_s": "float64", "reason": "category"},
    "notes": {"utc_us": "int64", "what": "category", "head": "int8", "text": "object"},
    "supply": {"utc_us": "int64", "batt_mv": "float64", "temp_degc": "float64"},
    "boots": {
        "boot": "int32", "boot_no": "int64", "cause": "category", "start_utc_us": "int64", "end_utc_us": "int64",
        "clock": "category", "clock_unc_us": "float64", "firmware": "object", "interpreter": "object",
    },
    "gaps": {"start_utc_us": "int64", "end_utc_us": "int64", "why": "category", "detail": "object"},
    "rates": {
        "start_utc_us": "int64", "end_utc_us": "int64", "exposure_s": "float64", "n": "int32",
        "rate_per_h": "float64", "lo": "float64", "hi": "float64",
    },
    "pulses": {
        "pulse_id": "int64", "boot": "int32", "t_us": "float64", "utc_us": "int64", "fire_id": "int64",
        "flash": "category", "verdict": "category", "shape": "category", "cut": "bool",
        "t05_us": "float64", "t05_lo_us": "float64", "t05_hi_us": "float64",
        "t01_us": "float64", "t01_lo_us": "float64", "t01_hi_us": "float64",
        "rise_us": "float64", "rise_lo_us": "float64", "rise_hi_us": "float64",
        "delay_us": "float64", "delay_lo_us": "float64", "delay_hi_us": "float64",
        "peak_codes": "float64", "peak_lo_codes": "float64", "peak_hi_codes": "float64",
        "energy_code_us": "float64", "energy_lo_code_us": "float64", "energy_hi_code_us": "float64",
    },
}

# What a reader (native log or capture) hands to the time base and the analysis. Times are board times of one boot.
RECORDING: dict[str, dict[str, str]] = {
    "edges": {"boot": "int32", "t_ns": "int64", "channel": "int8", "level": "int8"},
    "readings": {"boot": "int32", "t_ns": "int64", "kind": "category", "value": "int64", "index": "int8"},
    "notes": {"boot": "int32", "t_ns": "int64", "what": "category", "head": "int8", "text": "object"},
    "chatter": {
        "boot": "int32", "t_ns": "int64", "channel": "int8", "edges": "int64", "shortest_ns": "int64",
        "longest_ns": "int64", "active_ns": "int64", "span_ns": "int64", "end_level": "int8",
    },
    "blind": {"boot": "int32", "from_ns": "int64", "to_ns": "int64", "why": "category"},
    "boots": {
        "boot": "int32", "boot_id": "int64", "boot_no": "int64", "cause": "category", "first_ns": "int64",
        "last_ns": "int64", "levels": "int16", "stopped": "int8", "firmware": "object", "interpreter": "object",
        "interpreter_version": "object", "tick_fs": "int64", "low_mask": "int16", "channel_mask": "int16",
        "board": "object",
    },
    "pulses": {
        "boot": "int32", "t_ns": "int64", "number": "int32", "flash": "int8", "start_ns": "int64", "step_ns": "int32",
        "peak": "int16", "cut": "bool", "complete": "bool", "codes": "object",
    },
    "problems": {"file": "object", "offset": "int64", "bytes": "int64", "what": "object"},
}

# kinds of a reading; captures (readings.csv) use the same names
READING_KINDS = (
    "battery_mv", "temp_c100", "rtc_unix_ms", "host_unix_ms", "host_unc_us", "clock_state", "clock_set_ms",
    "lost_edges",
    "fifo_drops", "store_lost", "bad_requests", "boot_cause", "levels", "fault", "heap_free", "shot", "stop",
    "pulses_dropped", "pulse_blind_us",
)
