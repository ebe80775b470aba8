"""Reading a log of a million records: how many times faster than a plain loop, and how much memory.

Run: python tests/benchmarks/decode_log.py
Budget: at least 50 times a struct.iter_unpack loop that makes the same table; memory at most 4 times the tables.
"""

import struct
import sys
import time
import tracemalloc
import zlib
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "host")]

from duskgate.logfile.decode import decode_blocks  # noqa: E402

from tests import factories as make  # noqa: E402

N = 1_000_000
RATIO, MEMORY = 50, 4


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


def best(function, data: bytes, times: int) -> float:
    found = []
    for _ in range(times):
        start = time.perf_counter()
        function(data)
        found.append(time.perf_counter() - start)
    return min(found)


def main() -> int:
    data = log()
    rec = decode_blocks(data)
    assert rec.edges.equals(plain_loop(data)) and not rec.damaged
    ratios = sorted(best(plain_loop, data, 1) / best(decode_blocks, data, 5) for _ in range(5))
    tables = sum(int(getattr(rec, t).memory_usage(deep=True).sum()) for t in ("edges", "readings", "boots"))
    del rec
    tracemalloc.start()
    decode_blocks(data)
    peak = tracemalloc.get_traced_memory()[1]
    spread = f"of 5: {ratios[0]:.0f} to {ratios[-1]:.0f}"
    print(f"{N} records, {len(data) / 1e6:.1f} MB: {ratios[2]:.0f} times the plain loop ({spread})")
    print(f"peak {peak / 1e6:.0f} MB, {peak / tables:.1f} times the tables ({tables / 1e6:.0f} MB)")
    return 0 if ratios[2] >= RATIO and peak <= MEMORY * tables else 1


if __name__ == "__main__":
    sys.exit(main())
