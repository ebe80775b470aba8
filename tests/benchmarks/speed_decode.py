"""Reading a log of a million records: against a plain loop that makes the same table, and against copying memory.

The copy is the limit that no reader can pass: once over the log's bytes and once over those of the tables made of it.
"""

from __future__ import annotations

import struct
import tracemalloc
import zlib
from collections.abc import Callable

import numpy as np
import pandas as pd
from duskgate.logfile.decode import decode_blocks

from tests import factories as make
from tests.benchmarks.rows import Row, at_least, at_most, in_turns, middle, paired

N = 1_000_000
RATIO, MEMORY = 50, 4
TURNS = 3


def log() -> bytes:
    """A million edges of BEAM, 36 us apart, in full blocks."""
    ticks = np.arange(N, dtype=np.uint64) * np.uint64(500) + np.uint64(1000)
    words = (
        ticks | np.uint64(0x01 << 48) | (np.uint64(0x7F) - (np.arange(1, N + 1, dtype=np.uint64) % 2)) << np.uint64(56)
    )
    edges = words.astype("<u8").tobytes()
    blocks = [make.block(make.boot_statement())]
    for seq, at in enumerate(range(0, len(edges), 480 * 8), 1):
        blocks.append(make.block([edges[at : at + 480 * 8]], seq=seq))
    return b"".join(blocks)


def plain_loop(data: bytes) -> pd.DataFrame:
    """What one would write first: block by block with its check, record by record, the same rows."""
    rows, before, pos = [], 0x7F, 0
    while pos < len(data):
        n, crc = struct.unpack_from("<H", data, pos + 6)[0], struct.unpack_from("<I", data, pos + 20)[0]
        body = data[pos + 24 : pos + 24 + 8 * n]
        assert zlib.crc32(body, zlib.crc32(data[pos : pos + 20])) == crc
        for low, high, tag, level in struct.iter_unpack("<IHBB", body):
            if tag == 1:
                changed = before ^ level
                for channel in range(7):
                    if changed >> channel & 1:
                        rows.append((0, (low | high << 32) * 72, channel, (level ^ 0x7F) >> channel & 1))
                before = level
        pos += 24 + 8 * n
    table = pd.DataFrame(rows, columns=["boot", "t_ns", "channel", "level"])
    return table.astype({"boot": "int32", "t_ns": "int64", "channel": "int8", "level": "int8"})


def copies(data: bytes, tables: list[pd.DataFrame]) -> Callable[[], object]:
    """Copies the log and every column."""
    columns = [table[name].to_numpy() for table in tables for name in table.columns]
    return lambda: (bytearray(data), [column.copy() for column in columns])


def shortest(run: Callable[[], object], times: int = 5) -> float:
    """Least seconds of a run: the first after the loop pays for the memory that the loop left scattered."""
    return min(in_turns({"": run}, times)[""])


def rows() -> list[Row]:
    """Time against the loop and the copy, memory against the tables."""
    data = log()
    rec = decode_blocks(data)
    assert rec.edges.equals(plain_loop(data)) and not rec.damaged
    tables = [rec.edges, rec.readings, rec.boots]
    runs = {"ours": lambda: decode_blocks(data), "copy": copies(data, tables)}
    quick = in_turns(runs, 2 * TURNS)
    slow = in_turns({"loop": lambda: plain_loop(data), "ours": lambda: shortest(lambda: decode_blocks(data))}, TURNS)
    size = sum(int(table.memory_usage(deep=True).sum()) for table in tables)
    del rec, tables, runs
    tracemalloc.start()
    decode_blocks(data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    what = f"decode {N:,} records, {len(data) / 1e6:.1f} MB"
    figure = f"{middle(quick['ours']) * 1e3:.0f} ms"
    loop, spread = paired(slow["loop"], slow["ours"])
    copy, copy_spread = paired(quick["ours"], quick["copy"])
    return [
        Row(what, figure, f"{middle(slow['loop']):.2f} s, a struct.iter_unpack loop to the same table",
            **at_least(RATIO, loop), spread=spread),
        Row(what, figure, f"{middle(quick['copy']) * 1e3:.1f} ms, copying log and tables", copy, spread=copy_spread),
        Row(f"{what}: memory", f"{peak / 1e6:.0f} MB at the most", f"{size / 1e6:.0f} MB, the tables",
            **at_most(MEMORY, peak / size)),
    ]  # fmt: skip
