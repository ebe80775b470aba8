"""Decoding of native logs that are whole: every record's way into the tables."""

import json
from pathlib import Path

import numpy as np
import pytest
from duskgate.fields import RECORDING
from duskgate.logfile.blocks import gather, scan
from duskgate.logfile.decode import decode_blocks, read_dgl
from duskgate.logfile.recording import Recording, merge
from duskgate.logfile.words import ticks_to_ns
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import factories as make


def rows(frame, *columns):
    return list(frame[list(columns)].itertuples(index=False, name=None))


def decode(*records):
    return decode_blocks(b"".join(make.blocks([*make.boot_statement(), *records])))


def test_empty_recording_has_every_table_with_its_types():
    rec = Recording()
    for name, columns in RECORDING.items():
        assert {c: str(t) for c, t in getattr(rec, name).dtypes.items()} == columns


def test_filled_tables_keep_their_types():
    rec = decode(make.edge(10, 0x7E), make.moment(20), make.value(0x58, 4000), *make.note(4, 0, "café"))
    for name, columns in RECORDING.items():
        assert {c: str(t) for c, t in getattr(rec, name).dtypes.items()} == columns, name


def test_edges_are_active_levels_at_exact_times():
    rec = decode(make.edge(1000, 0x7E), make.edge(2000, 0x76), make.edge(3001, 0x7F))
    assert rows(rec.edges, "boot", "t_ns", "channel", "level") == [
        (0, 72_000, 0, 1),
        (0, 144_000, 3, 1),
        (0, 216_072, 0, 0),
        (0, 216_072, 3, 0),
    ]


def test_polarity_comes_from_the_low_mask():
    records = make.boot_statement(wire=0x02, low_mask=0x02)
    rec = decode_blocks(b"".join(make.blocks([*records, make.edge(5, 0x03), make.edge(6, 0x01)])))
    assert rows(rec.edges, "channel", "level") == [(0, 1), (1, 1)]
    assert rec.boots["levels"].tolist() == [0]


def test_levels_stated_afresh_make_no_edge_but_a_reading():
    rec = decode(make.edge(10, 0x7E), make.levels(100, 0x7F), make.edge(200, 0x7E))
    assert rows(rec.edges, "t_ns", "level") == [(720, 1), (14_400, 1)]
    assert rows(rec.reading("levels"), "t_ns", "value") == [(0, 0), (7200, 0)]


def test_second_never_becomes_an_edge():
    assert len(decode(make.edge(10, 0xFF), make.edge(20, 0x7F)).edges) == 0


def test_values_belong_to_the_stamped_record_before_them():
    rec = decode(
        make.moment(100), make.value(0x50, 1_750_000_000), make.value(0x58, 3950), make.value(0x59, -125),
        make.edge(200, 0x7E), make.moment(300), make.value(0x54, -2500), make.value(0x52, 1_750_000_000_123),
        make.value(0x53, 4000),
    )  # fmt: skip
    values = rec.readings[rec.readings["t_ns"] > 0]
    assert rows(values, "t_ns", "kind", "value") == [
        (7200, "rtc_unix_ms", 1_750_000_000_000), (7200, "battery_mv", 3950), (7200, "temp_c100", -125),
        (21600, "clock_set_ms", -2500), (21600, "host_unix_ms", 1_750_000_000_123), (21600, "host_unc_us", 4000),
    ]  # fmt: skip


def test_boot_statement_fills_the_boots_table():
    boot = decode(make.edge(1_000_000, 0x7E)).boots.iloc[0]
    assert (boot["boot_no"], boot["boot_id"], boot["cause"]) == (1, 0x1234, "power-on")
    assert (boot["firmware"], boot["interpreter"], boot["interpreter_version"]) == ("0.1.0", "CPython", "1.29.0")
    assert (boot["tick_fs"], boot["low_mask"], boot["channel_mask"]) == (72_000_000, 0x7F, 0xF9)
    assert (boot["board"], boot["first_ns"], boot["last_ns"]) == (make.BOARD, 0, 72_000_000)


def test_notes_with_text_of_several_parts_in_any_order():
    parts = make.note(4, 0, "Nachtkerze blüht, Falter an Kopf 2")
    rec = decode(make.moment(5), parts[0], *reversed(parts[1:]), make.moment(9), *make.note(2, 3))
    assert rows(rec.notes, "t_ns", "what", "head", "text") == [
        (360, "text", 0, "Nachtkerze blüht, Falter an Kopf 2"),
        (648, "cells", 3, ""),
    ]


def test_stop_faults_and_unknown_tags():
    rec = decode(
        make.moment(5), make.value(0x78, 7 | 9 << 16), make.value(0xC5, 1), make.moment(9), make.value(0x7B, 2)
    )
    assert rows(rec.reading("fault"), "value") == [(7 | 9 << 16,)]
    assert rec.boots["stopped"].tolist() == [2]
    assert "1 records of unknown tag C5" in rec.problems["what"].iloc[0]


def test_restated_boot_is_no_boot():
    again = make.boot_statement(tick=500, wire=0x7E, restated=True)
    rec = decode(make.edge(400, 0x7E), *again, make.edge(600, 0x7F))
    assert len(rec.boots) == 1 and len(rec.reading("boot_cause")) == 1
    assert rows(rec.edges, "t_ns", "level") == [(28_800, 1), (43_200, 0)]


def test_chatter_summary_guards_only_its_own_channel():
    second = 1000
    rec = decode(
        make.edge(100, 0x7E),
        make.edge(1500, 0x76),  # FLASH1 inside the guarded second; BEAM's bit happens to be low
        make.edge(1600, 0x7F),  # FLASH1 back; BEAM's bit happens to be high: no edge of BEAM
        make.moment(second), *make.chatter(0, 300, 5, 90, 400, 1000, 0),
        make.edge(2100, 0x7F),  # BEAM: from 0 at the end of the span to 1
    )  # fmt: skip
    assert rows(rec.edges, "t_ns", "channel", "level") == [
        (7200, 0, 1), (108_000, 3, 1), (115_200, 3, 0), (151_200, 0, 0),
    ]  # fmt: skip
    assert rows(rec.chatter, *list(RECORDING["chatter"])[1:]) == [
        (72_000, 0, 300, 360, 6480, 28_800, 72_000, 1),
    ]  # fmt: skip


def test_level_after_a_summary_is_compared_with_the_summary():
    # BEAM ends the guarded second broken, as it was at the last stored record before: no edge at the next FLASH1 edge
    rec = decode(
        make.edge(100, 0x7E), make.edge(1500, 0x77), make.edge(1600, 0x7F),
        make.moment(1000), *make.chatter(0, 301, 5, 90, 400, 1000, 0), make.edge(2500, 0x76),
    )  # fmt: skip
    assert rows(rec.edges[rec.edges["channel"] == 0], "t_ns", "level") == [(7200, 1)]


def test_blind_spells_told_and_counted():
    rec = decode(
        make.moment(1000), make.value(0x58, 4000),
        make.levels(5000, 0x7F), make.moment(5000), make.value(0x63, 4000),
        make.moment(9000), make.value(0x58, 4000), make.value(0x60, 12),
        make.moment(19_000), make.value(0x58, 4000), make.value(0x60, 15), make.value(0x62, 3),
    )  # fmt: skip
    assert rows(rec.blind, "from_ns", "to_ns", "why") == [
        (288_000, 360_000, "stamper overrun"),
        (648_000, 1_368_000, "stamper overrun"),
        (648_000, 1_368_000, "store full"),
    ]


def test_boots_come_in_the_order_of_their_numbers():
    a = b"".join(make.blocks([*make.boot_statement(boot_no=7), make.edge(10, 0x7E)], boot_id=9, boot_no=7))
    b = b"".join(make.blocks([*make.boot_statement(boot_no=8, cause=2), make.edge(20, 0x7E)], boot_id=3, boot_no=8))
    rec = decode_blocks(b + a)
    assert rec.boots["boot_no"].tolist() == [7, 8] and rec.boots["cause"].tolist() == ["power-on", "watchdog"]
    assert rows(rec.edges, "boot", "t_ns") == [(0, 720), (1, 1440)]


def test_numbers_that_start_again_after_the_board_was_erased(tmp_path):
    def night(boot_no, second, ident):
        records = [*make.boot_statement(boot_no=boot_no), make.moment(5), make.value(0x50, second)]
        return b"".join(make.blocks(records, boot_id=ident, boot_no=boot_no))

    old = tmp_path / "a.dgl"
    new = tmp_path / "b.dgl"
    old.write_bytes(make.dgl([(1, 0, night(5, 1_750_000_000, 1) + night(6, 1_750_030_000, 2))], pulled_utc_us=1))
    new.write_bytes(make.dgl([(1, 0, night(1, 1_750_100_000, 3))], pulled_utc_us=2))
    from duskgate.logfile.decode import read_dgl_files

    assert read_dgl_files([new, old]).boots["boot_no"].tolist() == [5, 6, 1]


def test_merge_numbers_boots_through():
    one = decode(make.edge(10, 0x7E))
    both = merge([one, one])
    assert both.boots["boot"].tolist() == [0, 1] and both.edges["boot"].tolist() == [0, 1]
    assert str(both.readings["kind"].dtype) == "category"


@pytest.mark.parametrize("cycles, clock", [(9, 125_000_000), (9, 150_000_000), (7, 133_000_000), (1, 999_999_937)])
def test_ticks_to_ns_is_exact_up_to_48_bits(cycles, clock):
    ticks = np.array([0, 1, 12345, 2**40 + 7, 2**48 - 1], dtype=np.int64)
    exact = [(2 * t * cycles * 10**9 + clock) // (2 * clock) for t in ticks.tolist()]
    assert ticks_to_ns(ticks, cycles, clock).tolist() == exact
    assert ticks_to_ns(ticks, np.full(5, cycles), np.full(5, clock)).tolist() == exact


def test_boots_of_different_clocks_each_keep_their_own():
    a = b"".join(make.blocks([*make.boot_statement(), make.edge(1000, 0x7E)], boot_id=1, boot_no=1))
    other = [*make.boot_statement(clock=150_000_000, low_mask=0), make.edge(1000, 0x7E)]
    rec = decode_blocks(a + b"".join(make.blocks(other, boot_id=2, boot_no=2)))
    assert rows(rec.edges, "boot", "t_ns", "level") == [(0, 72_000, 1), (1, 60_000, 0)]


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 10**9), st.integers(0, 127)), max_size=60),
    st.integers(13, 40),
    st.sampled_from([0x7F, 0x00, 0x15]),
)
def test_what_the_factory_writes_is_what_the_reader_finds(steps, per_block, low):
    tick, wire, records, expected = 0, 0x7F, [], []
    for gap, after in steps:
        tick += gap
        records.append(make.edge(tick, after))
        changed = wire ^ after
        expected += [(tick * 72, c, (after ^ low) >> c & 1) for c in range(7) if changed >> c & 1]
        wire = after
    data = b"".join(make.blocks([*make.boot_statement(low_mask=low), *records], per_block))
    rec = decode_blocks(data)
    assert rows(rec.edges, "t_ns", "channel", "level") == expected
    assert not rec.damaged


VECTORS = json.loads((Path(__file__).parents[1] / "vectors" / "blocks.json").read_text())


@pytest.mark.parametrize("vector", VECTORS, ids=[v["what"] for v in VECTORS])
def test_golden_blocks(vector):
    """The golden bytes that the board's writer is held to as well: found as one block, with these records."""
    data = bytes.fromhex(vector["hex"])
    found = scan(data)
    assert not found.damage and len(found.blocks) == 1
    block = {name: int(found.blocks[0][name]) for name in ("boot_id", "boot_no", "seq")}
    assert list(block.values()) == [vector["boot_id"], vector["boot_no"], vector["sequence"]]
    words = gather([data], found.blocks).tolist()
    records = [(number & (1 << 48) - 1, tag, payload) for number, tag, payload in vector["records"]]
    assert [(w & (1 << 48) - 1, w >> 48 & 255, w >> 56) for w in words] == records
    decode_blocks(data)


def test_golden_boot_statement_means_what_it_says():
    data = next(v for v in VECTORS if v["what"] == "a boot statement")["hex"]
    boot = decode_blocks(bytes.fromhex(data)).boots.iloc[0]
    assert (boot["boot_no"], boot["cause"], boot["tick_fs"], boot["low_mask"]) == (12, "power-on", 72_000_000, 0x7F)
    assert (boot["firmware"], boot["interpreter_version"], boot["interpreter"]) == (
        "0.1.0",
        "1.28.0",
        "MicroPython on a PC",
    )
    assert (boot["board"], boot["levels"]) == ("e66618604b8f8a21", 1)


def test_golden_bytes(tmp_path):
    """Written out by hand from FORMAT.md sections 2 and 3, not by the factory."""
    text = "d644470a 01 18 0200 78563412 03000000 00000000 CRC e80300000000 02 7f 400d03000000 01 7e"
    raw = bytes.fromhex(text.replace("CRC", "").replace(" ", ""))
    import binascii

    data = raw[:20] + binascii.crc32(raw).to_bytes(4, "little") + raw[20:]
    rec = decode_blocks(data)
    assert rows(rec.edges, "t_ns", "channel", "level") == [(200_000 * 72, 0, 1)]
    assert rec.boots["boot_id"].tolist() == [0x12345678] and rec.boots["boot_no"].tolist() == [3]
    path = tmp_path / "00000004.seg"
    path.write_bytes(data)
    assert len(read_dgl(path).edges) == 1
