"""1,000 spoiled inputs for every reader: no exception but our own in one line, results of the right types, and every
block that was not touched is used. The same inputs in every run. fuzz.py does it with many more, led by coverage."""

import random

import pytest
from duskgate.logfile.decode import decode_blocks
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests import factories as make
from tests.nothing_lost import readers as room
from tests.nothing_lost.readers import Broken, readers

INPUTS = 1_000
PER_EXAMPLE = 20  # inputs that one example of hypothesis stands for: its own cost is above that of a reader
CALM = [HealthCheck.too_slow, HealthCheck.data_too_large]
ALIKE = settings(deadline=None, derandomize=True, database=None, suppress_health_check=CALM)
STEADY = settings(ALIKE, max_examples=INPUTS // PER_EXAMPLE)


@pytest.mark.parametrize("name", list(readers()))
def test_any_input_is_read_or_refused(name):
    reader = readers()[name]
    for seed in reader.seeds:
        assert reader.feed(seed) > 0
    fed = 0

    @STEADY
    @given(st.integers(0, 2**32), st.binary(max_size=300))
    def run(seed, raw):
        nonlocal fed
        rng = random.Random(seed)
        reader.feed(raw)
        for _ in range(PER_EXAMPLE - 1):
            reader.feed(reader.mutate(rng, rng.choice(reader.seeds)))
        fed += PER_EXAMPLE

    run()
    reader.finish()
    assert fed >= INPUTS


def parts_of_a_night() -> list[bytes]:
    edges = [make.edge(1000 * (i + 1), 0x7E if i % 2 == 0 else 0x7F) for i in range(60)]
    return make.blocks([*make.boot_statement(), *edges], 13)


PARTS = parts_of_a_night()
SPOILED = st.lists(st.tuples(st.integers(0, len(PARTS) - 1), st.integers(0, 2**32)), min_size=1, max_size=3)


@settings(ALIKE, max_examples=300)
@given(SPOILED)
def test_untouched_blocks_are_all_used_and_damage_is_told_with_its_place(spoiled):
    """Bytes inside some blocks are changed in place; the others give their edges, the spoiled stretches are told."""
    parts = list(PARTS)
    for at, seed in spoiled:
        rng, block = random.Random(seed), bytearray(parts[at])
        for _ in range(rng.choice((1, 3, 30))):
            block[rng.randrange(len(block))] ^= 1 << rng.randrange(8)
        parts[at] = bytes(block)
    whole = [k for k, part in enumerate(parts) if part == PARTS[k]]
    rec = decode_blocks(b"".join(parts), "a.seg")
    starts = [sum(map(len, parts[:k])) for k in range(len(parts) + 1)]
    told = rec.problems[rec.problems["bytes"] > 0]
    said = {at for row in told.itertuples() for at in range(row.offset, row.offset + row.bytes)}
    bad = {at for k in range(len(parts)) if k not in whole for at in range(starts[k], starts[k + 1])}
    assert said == bad and set(told["file"]) <= {"a.seg"}
    # the first edge after a hole tells levels only, so it is looked for among the statements of levels too
    seen = {*rec.edges["t_ns"].tolist(), *rec.reading("levels")["t_ns"].tolist()}
    for part in (parts[k] for k in whole):
        edges = [part[i : i + 8] for i in range(24, len(part), 8) if part[i + 6] == 1]
        assert {72 * int.from_bytes(edge[:6], "little") for edge in edges} <= seen


def test_the_promises_can_be_broken(monkeypatch):
    """A reader that raises, one that says two lines, and a scan that leaves a block out are seen."""
    edges = readers()["edges"]
    with monkeypatch.context() as patch:
        patch.setattr(room.captures, "_check_lines", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            edges.feed(edges.seeds[0])
    with monkeypatch.context() as patch:
        patch.setattr(room.captures, "_whole", lambda path, rows, *_: (_ for _ in ()).throw(room.DuskgateError("a\nb")))
        with pytest.raises(Broken):
            edges.feed(edges.seeds[0])
    monkeypatch.setattr(room.blocks, "MAX_RECORDS", 10)
    with pytest.raises(Broken):
        readers()["decoder"].feed(make.block([make.edge(1, 1)] * 11))
