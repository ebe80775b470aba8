"""Requests and frames against golden bytes; whole, byte by byte, in garbage; a host that does not read."""

import binascii
import json

from core import link

import helpers

_FOLDER = __file__.replace("\\", "/").rpartition("/")[0] + "/../vectors/"


def vectors(name):
    with open(_FOLDER + name) as file:
        return json.load(file)


def line(text):
    return text + b"%04X\n" % (binascii.crc32(text) & 0xFFFF)


WHO = line(b"(2A who)")
WANTED = [(0x2A, "who", [])]


def test_golden_requests_are_understood_whole_and_byte_by_byte():
    for golden in vectors("requests.json"):
        data = binascii.unhexlify(golden["hex"])
        wanted = [(golden["ss"], golden["words"][0], golden["words"][1:])]
        assert link.RequestReader().feed(data) == wanted, golden["what"]
        reader = link.RequestReader()
        for i in range(len(data) - 1):
            assert reader.feed(data[i : i + 1]) == []
        assert reader.feed(data[-1:]) == wanted and reader.bad == 0


def test_two_requests_in_one_piece():
    assert link.RequestReader().feed(WHO + line(b"(2B state)")) == [(0x2A, "who", []), (0x2B, "state", [])]


def test_bytes_before_the_bracket_are_skipped():
    for noise in (b"\r", b"AT+GMI\r", bytes(range(1, 10)) + bytes(range(11, 40)), b"x" * 1000):
        reader = link.RequestReader()
        assert reader.feed(noise + WHO) == WANTED and reader.bad == 0, noise


def test_a_torn_request_does_not_spoil_the_next():
    reader = link.RequestReader()
    assert reader.feed(WHO[:7] + WHO) == WANTED
    assert reader.feed(WHO[:7] + b"\n" + WHO) == WANTED and reader.bad == 1


def test_wrong_lines_are_counted_and_not_answered():
    wrong = [
        WHO[:-3] + b"00\n",
        WHO[:-5] + WHO[-5:].lower() if WHO[-5:] != WHO[-5:].lower() else b"(2A who)abcd\n",
        line(b"(2A  who)")[:-2] + b"\n",
        b"(2A who)\n",
        b"(\n",
        b"()0000\n",
        line(b"(2 who)"),
        line(b"(2A)"),
        line(b"(XY who)"),
        line(b"(2A note 1 0 %4)"),
        line(b"(2A note 1 0 %zz)"),
        line(b"(2A note 1 0 %ff)"),
        line(b"(2A wh\x80)"),
        line(b"(2A wh\x01)"),
    ]
    for data in wrong:
        reader = link.RequestReader()
        assert reader.feed(data) == [], data
        assert reader.bad == 1, data
        assert reader.feed(WHO) == WANTED


def test_every_single_bit_error_is_refused():
    for at in range(len(WHO) - 1):
        for bit in range(8):
            data = bytearray(WHO)
            data[at] ^= 1 << bit
            if b"\n" in data[:-1]:
                continue
            assert link.RequestReader().feed(bytes(data)) == [], (at, bit)


def test_a_line_of_240_bytes_is_taken_and_a_longer_one_dropped_whole():
    body = b"(2A note 4 0 " + b"a" * (240 - 13 - 1 - 5) + b")"
    assert len(line(body)) == 240
    assert len(link.RequestReader().feed(line(body))) == 1
    reader = link.RequestReader()
    assert reader.feed(line(b"(2A note 4 0 a" + body[13:])) == [] and reader.bad == 1
    assert reader.feed(b"(" + b"b" * 100000 + b"\n") == [] and reader.bad == 2
    assert reader.feed(WHO) == WANTED


def test_random_garbage_is_never_a_request():
    random = helpers.Random(4)
    reader = link.RequestReader()
    for _ in range(200):
        data = bytes(random.below(256) for _ in range(random.below(300)))
        assert reader.feed(data) == []
    assert reader.feed(b"\n" + WHO) == WANTED


def test_frames_are_the_golden_bytes():
    for golden in vectors("frames.json"):
        frames = link.Frames()
        payload = binascii.unhexlify(golden["payload"])
        if golden["kind"] == link.DATA:
            offset = int.from_bytes(payload[:4], "little")
            room = frames.data_room(5000)
            assert len(room) == link.DATA_MOST
            room[: len(payload) - 4] = payload[4:]
            n = frames.data(golden["ss"], offset, len(payload) - 4)
        elif golden["kind"] == link.END:
            facts = json.loads(payload.decode())
            besides = (("more", facts["more"]),) if "more" in facts else ()
            n = frames.end(golden["ss"], facts["bytes"], facts["crc"], besides)
        elif golden["kind"] == link.REFUSED:
            facts = json.loads(payload.decode())
            n = frames.refused(golden["ss"], facts["code"], facts["text"])
        else:
            n = frames.facts(golden["ss"], ())
        assert bytes(frames.view[:n]) == binascii.unhexlify(golden["hex"]), golden["what"]


def test_json_is_what_a_json_reader_expects():
    facts = (
        ("n", 2**48 - 1),
        ("none", None),
        ("yes", True),
        ("nights", 4.5),
        ("text", 'a "quoted" \\ line\n\u00fc'),
        ("list", ["a", 1, None]),
    )
    assert json.loads(link.json_text(facts)) == {name: value for name, value in facts}
    assert json.loads(link.json_text(())) == {}


def test_an_answer_too_long_for_a_frame_is_refused_not_cut():
    frames = link.Frames()
    n = frames.facts(1, (("x", "y" * 5000),))
    assert frames.buf[2] == link.REFUSED and json.loads(bytes(frames.view[8 : n - 4]).decode())["code"] == "busy"


class Stream:
    """Takes `room` bytes, then nothing."""

    def __init__(self, room, piece=10**6):
        self.room = room
        self.piece = piece
        self.got = b""

    def write(self, view):
        n = min(len(view), self.room, self.piece)
        self.got += bytes(view[:n])
        self.room -= n
        return n if n else None


def numbered(frames, n, closed):
    try:
        for i in range(n):
            yield frames.facts(i, (("i", i),))
    finally:
        closed.append(n)


def pump(sender, now_ms):
    for _ in range(1000):
        if not sender.pump(now_ms):
            break


def whole(n):
    frames = link.Frames()
    return b"".join(bytes(frames.view[: frames.facts(i, (("i", i),))]) for i in range(n))


def test_short_writes_are_resumed():
    for piece in (1, 3, 7, 20, 10**6):
        stream = Stream(10**6, piece)
        frames = link.Frames()
        sender = link.Sender(stream, frames)
        sender.start(numbered(frames, 5, []), 0)
        pump(sender, 0)
        assert stream.got == whole(5) and not sender.busy()


def test_host_that_does_not_read_is_given_up_after_two_seconds():
    stream = Stream(30)
    frames = link.Frames()
    sender = link.Sender(stream, frames)
    closed = []
    sender.start(numbered(frames, 5, closed), 0)
    pump(sender, 0)
    pump(sender, 1999)
    assert sender.busy() and not closed
    pump(sender, 2001)
    assert not sender.busy() and closed == [5] and sender.given_up == 1


def test_progress_starts_the_two_seconds_anew():
    stream = Stream(1)
    frames = link.Frames()
    sender = link.Sender(stream, frames)
    sender.start(numbered(frames, 5, []), 0)
    for now_ms in range(0, 60000, 1500):
        pump(sender, now_ms)
        stream.room = 1
    assert sender.given_up == 0 and sender.busy()


def test_frame_begun_is_finished_before_the_next_answer():
    stream = Stream(10)
    frames = link.Frames()
    sender = link.Sender(stream, frames)
    closed = []
    sender.start(numbered(frames, 5, closed), 0)
    pump(sender, 0)
    sender.start(numbered(frames, 2, []), 10)
    assert closed == [5]
    stream.room = 1000
    pump(sender, 20)
    assert stream.got == whole(1) + whole(2)


def test_frame_begun_is_finished_even_after_giving_up():
    stream = Stream(10)
    frames = link.Frames()
    sender = link.Sender(stream, frames)
    sender.start(numbered(frames, 5, []), 0)
    pump(sender, 0)
    pump(sender, 3000)
    assert not sender.busy()
    sender.start(numbered(frames, 2, []), 60000)
    stream.room = 1000
    pump(sender, 60000)
    assert stream.got == whole(1) + whole(2)
