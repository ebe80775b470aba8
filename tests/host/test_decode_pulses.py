"""Light pulses out of a log: whole ones sample by sample, damaged ones as far as they go, and never an error."""

import json
from itertools import chain
from pathlib import Path

import numpy as np
import pytest
from duskgate.fields import RECORDING
from duskgate.logfile import pulses
from duskgate.logfile.decode import decode_blocks
from duskgate.logfile.recording import merge
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import factories as make
from tests.vectors.make import PULSE_CODES

SHAPE = [100] * 64 + [100 + round(3000 * 0.99**i) for i in range(500)] + [100, 101, 99] * 20


def decode(records, per_block=480):
    return decode_blocks(b"".join(make.blocks([*make.boot_statement(), *records], per_block)))


def one(rec):
    (row,) = rec.pulses.itertuples(index=False)
    return row


def test_a_whole_pulse():
    rec = decode(chain(*make.pulse(SHAPE, tick=1000, number=9, flash=5, lead_ns=127_300)))
    row = one(rec)
    assert (row.boot, row.t_ns, row.number, row.flash) == (0, 72_000, 9, 5)
    assert (row.start_ns, row.step_ns, row.peak, row.cut, row.complete) == (-127_300, 2000, 3100, False, True)
    assert row.codes.dtype == np.uint16 and row.codes.tolist() == SHAPE
    assert {c: str(t) for c, t in rec.pulses.dtypes.items()} == RECORDING["pulses"]
    assert not rec.damaged


def test_a_pulse_without_samples_is_whole():
    row = one(decode(chain(*make.pulse([], cut=1))))
    assert row.complete and row.cut and row.codes.tolist() == []


def test_groups_of_other_records_and_of_another_pulse_between():
    first, second = make.pulse(SHAPE, 1000, 1), make.pulse(SHAPE[::-1], 90_000, 2)
    other = [make.edge(90_100, 0x7E), make.moment(90_200), make.value(0x58, 4000)]
    mixed = [part for pair in zip(first, second, [other] * 9, strict=False) for part in pair]
    rec = decode(chain(*mixed))
    assert rec.pulses["complete"].tolist() == [True, True] and len(first) == len(second) > 1
    assert [codes.tolist() for codes in rec.pulses["codes"]] == [SHAPE, SHAPE[::-1]]
    assert rec.reading("battery_mv")["value"].tolist() == [4000] * len(first)


def test_a_pulse_over_several_blocks():
    row = one(decode(chain(*make.pulse(SHAPE, per_group=20)), per_block=24))
    assert row.complete and row.codes.tolist() == SHAPE


@pytest.mark.parametrize("lost", [1, 2])
def test_a_group_that_is_missing_ends_what_is_believed(lost):
    parts = make.pulse(SHAPE, per_group=20)
    del parts[lost]
    row = one(decode(chain(*parts)))
    assert not row.complete and 0 < len(row.codes) < len(SHAPE)
    assert row.codes.tolist() == SHAPE[: len(row.codes)]


def test_a_chain_whose_begin_is_missing_belongs_to_no_pulse():
    parts = make.pulse(SHAPE, per_group=20)
    assert not len(decode(chain(*parts[1:])).pulses)


def test_a_number_that_comes_again_is_another_pulse():
    rec = decode(chain(*make.pulse(SHAPE, 1000, 65535), *make.pulse(SHAPE[5:], 2000, 65535 + 65536)))
    assert rec.pulses["complete"].tolist() == [True, True]
    assert [len(codes) for codes in rec.pulses["codes"]] == [len(SHAPE), len(SHAPE) - 5]


def test_more_than_256_records_of_samples():
    codes = [(1000, 3000)[i % 2] for i in range(2048)]  # each an escape: 683 records
    row = one(decode(chain(*make.pulse(codes))))
    assert row.complete and row.codes.tolist() == codes


def test_a_timing_that_is_missing_leaves_the_pulse_incomplete():
    ((stamp, header, _timing, *samples),) = make.pulse(SHAPE[:80])
    row = one(decode([stamp, header, *samples]))
    assert not row.complete and row.codes.tolist() == SHAPE[:80] and row.step_ns == 0


def test_what_was_missed_is_a_reading():
    rec = decode([make.moment(5), make.value(0x83, 3, 0), make.value(0x83, 2, 1), make.value(0x84, 2**40)])
    dropped = rec.reading("pulses_dropped")
    assert list(zip(dropped["index"], dropped["value"], strict=True)) == [(0, 3), (1, 2)]
    assert rec.reading("pulse_blind_us")["value"].tolist() == [2**40]
    assert not rec.damaged


def test_merge_numbers_the_boots_of_pulses_through():
    rec = decode(chain(*make.pulse(SHAPE)))
    both = merge([rec, rec])
    assert both.pulses["boot"].tolist() == [0, 1] and both.pulses["codes"][1].tolist() == SHAPE


def test_the_golden_pulse():
    rows = json.loads((Path(__file__).parents[1] / "vectors" / "blocks.json").read_text(encoding="utf-8"))
    data = next(bytes.fromhex(row["hex"]) for row in rows if row["what"] == "a light pulse in two groups")
    row = one(decode_blocks(data))
    assert row.codes.tolist() == PULSE_CODES and row.complete
    assert (row.number, row.flash, row.peak, row.start_ns, row.step_ns) == (9, 1, 1100, -4500, 2000)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 4095), max_size=300), st.integers(1, 59), st.integers(70, 500))
def test_what_the_factory_writes_is_what_the_reader_finds(codes, per_group, per_block):
    row = one(decode(chain(*make.pulse(codes, per_group=per_group)), per_block))
    assert row.codes.tolist() == codes and row.complete


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_records_lost_or_bent_anywhere_never_raise_and_never_claim_to_be_whole(data):
    parts = list(chain(*make.pulse(SHAPE, per_group=25)))
    at = data.draw(st.integers(0, len(parts) - 1))
    lost = data.draw(st.booleans())
    if lost:
        del parts[at]
    else:
        parts[at] = make.flip(parts[at], data.draw(st.integers(0, 7)), data.draw(st.integers(0, 7)))
    rec = decode(parts)
    for row in rec.pulses.itertuples(index=False):
        assert len(row.codes) <= 4095 and row.codes.dtype == np.uint16
        if lost and row.complete:  # only a moment may go without harm, where the one before has the same tick
            assert row.codes.tolist() == SHAPE


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=60), st.integers(0, 4095))
def test_any_bytes_decode_to_codes(data, kept):
    codes, whole = pulses.decode(data, kept)
    assert len(codes) <= kept and (not whole or len(codes) == kept)
    assert not len(codes) or codes.max() <= 4095
