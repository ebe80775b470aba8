"""A recording written as a value change dump and read by our reader and by two independent ones (vcdvcd, pyvcd)."""

import io
from decimal import Decimal

import numpy as np
import pytest
from duskgate.errors import UsageError
from duskgate.export.timeline import lay_out
from duskgate.export.vcd import SIGNALS, vcd_bytes
from duskgate.logfile.recording import Recording, table
from duskgate.logfile.vcd import read_vcd
from duskgate.timebase.clock import fit_clock
from duskgate.virtual import scenes
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize
from vcdvcd import VCDVCD

from tests.host.made_recording import made
from tests.host.scene_recording import recording_of

ANY_FOLDER = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def dumped(rec: Recording):
    clock = fit_clock(rec)
    numbers = rec.boots["boot"].to_numpy()
    content, said = vcd_bytes(rec, clock, numbers)
    return content, said, lay_out(rec, clock, numbers)


def on_line(rec: Recording, line) -> list[tuple[int, int, int]]:
    """(ns of the line, channel, level) of every edge."""
    t = rec.edges["t_ns"].to_numpy() + line.offset_ns[rec.edges["boot"].to_numpy()]
    return list(zip(t.tolist(), rec.edges["channel"].tolist(), rec.edges["level"].tolist(), strict=True))


def ours(folder, content: bytes):
    path = folder / "night.vcd"
    path.write_bytes(content)
    rec = read_vcd(path)
    return list(rec.edges[["t_ns", "channel", "level"]].itertuples(index=False, name=None)), rec


def changes(seen: list[tuple[int, str, str]]) -> list[tuple[int, int, int]]:
    """Changes between 0 and 1 out of (time, name, value) in the order of the file."""
    last: dict[str, str] = {}
    out = []
    for t, name, value in seen:
        before = last.get(name, "x")
        if value != before and "x" not in (value, before):
            out.append((t, SIGNALS.index(name), int(value)))
        last[name] = value
    return out


def by_pyvcd(content: bytes) -> list[tuple[int, str, str]]:
    names, now, out = {}, 0, []
    for token in tokenize(io.BytesIO(content)):
        if token.kind is TokenKind.VAR:
            names[token.data.id_code] = token.data.reference
        elif token.kind is TokenKind.TIMESCALE:
            assert str(token.data) == "1 ns"
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.data
        elif token.kind is TokenKind.CHANGE_SCALAR:
            out.append((now, names[token.data.id_code], token.data.value))
    return out


def by_vcdvcd(folder, content: bytes) -> dict[str, list[tuple[int, int, int]]]:
    path = folder / "for_vcdvcd.vcd"
    path.write_bytes(content)
    read = VCDVCD(str(path))
    assert read.timescale["timescale"] == Decimal("1e-9")
    return {
        name.split(".")[-1]: changes([(t, name.split(".")[-1], value) for t, value in read[name].tv])
        for name in read.signals
    }


def check_all(folder, rec: Recording) -> None:
    content, _, line = dumped(rec)
    wanted = on_line(rec, line)
    mine, again = ours(folder, content)
    assert mine == wanted
    assert changes(by_pyvcd(content)) == wanted
    found = by_vcdvcd(folder, content)
    for channel, name in enumerate(SIGNALS):
        assert found.get(name, []) == [row for row in wanted if row[1] == channel], name
    assert (again.boots["first_ns"][0], again.boots["last_ns"][0]) == (line.first_ns[0], line.last_ns[-1])


@pytest.mark.parametrize("preset", ["quiet-night", "two-resets", "two-beams"])
def test_a_night_is_read_back_exactly_by_three_readers(tmp_path, preset):
    rec = recording_of(scenes.make(preset, 5))
    assert len(rec.edges) > 2000
    check_all(tmp_path, rec)


def test_starts_stand_where_their_utc_says_and_nothing_is_known_between_them(tmp_path):
    rec = recording_of(scenes.make("two-resets", 5))
    content, said, line = dumped(rec)
    clock = fit_clock(rec)
    begin = clock.utc_us(np.arange(3), rec.boots["first_ns"].to_numpy())
    assert line.placed == ["utc"] * 3 and line.zero_utc_us == begin[0]
    assert ((begin - begin[0]) * 1000 == line.first_ns).all()
    _, again = ours(tmp_path, content)
    gaps = again.blind[["from_ns", "to_ns", "why"]].to_numpy().tolist()
    assert gaps == [[line.last_ns[k], line.first_ns[k + 1], "level unknown"] for k in range(2)]
    assert said[0].startswith("Time 0 is the begin of the first of 3 starts of the board, UTC 2026-07-18T19:00:00")
    for offset in line.offset_ns.tolist():
        assert f"time = board time + {offset} ns".encode() in content


def test_without_a_time_of_day_starts_follow_each_other_a_second_apart():
    rec = made([(1, 5, 1000, 0), (2, 0, 3000, 0)], [(0, 10, 0, 1), (1, 60, 0, 1)])
    content, said, line = dumped(rec)
    assert line.offset_ns.tolist() == [0, 1_000_001_000] and line.zero_utc_us is None
    assert any("Start 1: without time of day" in text for text in said) and b"$date unknown $end" in content


def test_a_blind_time_is_x_and_an_edge_in_it_still_an_edge(tmp_path):
    rec = made(
        [(1, 0, 1000, 0)], [(0, 100, 0, 1), (0, 150, 0, 0), (0, 200, 0, 1), (0, 300, 0, 0)], blind=[(0, 100, 200)]
    )
    content, _, _ = dumped(rec)
    body = content.decode().split("$enddefinitions $end\n")[1].split()
    beam = [token for token in body if token.startswith("#") or token.endswith("!")]
    assert beam == [
        *("#0", "0!", "#100", "1!", "x!", "#150", "1!", "0!", "x!", "#200", "0!", "1!", "#300", "0!", "#1000")
    ]  # fmt: skip
    _, again = ours(tmp_path, content)
    # of the beam in two parts, of the other channels in one
    assert again.blind[["from_ns", "to_ns"]].to_numpy().tolist() == [[100, 150], [100, 200], [150, 200]]


def test_what_the_guard_only_counted_is_x_on_its_channel_alone():
    rec = made([(1, 0, 1000, 0)], [(0, 100, 3, 1), (0, 120, 3, 0), (0, 500, 0, 1)])
    rec.chatter = table(
        "chatter", boot=[0], t_ns=[200], channel=[3], edges=[9], shortest_ns=[1], longest_ns=[5], active_ns=[50],
        span_ns=[250], end_level=[0],
    )  # fmt: skip
    seen = by_pyvcd(dumped(rec)[0])
    assert [(t, name) for t, name, value in seen if value == "x"] == [(200, "FLASH1")]
    assert (450, "FLASH1", "0") in seen


def test_only_wired_channels_stand_in_the_dump():
    rec = recording_of(scenes.make("quiet-night", 5))
    names = {name for _, name, _ in by_pyvcd(dumped(rec)[0])}
    assert names == {SIGNALS[c] for c in range(7) if int(rec.boots["channel_mask"][0]) >> c & 1}


def test_nothing_and_too_much_are_refused():
    with pytest.raises(UsageError, match="no start"):
        dumped(Recording())
    with pytest.raises(UsageError, match="52 days"):
        dumped(made([(1, 0, 1 << 53, 0)], [(0, 5, 0, 1)]))


@ANY_FOLDER
@given(st.data())
def test_any_edges_starts_and_spells_come_back(tmp_path, data):
    starts, edges, blind = [], [], []
    for boot in range(data.draw(st.integers(1, 3))):
        first = data.draw(st.integers(0, 50))
        last = first + data.draw(st.integers(0, 200))
        starts.append((boot + 1, first, last, data.draw(st.integers(-1, 127))))
        times = data.draw(st.lists(st.integers(first, last), max_size=12).map(sorted))
        edges += [(boot, t, data.draw(st.integers(0, 6)), data.draw(st.integers(0, 1))) for t in times]
        ends = data.draw(st.lists(st.integers(0, 260), max_size=6).map(sorted))
        blind += [(boot, lo, hi) for lo, hi in zip(ends[::2], ends[1::2], strict=False)]
    check_all(tmp_path, made(starts, edges, blind))
