"""Every verb of the link, asked of a whole station on fake parts."""

import binascii
import errno

from core import records

import helpers
from bench import START, TICKS_MS, Bench, frames


def edges(n, first_ms=1000, step_ms=7):
    return [((first_ms + i * step_ms) * TICKS_MS, 0x7E if i % 2 == 0 else 0x7F) for i in range(n)]


def grown(n=12000):
    """A bench with some segments."""
    bench = Bench(settings={"chatter_limit": 0})
    bench.pace.edges = edges(n)
    bench.run(n * 0.007 + 13)
    assert len(bench.station.recorder.store.segments) >= 3
    return bench


def test_who():
    who = Bench().facts("who")
    assert who["board"] == "0102030405060708" and who["firmware"] == "0.1.0" and who["log"] == 1 and who["link"] == 1
    assert who["interpreter"] == "MicroPython 1.29.0" and who["interpreter_kind"] == 2
    assert who["boot_id"] == 77 and who["boot_no"] == 1 and who["wiring_check"] == []
    assert who["clock_hz"] == 125000000 and who["cycles_per_tick"] == 9
    assert who["channels"] == 255 and who["low_mask"] == 127


def test_state():
    bench = Bench()
    bench.pace.edges = edges(9)
    bench.run(20)
    state = bench.facts("state")
    assert set(state) == {
        "tick", "levels", "records", "waiting", "ring_lost", "fifo_drops", "store_lost", "bad_requests", "segments",
        "unpulled_bytes", "free_bytes", "nights_left", "store", "clock_second", "clock_state", "supply_mv", "temp_c100",
        "faults", "heap_free", "edges", "still_s", "shots_left", "inputs",
            "pulses", "pulses_dropped",
    }  # fmt: skip
    assert state["levels"] == 0x7E and state["store"] == "ok" and state["faults"] == []
    assert state["supply_mv"] == 3912 and state["temp_c100"] == -325 and state["clock_state"] == 0
    assert state["clock_second"] == bench.rtc.second_at(state["tick"])
    assert state["unpulled_bytes"] == bench.station.recorder.store.unpulled_bytes() > 0
    assert state["edges"] == [9, 0, 0, 0, 0, 0, 0] and state["shots_left"] == 0
    last = (1000 + 8 * 7) * TICKS_MS
    assert abs(state["still_s"][0] - (state["tick"] - last) * 9 / 125e6) < 0.11 and state["still_s"][1:] == [None] * 6
    assert state["nights_left"] >= 5 and state["heap_free"] == 123456
    assert state["records"] - state["waiting"] == len(helpers.rows(helpers.segments(bench.fs)))


def test_tick():
    bench = Bench()
    bench.run(3)
    before = bench.stamper.tick
    answer = bench.facts("tick")
    assert answer["boot_id"] == 77 and before <= answer["tick"] <= bench.stamper.tick


def test_commit():
    bench = Bench()
    bench.pace.edges = edges(5)
    bench.run(2)
    assert bench.station.recorder.block.n > 0
    answer = bench.facts("commit")
    assert answer["waiting"] == 0 and answer["records"] == len(helpers.rows(helpers.segments(bench.fs)))
    bench.pace.edges = edges(2, 4000)
    bench.run(3)
    bench.fs.fail = {"write": errno.EIO}
    assert bench.refusal("commit") == "store"


def test_list():
    bench = grown()
    rows = bench.data("list")
    store = bench.station.recorder.store
    assert len(rows) == 12 * len(store.segments)
    for i, segment in enumerate(store.segments):
        row = rows[12 * i : 12 * i + 12]
        assert int.from_bytes(row[:4], "little") == segment.number
        assert int.from_bytes(row[4:8], "little") == len(bench.fs.files[segment.name()])
        assert row[8] == (2 if segment is store.growing else 0) and row[9:] == b"\0\0\0"
    assert Bench().data("list") == b""


def test_list_of_more_segments_than_a_frame_holds():
    files = {}
    for number in range(1, 401):
        files["log/%08d.out" % number] = b"x" * number
    bench = Bench(fs=helpers.DictFs(blocks=2000, files=files))
    rows = bench.data("list")
    assert [int.from_bytes(rows[at : at + 4], "little") for at in range(0, 4800, 12)] == list(range(1, 401))


def test_get():
    bench = grown()
    segment = bench.station.recorder.store.segments[0]
    whole = bench.fs.files[segment.name()]
    assert bench.data("get %d 0 %d" % (segment.number, len(whole))) == whole
    assert bench.data("get %d 0 999999" % segment.number) == whole
    assert bench.data("get %d 1000 3000" % segment.number) == whole[1000:4000]
    assert bench.data("get %d %d 50" % (segment.number, len(whole) - 7)) == whole[-7:]
    assert bench.data("get %d %d 50" % (segment.number, len(whole))) == b""
    assert bench.data("get %d 99999999 50" % segment.number) == b""
    assert bench.refusal("get 77 0 10") == "segment"
    growing = bench.station.recorder.store.growing
    assert bench.data("get %d 0 99999" % growing.number) == bench.fs.files[growing.name()]


def test_pulled():
    bench = grown()
    store = bench.station.recorder.store
    segment = store.segments[0]
    data = bench.fs.files[segment.name()]
    check = binascii.crc32(data)
    assert bench.refusal("pulled 1 %d %d" % (len(data) - 1, check)) == "mismatch"
    assert bench.refusal("pulled 1 %d %d" % (len(data), check ^ 1)) == "mismatch"
    assert bench.refusal("pulled 99 1 1") == "segment"
    assert bench.refusal("pulled %d 1 1" % store.growing.number) == "growing"
    assert "log/00000001.seg" in bench.fs.files
    assert bench.facts("pulled 1 %d %d" % (len(data), check)) == {"marked": [1]}
    assert "log/00000001.out" in bench.fs.files and bench.data("list")[8] == 1
    assert bench.facts("pulled 1 %d %d" % (len(data), check)) == {"marked": [1]}
    bench.fs.fail = {"rename": errno.EIO}
    data = bench.fs.files["log/00000002.seg"]
    assert bench.refusal("pulled 2 %d %d" % (len(data), binascii.crc32(data))) == "store"


def parts(bench, text):
    """Data of each piece of an answer in several; offsets run on, each end tells its own piece and how many follow."""
    got, at = [b""], 0
    answer = bench.ask(text, ends=len(text.split()) // 3)
    for kind, payload in answer:
        if kind == 2:
            assert int.from_bytes(payload[:4], "little") == at
            got[-1] += payload[4:]
            at += len(payload) - 4
        else:
            more = answer[answer.index((kind, payload)) + 1 :]
            wanted = {"bytes": len(got[-1]), "crc": binascii.crc32(got[-1])}
            follow = len([1 for kind, _ in more if kind == 3])
            assert kind == 3 and payload == (dict(wanted, more=follow) if follow else wanted)
            got.append(b"")
    return got[:-1]


def test_get_of_several_pieces():
    bench = grown()
    files = [bench.fs.files[segment.name()] for segment in bench.station.recorder.store.segments]
    assert parts(bench, "get 1 0 99999 2 0 99999") == files[:2]
    assert parts(bench, "get 2 5 10 1 0 24 3 99999 5 1 4000 9000") == [
        files[1][5:15], files[0][:24], b"", files[0][4000:13000]
    ]  # fmt: skip
    assert bench.refusal("get 1 0 10 99 0 10") == "segment"
    for wrong in ("get", "get 1 0 10 2", "get 1 0 10 2 0", "pulled 1 5", "pulled"):
        assert bench.refusal(wrong) == "arguments", wrong


def test_several_are_marked_at_once_and_the_first_wrong_one_ends_it():
    bench = grown(20000)
    store = bench.station.recorder.store
    told = []
    for segment in store.segments[:3]:
        data = bench.fs.files[segment.name()]
        told.append("%d %d %d" % (segment.number, len(data), binascii.crc32(data)))
    assert bench.refusal("pulled %s 2 5 5 %s" % (told[0], told[2])) == "mismatch"
    assert [segment.pulled for segment in store.segments[:3]] == [True, False, False]
    assert bench.refusal("pulled %s 99 1 1" % told[1]) == "segment", "looked at before anything is done"
    assert bench.refusal("pulled %s %d 1 1" % (told[1], store.growing.number)) == "growing"
    assert not store.segments[1].pulled
    assert bench.facts("pulled " + " ".join(told)) == {"marked": [1, 2, 3]}


def test_what_was_sent_whole_is_not_read_again_to_be_marked():
    bench = grown()
    store = bench.station.recorder.store
    reads = []
    steps = store.check_steps
    store.check_steps = lambda segment, room: reads.append(segment.number) or steps(segment, room)

    def told(number):
        data = bench.fs.files["log/%08d.seg" % number]
        return "pulled %d %d %d" % (number, len(data), binascii.crc32(data))

    bench.data("get 1 0 99999")
    assert bench.facts(told(1)) == {"marked": [1]} and reads == []
    bench.data("get 2 4 99999")
    size = len(bench.fs.files["log/00000002.seg"])
    bench.data("get 2 0 %d" % (size - 8))
    assert bench.refusal("pulled 2 %d 1" % (size - 8)) == "mismatch"
    assert bench.refusal("pulled 2 %d %d" % store.segments[1].sent) == "mismatch", "sent, but not the whole of it"
    assert reads == [2]
    reads.clear()
    assert bench.facts(told(2)) == {"marked": [2]} and reads == [2]


def test_what_was_sent_of_a_growing_segment_does_not_stand_for_it_later():
    bench = grown()
    store = bench.station.recorder.store
    segment = store.growing
    bench.data("get %d 0 99999" % segment.number)
    early = segment.sent
    bench.pace.edges = edges(9000, bench.pace.now_ms() + 1000)
    bench.run(9000 * 0.007 + 13)
    assert store.growing is not segment and early[0] < segment.size
    assert bench.refusal("pulled %d %d %d" % (segment.number, early[0], early[1])) == "mismatch"
    data = bench.fs.files[segment.name()]
    assert bench.facts("pulled %d %d %d" % (segment.number, len(data), binascii.crc32(data)))["marked"]


def test_a_segment_that_is_shorter_than_it_was_is_told():
    bench = grown()
    bench.fs.files["log/00000001.seg"] = bench.fs.files["log/00000001.seg"][:9000]
    answer = bench.ask("get 1 0 99999")
    assert answer[-1][0] == 4 and answer[-1][1]["code"] == "store" and "9000" in answer[-1][1]["text"]
    assert bench.station.recorder.store.segments[0].sent is None


def test_host():
    bench = Bench()
    bench.run(5)
    assert bench.facts("host 123456 1750000000123 4500") == {"tick": 123456}
    found = bench.rows()
    at = found.index((1750000000123, records.HOST_CLOCK, 0))
    assert found[at - 1] == (123456, records.MOMENT, 0) and found[at + 1] == (4500, records.HOST_UNCERTAINTY, 0)
    assert bench.refusal("host %d 1 1" % (bench.stamper.tick * 2)) == "arguments"


def test_note():
    bench = Bench()
    bench.run(3)
    tick = bench.facts("note 2 3 new%20cells%20%C3%BC")["tick"]
    found = helpers.rows(helpers.segments(bench.fs))  # stored at once
    at = found.index((2, records.NOTE, 3))
    assert found[at - 1] == (tick, records.MOMENT, 0)
    parts = [row for row in found[at + 1 :] if row[1] == records.NOTE_TEXT]
    assert [row[2] for row in parts] == [0, 1]
    assert b"".join(row[0].to_bytes(6, "little") for row in parts).rstrip(b"\0").decode() == "new cells \u00fc"
    assert "tick" in bench.facts("note 1 0")
    assert "tick" in bench.facts("note 4 0 " + "a" * 120)
    assert bench.refusal("note 4 0 " + "a" * 121) == "arguments"
    for wrong in ("note 5 0 x", "note 0 0 x", "note 1 5 x", "note", "note 1", "note a 0 x", "note 1 0 x y"):
        assert bench.refusal(wrong) == "arguments", wrong
    bench.fs.fail = {"write": errno.EIO}
    assert bench.refusal("note 1 0 lost") == "store"


def shots(bench):
    """[(tick, number)] of the moments with 7A."""
    found = bench.rows()
    at = [i for i, row in enumerate(found) if row[1] == records.SHOT]
    assert all(found[i - 1][1] == records.MOMENT for i in at)
    return [(found[i - 1][0], found[i][0]) for i in at]


def test_shot_series():
    bench = Bench()
    bench.run(3)
    assert bench.facts("shot 5 700") == {"shots": 5}
    assert bench.facts("state")["shots_left"] + len(bench.shot.calls) in (5, 6) and bench.shot.calls
    bench.run(6)
    assert bench.facts("state")["shots_left"] == 0 and len(bench.shot.calls) == 5
    found = shots(bench)
    assert [number for _, number in found] == [1, 2, 3, 4, 5]
    for (before, _), (after, _) in zip(found, found[1:]):
        assert 700 <= (after - before) / TICKS_MS < 720


def test_new_series_ends_the_old_and_zero_ends_it():
    bench = Bench()
    bench.facts("shot 100 1000")
    bench.run(2.5)
    bench.facts("shot 2 100")
    bench.run(2)
    assert [number for _, number in shots(bench)] == [1, 2, 3, 1, 2]
    bench.facts("shot 9 5000")
    assert bench.facts("shot 0 0") == {"shots": 0} and bench.facts("state")["shots_left"] == 0
    bench.run(12)
    assert len(shots(bench)) == 6


def test_shots_that_cannot_be():
    bench = Bench()
    for wrong in ("shot", "shot 1", "shot 501 100", "shot 1 99", "shot 1 600001", "shot x 100", "shot -1 100"):
        assert bench.refusal(wrong) == "arguments", wrong
    bench.shot.error = OSError(errno.EIO, "pin")
    assert bench.refusal("shot 3 100") == "busy" and bench.facts("state")["shots_left"] == 0


def recent(bench, first):
    answer = bench.ask("recent %d" % first)
    got = b"".join(payload[4:] for _, payload in answer[:-1])
    end = answer[-1][1]
    assert end["bytes"] == len(got) and end["crc"] == binascii.crc32(got)
    rows = []
    for at in range(0, len(got), 8):
        rows.append((int.from_bytes(got[at : at + 6], "little"), got[at + 6], got[at + 7]))
    return rows, end["first"], end["next"]


def test_recent_records():
    bench = Bench(settings={"chatter_limit": 0})
    assert recent(bench, 0)[0][:1] == [(0, records.LEVELS, 0x7F)]
    bench.pace.edges = edges(2300, 3000)
    at = 0
    seen = []
    while bench.pace.edges:
        bench.run(2)
        rows, first, following = recent(bench, at)
        assert first == at and following == at + len(rows)
        seen += rows
        at = following
    rows, first, following = recent(bench, 0)
    assert len(rows) == 512 and following == first + 512 and rows == seen[-512:]
    assert recent(bench, following + 50) == ([], following, following)
    assert seen == bench.rows()[: len(seen)]
    assert bench.refusal("recent") == "arguments"


def test_after_the_end_of_logging_nothing_is_written():
    bench = Bench()
    bench.run(3)
    bench.station.stop(records.STOP_SUPPLY_LOW)
    before = dict(bench.fs.files)
    for verb in ("note 1 0", "host 5 5 5", "clock 1750000000", "shot 1 100"):
        assert bench.refusal(verb) == "busy", verb
    assert bench.facts("who")["boot_no"] == 1 and bench.facts("state")["waiting"] == 0
    assert bench.facts("commit")["waiting"] == 0 and bench.fs.files == before


def test_clock():
    bench = Bench()
    bench.run(6)
    second = bench.rtc.second_at(bench.stamper.tick)
    answer = bench.facts("clock %d" % (second + 100))
    assert bench.rtc.set_to == [second + 100] and 98900 < answer["jump_ms"] <= 100000
    bench.pace.half = 1
    bench.run(5)
    found = bench.rows()
    assert helpers.signed(helpers.values(found, records.CLOCK_SET)[0]) == answer["jump_ms"]
    assert bench.station.capture.anchors.second == bench.rtc.second_at(bench.stamper.tick)
    bench.rtc.error = OSError(errno.EIO, "bus")
    assert bench.refusal("clock %d" % second) == "clock"
    assert bench.refusal("clock 5") == "arguments"


def test_set_and_settings():
    bench = Bench()
    bench.run(2)
    answer = bench.facts("set chatter_limit 77")
    assert answer["chatter_limit"] == 77 and bench.facts("settings") == answer
    assert bench.station.capture.unroller.s[20] == 77
    bench.facts("set commit_s 3")
    assert bench.station._policy.wait_ms == 3000
    checks = helpers.values(bench.rows(), records.SETTINGS_CHECK)
    assert len(checks) == 3 and checks[-1] == bench.settings.check()
    assert Bench(fs=bench.fs.after_cut()).facts("settings") == bench.facts("settings")
    for wrong in ("set nothing 1", "set chatter_limit -1", "set chatter_limit x", "set chatter_limit", "set"):
        assert bench.refusal(wrong) == "arguments", wrong
    bench.fs.fail = {"rename": errno.EIO}
    assert bench.refusal("set chatter_limit 5") == "store"
    assert bench.facts("settings")["chatter_limit"] == 77


def test_restart():
    for how in ("log", "hold"):
        bench = Bench()
        bench.pace.edges = edges(5)
        bench.run(2)
        bench.send("restart " + how)
        assert bench.station.run() == how
        assert b'{"restart": "' + how.encode() in bench.stream.sent
        found = helpers.rows(helpers.segments(bench.fs))
        assert found[-1] == (records.STOP_ASKED, records.STOP, 0) and found[-2][1] == records.MOMENT
        assert len(helpers.values(found, records.EDGE)) == 5
    assert Bench().refusal("restart") == "arguments" and Bench().refusal("restart now") == "arguments"


def test_restart_does_not_wait_for_a_host_that_does_not_read():
    bench = Bench()
    bench.run(1)
    bench.stream.takes = 3
    bench.send("restart log")
    before = bench.pace.now_ms()
    assert bench.station.run() == "log"
    assert 1900 < bench.pace.now_ms() - before < 4500


def test_unknown_verbs_and_arguments_too_many():
    bench = Bench()
    assert bench.refusal("fly") == "verb"
    for verb in ("who", "state", "tick", "commit", "list", "settings"):
        assert bench.refusal(verb + " 1") == "arguments"
    for wrong in ("get 1 2", "get a b c", "get -1 0 0", "pulled 1 2", "host 1 2", "clock now", "get 1 0 9" + "9" * 16):
        assert bench.refusal(wrong) == "arguments", wrong


def test_a_bug_in_a_verb_is_told_and_survived():
    bench = Bench()
    bench.run(1)

    def broken():
        raise TypeError("a bug")

    bench.station.heap_free = broken
    assert bench.refusal("state") == "busy"
    assert bench.facts("who")["board"] and bench.station.parts.faults.lines


def test_new_request_ends_a_long_answer():
    bench = grown()
    bench.stream.takes = 3000
    bench.send("get 1 0 30000")
    bench.station.step()
    bench.stream.takes = 10**9
    bench.send("tick")
    for _ in range(3):
        bench.station.step()
    found = frames(bench.stream.sent)
    assert found[-1][0] == 1 and b'"tick"' in found[-1][1]
    assert 2 <= len(found) < 10 and all(kind == 2 for kind, _, _ in found[:-1])


def test_bad_requests_are_counted_and_logged():
    bench = Bench()
    bench.run(8)
    bench.stream.asked = b"(01 who)0000\n(garbage\n"
    bench.run(65)
    assert bench.stream.sent == b""
    assert bench.facts("state")["bad_requests"] == 2
    assert helpers.values(bench.rows(), records.BAD_REQUESTS) == [2]


def test_start_constant_is_plausible():
    assert Bench().rtc.second_at(3000000) == START
