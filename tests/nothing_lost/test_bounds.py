"""Memory of every reader over inputs that make it work as hard as it can (heavy.py).

Memory, by tracemalloc: at most 64 times the input, and 4 MB besides for libraries; a site file is refused unread above
200 kB and takes at most 100 times its size; of the settings text of a board 1 kB is read.
Time: tests/benchmarks/reader_time.py.
"""

import tracemalloc

import pytest

from tests.nothing_lost.heavy import HEAVY
from tests.nothing_lost.readers import FrameReader, container, decode, readers, session

TIMES = {"site": 100}
BESIDES = 4 << 20
READERS = readers()


def feed(name: str, data: bytes) -> None:
    """The reader itself, without the checks of readers.py that take longer than it."""
    if name == "decoder":
        decode._decode([container.split(data, "a.dgl")])
    elif name == "framing":
        FrameReader().feed(data)
    elif name == "answers":
        talk = session.Session(1)
        talk.request("get", (), 0.0, expect=len(data))
        talk.receive(data, 1.0)
    else:
        READERS[name].feed(data)


@pytest.mark.parametrize("name", list(HEAVY))
def test_memory_is_bounded(name):
    for what, data in HEAVY[name]().items():
        if name not in ("site", "settings"):
            data = data[: len(data) // 4]  # tracing makes it many times as slow
        feed(name, data[:2000])  # libraries
        tracemalloc.start()
        try:
            feed(name, data)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert peak < BESIDES + TIMES.get(name, 64) * len(data), f"{what}: {peak / len(data):.0f} times the input"
