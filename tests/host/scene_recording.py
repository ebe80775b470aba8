"""A scene as a perfect logger would have it: the tables of a Recording, without firmware, link or decoder."""

import numpy as np
from duskgate.fields import BOOT_CAUSES
from duskgate.logfile.recording import Recording, table
from duskgate.virtual import scene_file

TICK_NS = 72
RESTART_NS = 3_000_000_000


def boots_of(scene) -> list[tuple[int, int, int]]:
    """(start, end, cause) of every boot, in ns of scene time: a reset is followed by a boot three seconds later."""
    resets = scene.rows[scene.rows["what"] == scene_file.RESET]
    at, causes = resets["t_ns"].astype(np.int64).tolist(), [1, *resets["value"].tolist()]
    starts = [0, *[t + RESTART_NS for t in at]]
    return list(zip(starts, [*at, scene.header["end_ns"]], causes, strict=True))


def _at(t_ns: np.ndarray, boots: list[tuple[int, int, int]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """boot, ns since that boot (whole ticks), and whether the logger was awake."""
    starts, ends = np.array([b[0] for b in boots]), np.array([b[1] for b in boots])
    boot = np.maximum(np.searchsorted(starts, t_ns, side="right") - 1, 0)
    awake = (t_ns >= starts[boot]) & (t_ns <= ends[boot])
    return boot.astype(np.int32), (t_ns - starts[boot]) // TICK_NS * TICK_NS, awake


def _readings(scene, boots) -> dict:
    kinds = {scene_file.CLOCK_SECOND: ("rtc_unix_ms", 1000), scene_file.SUPPLY_MV: ("battery_mv", 1),
             scene_file.TEMP_C100: ("temp_c100", 1)}  # fmt: skip
    rows = scene.rows[np.isin(scene.rows["what"], list(kinds))]
    boot, t_ns, awake = _at(rows["t_ns"].astype(np.int64), boots)
    value = rows["value"].astype(np.int64)
    value = np.where((rows["what"] == scene_file.TEMP_C100) & (value >> 31 == 1), value - (1 << 32), value)
    names = np.array([kinds[w][0] for w in rows["what"]], dtype=object)
    scale = np.array([kinds[w][1] for w in rows["what"]])
    return {"boot": boot[awake], "t_ns": t_ns[awake], "kind": names[awake], "value": (value * scale)[awake],
            "index": np.zeros(awake.sum())}  # fmt: skip


def recording_of(scene) -> Recording:
    """Every edge but those that fall into a restart, at its tick; clock, supply and temperature as given."""
    boots = boots_of(scene)
    t, channel, level = scene.edges()
    boot, t_ns, awake = _at(t, boots)
    first = [0] + [int(_level_at(scene, b[0])) for b in boots[1:]]
    n = len(boots)
    last = [(b[1] - b[0]) // TICK_NS * TICK_NS for b in boots]
    low, mask = [127] * n, [scene.header["channels"] | 128] * n
    frame = table(
        "boots", boot=range(n), boot_id=[0x1000 + k for k in range(n)], boot_no=range(1, n + 1),
        cause=[BOOT_CAUSES[b[2]] for b in boots], first_ns=[0] * n, last_ns=last, levels=first, stopped=[0] * n,
        firmware=["0.1.0"] * n, interpreter=["CPython"] * n, interpreter_version=["3.11"] * n,
        tick_fs=[TICK_NS * 10**6] * n, low_mask=low, channel_mask=mask, board=[scene.header["board"]] * n,
    )  # fmt: skip
    clock = {"boot_id": 0x1000 + n - 1, "tick": last[-1] // TICK_NS, "utc_us": scene.end_utc_us, "unc_us": 500}
    edges = table("edges", boot=boot[awake], t_ns=t_ns[awake], channel=channel[awake], level=level[awake])
    return Recording(edges=edges, readings=table("readings", **_readings(scene, boots)), boots=frame,
                     headers=[{"host_clock": [clock]}], source=["scene"])  # fmt: skip


def _level_at(scene, t_ns: int) -> int:
    rows = scene.rows[(scene.rows["what"] == scene_file.LEVELS) & (scene.rows["t_ns"] <= t_ns)]
    return int(rows["value"][-1])
