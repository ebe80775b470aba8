"""What the board's own code writes, the host's own reader finds: the two codecs were written apart from FORMAT.md."""

import json

import numpy as np
import pytest
from duskgate import fields
from duskgate.link.port import BoardLink
from duskgate.link.pull import Pull
from duskgate.logfile.archive import Logbook
from duskgate.logfile.decode import decode_blocks, read_dgl_files
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import fakes
from tests.contract.board_here import BoardHere, blocks, records

TICK_NS = 72
START_S = 1_750_000_000


def recording(tmp_path, board: BoardHere):
    clock = fakes.FakeClock(utc_s=START_S + 700.0)
    link = BoardLink("here", clock, opener=fakes.FakePort(board, clock))
    link.open()
    book = Logbook(tmp_path / "book")
    Pull(link, book, name_night=lambda s, now: "2025-06-15", now_utc_us=lambda: clock.utc_ns // 1000, tool="t").run()
    found = read_dgl_files(book.files())
    assert list(found.problems["what"]) == []
    return found


def played(tmp_path, boot_at_ns: int = 0, **scene) -> BoardHere:
    path = fakes.scene_file(tmp_path / "scene", 600.0, **scene)
    board = BoardHere(path, tmp_path / "flash", boot_at_ns=boot_at_ns)
    board.play()
    return board


def stamp_ns(t_ns):
    """Board time of the first sample at or after a moment: ticks are rounded up."""
    return -(-np.asarray(t_ns, dtype=np.int64) // TICK_NS) * TICK_NS


def test_every_edge_of_the_scene_at_its_tick(tmp_path):
    breaks = [(10.000_000_1 + 0.9 * k, 0.004 + 0.0001 * k) for k in range(500)]
    found = recording(tmp_path, played(tmp_path, breaks=breaks))
    beam = found.edges[found.edges["channel"] == fields.BEAM]
    down = np.array([int(s * 1e9) for s, _ in breaks])
    up = down + np.array([int(length * 1e9) for _, length in breaks])
    assert np.array_equal(beam["t_ns"][beam["level"] == 1], stamp_ns(down))
    assert np.array_equal(beam["t_ns"][beam["level"] == 0], stamp_ns(up))
    for channel in fields.FLASHES:
        light = found.edges[found.edges["channel"] == channel]
        assert np.array_equal(light["t_ns"][light["level"] == 1], stamp_ns(down + 200_000))
        assert np.array_equal(light["t_ns"][light["level"] == 0], stamp_ns(down + 500_000))
    assert fields.SECOND not in found.edges["channel"].to_numpy() and len(found.blind) == 0


def test_clock_supply_and_temperature_each_minute(tmp_path):
    found = recording(tmp_path, played(tmp_path))
    clock = found.reading("rtc_unix_ms")
    assert 9 <= len(clock) <= 11
    # the scene's second begins 1 ns after the scene; the stamp is the first sample after that
    assert (np.abs(clock["t_ns"] - (clock["value"] - START_S * 1000) * 1_000_000) <= 2 * TICK_NS).all()
    assert set(found.reading("battery_mv")["value"]) == {3900} and set(found.reading("temp_c100")["value"]) == {1650}


def test_a_board_says_who_it_is(tmp_path):
    board = played(tmp_path)
    found = recording(tmp_path, board)
    assert len(found.boots) == 1
    boot = found.boots.iloc[0]
    assert boot["board"] == "e66138528361ac2f" and boot["cause"] == "power-on" and boot["boot_no"] == 1
    assert boot["firmware"] == "0.1.0" and boot["tick_fs"] == TICK_NS * 10**6 and boot["low_mask"] == 0x7F
    assert boot["boot_id"] == found.headers[0]["who"]["boot_id"] == board.station.recorder.boot_id


def test_notes_button_and_host_clock(tmp_path):
    board = played(tmp_path, more=[(100.0, 7, 1)])
    clock = fakes.FakeClock(utc_s=START_S + 650.0)
    link = BoardLink("here", clock, opener=fakes.FakePort(board, clock))
    link.open()
    link.note("cells", 2, "")
    link.note("text", text="brume à 3 h, un peu de rosée")
    measured = link.measure_clock(2)
    link.host_clock(measured)
    found = recording(tmp_path, board)
    assert list(found.notes["what"]) == ["button", "cells", "text"] and list(found.notes["head"]) == [0, 2, 0]
    assert found.notes["text"].iloc[2] == "brume à 3 h, un peu de rosée"
    # the loop looks at the button every time it runs, once a second at least
    assert abs(found.notes["t_ns"].iloc[0] - 100_000_000_000) < 1_500_000_000
    host = found.reading("host_unix_ms")
    assert host["t_ns"].iloc[0] == measured.tick * TICK_NS
    assert host["value"].iloc[0] == round(measured.utc_us / 1000)
    assert found.reading("host_unc_us")["value"].iloc[0] == measured.unc_us + 500


def test_losses_are_blind_time_and_negative_temperatures_are_negative(tmp_path):
    more = [(300.0, 5, 40), (400.0, 3, (-525) & 0xFFFFFFFF)]
    breaks = [(290.0 + 0.05 * k, 0.01) for k in range(1000)]
    found = recording(tmp_path, played(tmp_path, breaks=breaks, more=more))
    assert len(found.blind) == 1 and found.reading("lost_edges")["value"].iloc[-1] == 40
    assert found.blind["from_ns"].iloc[0] <= 300_100_000_000 < found.blind["to_ns"].iloc[0] + 1_000_000_000
    assert found.reading("temp_c100")["value"].iloc[-1] == -525
    assert 0 < 10 * len(breaks) - len(found.edges) <= 40 * 5


def test_a_guarded_channel_is_summed_up_and_its_time_stays_exact(tmp_path):
    # 300 breaks a second for ten seconds on BEAM: above the guard's 200 edges a second
    breaks = [(100.0 + k / 300, 0.001) for k in range(3000)]
    board = played(tmp_path, breaks=breaks)
    found = recording(tmp_path, board)
    chatter = found.chatter[found.chatter["channel"] == fields.BEAM]
    stored = found.edges[found.edges["channel"] == fields.BEAM]
    assert 8 <= len(chatter) <= 11
    assert int(chatter["edges"].sum()) + len(stored) == 6000
    dark = int(chatter["active_ns"].sum()) + _closed_ns(stored)
    assert abs(dark - 3000 * 1_000_000) < 2_000_000  # a break cut by the border of a second lies on both sides


def _closed_ns(edges) -> int:
    down, t = 0, None
    for time, level in zip(edges["t_ns"], edges["level"], strict=True):
        if level:
            t = time
        elif t is not None:
            down, t = down + time - t, None
    return down


def test_boots_follow_each_other(tmp_path):
    path = fakes.scene_file(tmp_path / "scene", 600.0, [(5.0 + 10 * k, 0.05) for k in range(59)])
    first = BoardHere(path, tmp_path / "flash")
    while first.board.time.now_ns < 200_000_000_000:
        first.station.step()
    del first  # power cut
    second = BoardHere(path, tmp_path / "flash", boot_at_ns=203_000_000_000)
    second.play()
    found = recording(tmp_path, second)
    assert list(found.boots["boot_no"]) == [1, 2] and list(found.boots["stopped"]) == [0, 0]
    beam = found.edges[(found.edges["channel"] == fields.BEAM) & (found.edges["level"] == 1)]
    t_ns = np.where(beam["boot"] == 1, beam["t_ns"] + 203_000_000_000, beam["t_ns"])
    scene = np.array([int((5.0 + 10 * k) * 1e9) for k in range(59)])
    seen = np.round(t_ns / 1e9).astype(int)
    missing = set(np.round(scene / 1e9).astype(int)) - set(seen)
    assert missing <= {195}  # waited for its commit, at most 10 s, when the power went
    assert len(seen) == len(set(seen))


RECORD = st.one_of(
    st.tuples(st.integers(0, (1 << 48) - 1), st.just(0x03), st.just(0)),
    st.tuples(st.integers(0, 65_000), st.just(0x58), st.just(0)),
    st.tuples(st.integers(-30_000, 30_000), st.just(0x59), st.just(0)),
    st.tuples(st.integers(0, (1 << 48) - 1), st.sampled_from([0x60, 0x61, 0x62, 0x64, 0x79]), st.just(0)),
)


@given(st.lists(RECORD, min_size=1, max_size=40), st.integers(1, 0xFFFFFFFF), st.integers(1, 0xFFFFFFFF))
@settings(max_examples=60, deadline=None)
def test_any_numbers_go_through_both_codecs(rows, boot_id, boot_no):
    block = blocks.Block()
    block.put(5, 0x02, 0x7F)
    block.put(9, 0x40, 0)
    block.put(125_000_000, 0x41, 0)
    block.put(0x7F, 0x43, 0)
    top = 5
    told = []
    for number, tag, index in rows:
        if tag == records.MOMENT:
            number = top = max(top, number)
        block.put(number, tag, index)
        told.append((tag, number, top))
    found = decode_blocks(bytes(block.seal(boot_id, boot_no, 0)))
    assert (found.boots["boot_id"].iloc[0], found.boots["boot_no"].iloc[0]) == (boot_id, boot_no)
    kinds = {0x58: "battery_mv", 0x59: "temp_c100"}
    for tag, kind in kinds.items():
        assert list(found.reading(kind)["value"]) == [n for t, n, _ in told if t == tag]
        assert list(found.reading(kind)["t_ns"]) == [top * TICK_NS for t, _, top in told if t == tag]


def test_the_block_s_limits_are_the_format_s():
    block = blocks.Block()
    for k in range(508):
        block.put(k, 0x03, 0)
    with pytest.raises(ValueError, match="full"):
        block.put(1, 0x03, 0)
    assert len(block.seal(1, 1, 0)) == 24 + 8 * 508


LIGHT = {
    "baseline": 100, "noise": 2.0,
    "heads": [{"peak": p, "rise_us": 20, "tau_us": 160, "cut_us": None, "charge_s": 0.4} for p in (900, 950, 870)],
}  # fmt: skip


def test_light_pulses_come_back_sample_for_sample(tmp_path):
    """What the converter's ring held around each edge, against what the host reads out of the pulled log."""
    path = fakes.scene_file(tmp_path / "scene", 600.0, breaks=[(20.0 + 7.1 * k, 0.08) for k in range(40)])
    head, _, body = path.read_bytes().partition(b"\n")
    path.write_bytes(json.dumps(json.loads(head) | {"light_pulse": LIGHT}).encode() + b"\n" + body)
    board = BoardHere(path, tmp_path / "flash", pulse_kb=1000)
    diode, seen = board.board.parts["pulse"], []
    made = diode.found

    def found():
        made()
        seen.append([diode.ring[(diode.first + i) % diode.samples] for i in range(diode.count)])

    diode.found = found
    board.play()
    rec = recording(tmp_path, board)
    assert len(rec.pulses) == len(seen) == 40
    lit = rec.edges[(rec.edges["channel"] == fields.FLASH1) & (rec.edges["level"] == 1)]
    assert rec.pulses["t_ns"].tolist() == lit["t_ns"].tolist()
    assert rec.pulses["complete"].to_numpy().all() and set(rec.pulses["flash"]) == {0b1111}
    for codes, ring in zip(rec.pulses["codes"], seen, strict=True):
        start = 200 - 64  # the virtual converter makes 200 samples before the edge; 64 of them are kept
        assert codes.tolist() == ring[start : start + len(codes)]
        assert max(codes) == max(ring) > 2000
    early = rec.pulses["start_ns"].to_numpy()
    assert ((early <= -126_000) & (early >= -128_000)).all()
