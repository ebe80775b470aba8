"""Run by MicroPython: board_loop.py ROOT TURNS. Times drain and commit against a bare loop; prints JSON."""

import gc
import json
import struct
import sys
import time

ROOT, TURNS = sys.argv[1], int(sys.argv[2])
sys.path[:0] = [ROOT + "/firmware", ROOT + "/tests/firmware"]

import helpers  # noqa: E402  # pyright: ignore[reportMissingImports]
from core.capture import Capture  # noqa: E402
from core.commit_policy import CommitPolicy  # noqa: E402
from core.recorder import Recorder  # noqa: E402

ROUNDS, BURST = 40, 4000  # a burst fits the ring of 8192 words
N = ROUNDS * BURST


class Nowhere:
    """A store that takes all and keeps nothing, so that what it would keep is not counted."""

    status = "ok"
    growing = None

    def begins_segment(self, _least):
        return False

    def append(self, _parts):
        return True


def burst(stamper, tick, levels):
    """BURST edges of BEAM into the ring, 36 us apart."""
    for _ in range(BURST):
        tick += 500
        levels ^= 1
        stamper.to(tick, levels)
    return tick, levels


def drained(measure):
    """The sum of `measure` over draining and committing every burst; making the bursts is not in it."""
    stamper = helpers.FakeStamper()
    capture = Capture(stamper, 0xFF, 0x7F, 0)
    capture.recorder = Recorder(Nowhere(), CommitPolicy(), 7, 1, [(0x4A, 1, 0)], capture.levels)
    tick, levels, total = 1000, 0x7F, 0
    for _ in range(ROUNDS):
        tick, levels = burst(stamper, tick, levels)
        gc.collect()
        before = measure()
        capture.drain()
        capture.recorder.commit()
        total += measure() - before
    assert capture.recorder.records >= N and not capture.ring_lost
    return total


def packed(measure):
    """The same of a bare loop that packs as many records into a buffer of a block's size."""
    buf, total = bytearray(8 * 480), 0
    for _ in range(ROUNDS):
        gc.collect()
        tick, level = 1000, 0x7F
        before = measure()
        for k in range(BURST):
            tick += 500
            level ^= 1
            struct.pack_into("<IHBB", buf, k % 480 * 8, tick, 0, 1, level)
        total += measure() - before
    return total


ours, loop = [], []
for _ in range(TURNS):
    ours.append(drained(time.ticks_us))
    loop.append(packed(time.ticks_us))
gc.disable()
heaps = [drained(gc.mem_alloc), packed(gc.mem_alloc)]
print(json.dumps({"edges": N, "ours_us": ours, "loop_us": loop, "ours_heap": heaps[0], "loop_heap": heaps[1]}))
