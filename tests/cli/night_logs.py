"""Log files of invented nights, written from scenes record by record with the tests' own writer."""

import functools

import numpy as np
from duskgate.virtual import scenes

from tests import factories
from tests.host.scene_recording import TICK_NS, recording_of

DAY_S = 86_400


def night_log(preset: str = "empty-garden", seed: int = 1, days: int = 0, boot: int = 1) -> bytes:
    """One `.dgl` with one boot: the scene's night, `days` later. Only scenes without resets."""
    rec, edges = _drawn(preset, seed)
    statement = factories.boot_statement(boot_no=boot)
    mask = factories.value(0x44, int(rec.boots["channel_mask"][0]))
    statement = [mask if record[6] == 0x44 else record for record in statement]
    rows = [(-1, 0, statement), *edges, *_minutes(rec.readings, days * DAY_S)]
    rows.sort(key=lambda row: row[:2])
    records = [record for *_, several in rows for record in several]
    data = b"".join(factories.blocks(records, boot_id=0x1000 + boot, boot_no=boot))
    host = rec.headers[0]["host_clock"][0]
    shift = days * DAY_S * 1_000_000
    clock = {**host, "boot_id": 0x1000 + boot, "utc_us": host["utc_us"] + shift}
    return factories.dgl([(boot, 0, data)], host_clock=[clock], pulled_utc_us=clock["utc_us"] + 1_000_000)


@functools.lru_cache(maxsize=8)
def _drawn(preset: str, seed: int):
    """The scene's recording and its edges' records: the same on every day."""
    rec = recording_of(scenes.make(preset, seed))
    return rec, _edges(rec.edges)


def _edges(edges):
    tick = edges["t_ns"].to_numpy() // TICK_NS
    steps = (edges["level"].to_numpy().astype(np.int64) * 2 - 1) << edges["channel"].to_numpy().astype(np.int64)
    wire = np.cumsum(steps) ^ factories.LOW_MASK
    last = np.append(tick[1:] != tick[:-1], True)  # changes at one tick are one record
    return [(int(t), 1, [factories.edge(int(t), int(w))]) for t, w in zip(tick[last], wire[last], strict=True)]


TAGS = {"rtc_unix_ms": (0x50, 1000), "battery_mv": (0x58, 1), "temp_c100": (0x59, 1)}


def _minutes(readings, shift_s: int):
    """Each reading with a moment of its own before it."""
    out = []
    for row in readings.itertuples(index=False):
        tag, scale = TAGS[str(row.kind)]
        number = int(row.value) // scale + (shift_s if tag == 0x50 else 0)
        tick = int(row.t_ns) // TICK_NS
        out.append((tick, 2, [factories.moment(tick), factories.value(tag, number)]))
    return out
