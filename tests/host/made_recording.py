"""Small recordings written down by hand: starts, edges, times without sight, battery readings."""

import numpy as np
from duskgate.logfile.recording import Recording, table
from duskgate.logfile.spells import frame


def made(starts, edges, blind=(), battery=()):
    """starts: (boot_no, first, last, levels); edges: (boot, t_ns, channel, level)."""
    rows = [np.array(column, np.int64) for column in zip(*edges, strict=True)] or [np.empty(0, np.int64)] * 4
    said = [np.array(column, np.int64) for column in zip(*starts, strict=True)]
    n = len(starts)
    boots = table(
        "boots", boot=np.arange(n), boot_id=np.arange(n), boot_no=said[0], cause=["watchdog"] * n, first_ns=said[1],
        last_ns=said[2], levels=said[3], stopped=np.zeros(n), firmware=[""] * n, interpreter=[""] * n,
        interpreter_version=[""] * n, tick_fs=np.zeros(n), low_mask=np.zeros(n), channel_mask=np.full(n, 0x7F),
        board=["0a"] * n,
    )  # fmt: skip
    spells = [np.array(column, np.int64) for column in zip(*blind, strict=True)]
    lost = frame(*spells, "stamper overrun") if spells else table("blind")
    volts = [np.array(column, np.int64) for column in zip(*battery, strict=True)]
    readings = table("readings")
    if volts:
        readings = table(
            "readings", boot=volts[0], t_ns=volts[1], kind=["battery_mv"] * len(battery), value=[5000] * len(battery),
            index=[0] * len(battery),
        )  # fmt: skip
    edges = table("edges", boot=rows[0], t_ns=rows[1], channel=rows[2], level=rows[3])
    return Recording(edges=edges, boots=boots, blind=lost, readings=readings)
