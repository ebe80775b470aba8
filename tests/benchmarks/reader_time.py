"""Time of every reader over inputs that make it work as hard as it can, against 1 s of the processor a megabyte.

    python tests/benchmarks/reader_time.py

The second is that of a computer which runs `yardstick` in YARD_S; a slower or busy one is allowed as much longer. The
last column is the share of what is allowed; ends with code 1 where one is above 1.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.nothing_lost.heavy import HEAVY
from tests.nothing_lost.test_bounds import feed

YARD_S = 0.06
LEAST_BYTES = 200_000


def yardstick() -> float:
    """Processor seconds of a plain loop."""
    begun = time.process_time()
    total = 0
    for i in range(1_000_000):
        total += i & 7
    return time.process_time() - begun


def main() -> int:
    worst = 0.0
    for name, make in HEAVY.items():
        for what, data in make().items():
            yard = yardstick()
            begun = time.process_time()
            feed(name, data)
            took = time.process_time() - begun
            allowed = max(len(data), LEAST_BYTES) / 1e6 * max(yard, yardstick()) / YARD_S
            worst = max(worst, took / allowed)
            print(f"{name:10} {what:40} {len(data):9,} bytes {took:7.3f} s  {took / allowed:5.2f} of what is allowed")
    return int(worst > 1)


if __name__ == "__main__":
    sys.exit(main())
