"""The firmware's way of an edge, ring to store, under MicroPython's PC build: time and heap, against a bare loop.

The bare loop packs the same records with struct.pack_into in the same interpreter and does nothing else. The store is
the tests' file system in memory. `board_loop.py` runs on the board's side.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

from tests.benchmarks.rows import ROOT, Row, at_most, middle, paired

TURNS = 7
START = "import sys; from micropython_unix import main; sys.exit(main())"
AGAINST_LOOP = 1.0
RECORD = 8  # bytes


def rows() -> list[Row]:
    """Edges a second, and bytes of heap an edge; none, said on stderr, without the interpreter."""
    if importlib.util.find_spec("micropython_unix") is None:
        print("no MicroPython wheel on this computer: the firmware is not timed", file=sys.stderr)
        return []
    words = [sys.executable, "-c", START, "-X", "heapsize=64m", str(Path(__file__).with_name("board_loop.py"))]
    done = subprocess.run([*words, str(ROOT), str(TURNS)], check=True, capture_output=True, text=True)
    told = json.loads(done.stdout.splitlines()[-1])
    n = told["edges"]
    ratio, spread = paired(told["ours_us"], told["loop_us"])
    ours, loop = (n / middle(told[name]) for name in ("ours_us", "loop_us"))
    heap, bare = (told[name] / n for name in ("ours_heap", "loop_heap"))
    return [
        Row(f"firmware: {n:,} edges drained, packed, committed", f"{ours:.2f} M edges/s",
            f"{loop:.2f} M records/s, a bare struct.pack_into loop", **at_most(AGAINST_LOOP, ratio), spread=spread),
        Row("firmware: heap taken meanwhile, store apart", f"{heap:.2f} bytes an edge",
            f"{RECORD} bytes, the record itself (the bare loop: {bare:.2f})",
            **at_most(AGAINST_LOOP, heap / RECORD)),
    ]  # fmt: skip
