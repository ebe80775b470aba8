"""Watching for light pulses takes no piece of the heap in a pass in which none comes: only MicroPython can tell."""

import gc

from test_shared_pulse_watch import board


def test_a_pass_without_a_pulse_allocates_nothing():
    bench, diode = board([], seconds=1)
    watch, now_ms = bench.station.pulses, bench.pace.now_ms()
    assert diode.on
    gc.collect()
    gc.disable()
    try:
        before = gc.mem_alloc()
        for _ in range(200):
            watch.step(now_ms)
        used = gc.mem_alloc() - before
    finally:
        gc.enable()
    assert used == 0, used
