"""Logs that were cut, flipped, doubled or never were logs: what is whole is read, the rest reported, nothing raises."""

import struct
import time
import tracemalloc

import pytest
from duskgate.errors import DuskgateError
from duskgate.logfile.decode import decode_blocks, problem_lines, read_dgl, read_dgl_files
from duskgate.timebase.clock import fit_clock
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests import factories as make

KNOWN = [*range(0x40, 0x4C), *range(0x50, 0x55), *range(0x58, 0x72), 0x78, 0x7B]
SHORT = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def night(n: int = 40, per_block: int = 13, boot_id: int = 0x1234, boot_no: int = 1) -> list[bytes]:
    """Blocks of one boot: the statement, then n edges of BEAM, a thousand ticks apart."""
    edges = [make.edge(1000 * (i + 1), 0x7E if i % 2 == 0 else 0x7F) for i in range(n)]
    return make.blocks([*make.boot_statement(boot_no=boot_no), *edges], per_block, boot_id=boot_id, boot_no=boot_no)


def said(rec) -> str:
    return "\n".join(problem_lines(rec))


def times(rec) -> list[int]:
    return (rec.edges["t_ns"] // 72_000).tolist()


def test_a_later_pull_read_alone_is_not_damaged():
    """A log file holds only what the logbook lacked: what is older lies in other files, and is blind, not damage."""
    parts = night()
    rec = decode_blocks(b"".join(parts[2:]))
    assert "missing" not in said(rec)
    assert rec.blind["from_ns"].tolist()[0] == 0 and rec.blind["to_ns"].tolist()[0] > 0


def test_a_lost_block_is_a_hole_and_blind_time():
    parts = night()
    rec = decode_blocks(b"".join(parts[:2] + parts[3:]))
    assert "1 block of boot 1 missing before this one" in said(rec)
    # the edges after the hole: the first tells the levels only, because nobody knows what changed at its tick
    gone = set(range(14, 28))
    assert times(rec) == [t for t in range(1, 41) if t not in gone - {27} and t != 27]
    assert rec.blind[["from_ns", "to_ns", "why"]].values.tolist() == [[13 * 72_000, 27 * 72_000, "missing blocks"]]
    assert rec.reading("levels")["t_ns"].tolist() == [0, 27 * 72_000]


def test_a_lost_beginning_takes_the_statement_of_a_later_segment():
    parts = night(13)
    later = make.boot_statement(tick=20_000, wire=0x7F, restated=True)
    rest = make.blocks([*later, make.edge(21_000, 0x7E)], seq=5)
    rec = decode_blocks(b"".join(rest))
    assert rec.boots["cause"].tolist() == ["power-on"] and rec.boots["low_mask"].tolist() == [0x7F]
    assert times(rec) == [21] and rec.blind["from_ns"].tolist() == [0]
    assert len(decode_blocks(b"".join(parts + rest)).boots) == 1


def test_a_boot_without_any_statement_takes_its_neighbours_and_says_so():
    first = night(3)
    lonely = make.blocks([make.edge(1000, 0x7F), make.edge(2000, 0x7E)], boot_id=9, boot_no=2, seq=4)
    rec = decode_blocks(b"".join(first + lonely))
    assert "does not state its tick and wiring" in said(rec)
    assert rec.edges[rec.edges["boot"] == 1][["t_ns", "level"]].values.tolist() == [[144_000, 1]]


def test_records_that_the_store_lost_date_the_hole():
    parts = make.blocks([*make.boot_statement(), make.moment(100), make.value(0x58, 4000)])
    later = [make.levels(900, 0x7F), make.moment(1000), make.value(0x58, 4000), make.value(0x62, 480)]
    rec = decode_blocks(b"".join(parts + make.blocks(later, seq=3)))
    assert rec.blind[["from_ns", "to_ns", "why"]].values.tolist() == [[7200, 64_800, "store full"]]


def test_the_same_block_twice_counts_once_and_a_different_one_is_reported():
    parts = night()
    assert times(decode_blocks(b"".join(parts + parts[1:3]))) == list(range(1, 41))
    assert not decode_blocks(b"".join(parts + parts)).damaged
    other = make.block([make.edge(5, 0x00)], seq=1)
    rec = decode_blocks(b"".join([*parts, other]))
    assert "a second, different block 1 of boot 1" in said(rec) and times(rec) == list(range(1, 41))
    assert rec.problems["offset"].tolist() == [sum(map(len, parts))]


def test_blocks_in_any_order_are_put_right():
    parts = night()
    assert times(decode_blocks(b"".join(reversed(parts)))) == list(range(1, 41))


def test_a_newer_version_is_left_aside_and_the_rest_read():
    parts = night(26)
    newer = make.block([make.edge(99_000, 0x00)], seq=9, version=2)
    rec = decode_blocks(parts[0] + newer + b"".join(parts[1:]))
    assert times(rec) == list(range(1, 27))
    assert "log version 2, newer than this program reads" in said(rec)
    assert rec.problems[["offset", "bytes"]].values.tolist() == [[len(parts[0]), len(newer)]]


def test_every_single_byte_flipped_costs_at_most_its_own_block():
    parts = night(30)
    data = b"".join(parts)
    ends = [sum(map(len, parts[: i + 1])) for i in range(len(parts))]
    whole = times(decode_blocks(data))
    for at in [*range(24), *range(24, len(data), 3)]:
        rec = decode_blocks(make.flip(data, at, at % 8))
        hit = next(i for i, end in enumerate(ends) if at < end)
        assert rec.damaged
        damage = rec.problems[rec.problems["bytes"] > 0].iloc[0]
        assert damage["offset"] == ends[hit] - len(parts[hit]) and damage["bytes"] == len(parts[hit])
        assert set(times(rec)) <= set(whole) and len(times(rec)) >= len(whole) - 15


def test_every_truncation_reads_all_whole_blocks():
    parts = night(30)
    data = b"".join(parts)
    for end in range(0, len(data), 5):
        rec = decode_blocks(data[:end])
        whole = sum(1 for i in range(len(parts)) if sum(map(len, parts[: i + 1])) <= end)
        assert len(times(rec)) == len(times(decode_blocks(b"".join(parts[:whole]))))


@SHORT
@given(st.lists(st.tuples(st.integers(0, 3000), st.binary(max_size=40)), min_size=1, max_size=6))
def test_noise_between_and_inside_blocks_never_invents_an_edge(noise):
    data = b"".join(night(60))
    for at, extra in noise:
        data = data[:at] + extra + data[at:]
    rec = decode_blocks(data)
    assert set(times(rec)) <= set(range(1, 61))


@SHORT
@given(st.binary(max_size=400))
def test_any_bytes_are_no_error(tmp_path, data):
    for head in (b"", b"\xd6DG\x1a", b"\xd6DG\n\x01\x18"):
        path = tmp_path / "a.dgl"
        path.write_bytes(head + data)
        read_dgl(path)


@SHORT
@given(st.binary(min_size=8, max_size=8 * 60))
def test_any_records_in_a_good_block_are_no_error(body):
    body = body[: len(body) // 8 * 8]
    records = [body[i : i + 8] for i in range(0, len(body), 8)]
    records[0] = make.levels(5, 0x7F)
    rec = decode_blocks(make.block(records))
    assert min(rec.edges["t_ns"].tolist(), default=0) >= 0
    assert set(rec.edges["channel"].tolist()) <= set(range(7))


@SHORT
@example([0x50] * 3, [0] * 40)
@given(st.lists(st.sampled_from(KNOWN), max_size=40), st.lists(st.integers(0, (1 << 48) - 1), min_size=40))
def test_known_values_of_any_size_are_no_error(tags, numbers):
    values = [make.value(tag, number, 255 - k) for k, (tag, number) in enumerate(zip(tags, numbers, strict=False))]
    moments = [record for value in values for record in (make.moment(numbers[0]), value)]
    rec = decode_blocks(make.block([make.levels(5, 0x7F), *values, *moments, make.edge((1 << 48) - 1, 0)]))
    clock = fit_clock(rec)
    assert len(clock.utc_us(rec.edges["boot"], rec.edges["t_ns"])) == len(rec.edges)


def write(folder, name, *args, **kwargs):
    path = folder / name
    path.write_bytes(make.dgl(*args, **kwargs))
    return path


def test_a_damaged_header_costs_the_header_only(tmp_path):
    path = write(tmp_path, "a.dgl", [(1, 0, b"".join(night()))])
    data = path.read_bytes()
    length = struct.unpack_from("<I", data, 4)[0]
    cases = [make.flip(data, at) for at in (5, 9, 20, 11 + length)]
    cases += [data[:4] + b"\xff\xff\xff\xff" + data[8:], make.flip(data, 0)]
    for case in cases:
        path.write_bytes(case)
        rec = read_dgl(path)
        assert times(rec) == list(range(1, 41)) and rec.damaged


def test_a_changed_body_is_told_by_its_segment(tmp_path):
    parts = night()
    half = len(parts) // 2
    path = write(tmp_path, "a.dgl", [(3, 0, b"".join(parts[:half])), (4, 0, b"".join(parts[half:]))])
    data = path.read_bytes()
    path.write_bytes(make.flip(data, len(data) - 3))
    assert "not those that were pulled (segment 4)" in said(read_dgl(path))


def test_truncated_and_lengthened_files(tmp_path):
    path = write(tmp_path, "a.dgl", [(1, 0, b"".join(night()))])
    data = path.read_bytes()
    path.write_bytes(data[:-10])
    assert "ends 10 bytes too early" in said(read_dgl(path))
    path.write_bytes(data + b"tail")
    rec = read_dgl(path)
    assert "4 bytes at the end are not in the file's own list" in said(rec) and times(rec) == list(range(1, 41))


def test_block_split_between_two_pulls_is_whole_again(tmp_path):
    data = b"".join(night())
    cut = len(data) // 2 + 5
    one = write(tmp_path, "a.dgl", [(7, 0, data[:cut])], pulled_utc_us=1)
    two = write(tmp_path, "b.dgl", [(7, cut, data[cut:])], pulled_utc_us=2)
    rec = read_dgl_files([two, one])
    assert times(rec) == list(range(1, 41)) and not rec.damaged
    assert len(times(read_dgl(one))) < 40 and read_dgl(one).damaged
    assert len(rec.headers) == 2


def test_overlapping_pulls_count_once_and_mend_each_other(tmp_path):
    data = b"".join(night())
    cut = len(b"".join(night()[:2]))
    broken = make.flip(data, 50)
    one = write(tmp_path, "a.dgl", [(7, 0, broken[:cut])], pulled_utc_us=1)
    two = write(tmp_path, "b.dgl", [(7, 0, data)], pulled_utc_us=2)
    assert times(read_dgl_files([one, two])) == list(range(1, 41))
    assert times(read_dgl_files([two, one])) == list(range(1, 41))


def test_files_of_two_boards_are_refused(tmp_path):
    one = write(tmp_path, "a.dgl", [], board="aa" * 8)
    two = write(tmp_path, "b.dgl", [], board="bb" * 8)
    with pytest.raises(DuskgateError, match="one board's files"):
        read_dgl_files([one, two])


def test_folder_missing_file_and_empty_file(tmp_path):
    for path in (tmp_path, tmp_path / "none.dgl"):
        with pytest.raises(DuskgateError):
            read_dgl(path)
    (tmp_path / "empty.dgl").write_bytes(b"")
    rec = read_dgl(tmp_path / "empty.dgl")
    assert "the file is empty" in said(rec) and len(rec.boots) == 0
    (tmp_path / "text.dgl").write_text("not a log\n" * 50)
    assert "no readable block" in said(read_dgl(tmp_path / "text.dgl"))


ODD_HEADERS = [b"[1,2]", b"{", b"\xff", b'{"pieces": 3}', b'{"pieces": [{"segment": -1}]}', b"[" * 3000]


@pytest.mark.parametrize("header", ODD_HEADERS)
def test_headers_that_are_no_header(tmp_path, header):
    import zlib

    path = tmp_path / "a.dgl"
    path.write_bytes(b"\xd6DG\x1a" + struct.pack("<II", len(header), zlib.crc32(header)) + header + b"".join(night()))
    assert times(read_dgl(path)) == list(range(1, 41))


def test_lengths_in_a_file_take_no_memory(tmp_path):
    path = tmp_path / "a.dgl"
    pieces = [{"segment": 1, "offset": 0, "bytes": 1 << 47, "crc": 0}] * 3
    path.write_bytes(make.dgl([(1, 0, b"".join(night()))], pieces=pieces))
    tracemalloc.start()
    read_dgl(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 5_000_000


def test_a_flood_of_false_magics_is_read_in_bounded_time_and_memory():
    data = b"\xd6DG\n\x01\x18\xfc\x01" * 25_000
    start = time.perf_counter()
    tracemalloc.start()
    rec = decode_blocks(data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert rec.damaged and len(rec.problems) < 5
    assert peak < 20 * len(data) + 5_000_000
    assert time.perf_counter() - start < 20  # a square of the size would take hours


def test_many_short_boots_are_no_loop_over_boots_squared():
    parts = [b"".join(make.blocks(make.boot_statement(boot_no=k), boot_id=k, boot_no=k)) for k in range(1, 800)]
    assert len(decode_blocks(b"".join(parts)).boots) == 799
