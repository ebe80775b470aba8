"""Spells of blindness against plain loops over the same rows."""

import numpy as np
from duskgate.logfile import spells
from hypothesis import given, settings
from hypothesis import strategies as st

PLACES = st.lists(st.tuples(st.integers(0, 3), st.integers(0, 40), st.integers(0, 12)), max_size=25)


def columns(rows: list[tuple[int, int, int]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    boot, start, length = np.array(rows, np.int64).reshape(-1, 3).T
    return boot, start, start + length


@settings(max_examples=200, deadline=None)
@given(PLACES, PLACES, st.booleans())
def test_rows_before_are_those_that_a_loop_counts(rows, asked, ties):
    boot, at, _ = columns(sorted(rows))
    q_boot, q_at, _ = columns(asked)
    found = spells._rows_before(boot, at, q_boot, q_at, ties)
    for b, t, n in zip(q_boot.tolist(), q_at.tolist(), found.tolist(), strict=True):
        assert n == sum((rb, rt) < (b, t) or (ties and (rb, rt) == (b, t)) for rb, rt, _ in rows)


@settings(max_examples=200, deadline=None)
@given(PLACES, PLACES)
def test_touching_spells_are_those_that_a_loop_finds(rows, asked):
    told = spells.frame(*columns(rows), spells.OVERRUN)
    boot, start, end = columns(asked)
    found = spells._touches(told, boot, start, end)
    for (b, lo, length), touches in zip(asked, found.tolist(), strict=True):
        assert touches == any(rb == b and ra + rl >= lo and ra <= lo + length for rb, ra, rl in rows)
