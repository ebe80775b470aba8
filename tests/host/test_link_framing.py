"""Frames and requests as bytes: whole, byte by byte, with trailing bytes, in noise, cut, wrong, too long."""

import random
import zlib

import pytest
from duskgate.link.framing import (
    HEADER,
    MAX_PAYLOAD,
    Frame,
    FrameReader,
    decode_request,
    encode_frame,
    encode_request,
    escape,
    unescape,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import fakes

FRAMES = [(1, 7, b'{"a":1}'), (2, 7, bytes(range(256)) * 4), (3, 255, b""), (4, 0, b"\xe7\x9d\xe7\x9d")]
STREAM = b"".join(fakes.frame(*f) for f in FRAMES)
WANTED = [Frame(*f) for f in FRAMES]


def test_crc_32_has_its_published_check_values():
    # CRC-32/ISO-HDLC in the public catalogue of parametrised CRC algorithms; the residue 2144DF1C belongs to it
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert zlib.crc32(b"") == 0
    assert zlib.crc32(b"\x00") == 0xD202EF8D
    assert zlib.crc32(b"The quick brown fox jumps over the lazy dog") == 0x414FA339
    assert zlib.crc32(b"123456789" + fakes.crc_bytes(b"123456789")) == 0x2144DF1C


def test_a_frame_as_bytes():
    # header e79d 01 2a 0200, its check, payload, payload check: computed with zlib beside the format's table
    head = bytes.fromhex("e79d012a0200")
    assert encode_frame(1, 0x2A, b"{}") == head + fakes.crc_bytes(head)[:2] + b"{}" + fakes.crc_bytes(b"{}")
    assert all(encode_frame(*f) == fakes.frame(*f) for f in FRAMES)


def test_whole():
    assert FrameReader().feed(STREAM) == WANTED


def test_byte_by_byte_nothing_comes_early():
    reader, got = FrameReader(), []
    ends = [len(b"".join(fakes.frame(*f) for f in FRAMES[: k + 1])) for k in range(len(FRAMES))]
    for at in range(len(STREAM)):
        for one in reader.feed(STREAM[at : at + 1]):
            got.append(one)
            assert at + 1 == ends[len(got) - 1]
    assert got == WANTED and reader.skipped == 0


def test_trailing_bytes_stay():
    reader = FrameReader()
    extra = fakes.frame(1, 9, b"later")
    assert reader.feed(STREAM + extra[:5]) == WANTED
    assert reader.pending == 5
    assert reader.feed(extra[5:]) == [Frame(1, 9, b"later")]
    assert reader.pending == 0


@pytest.mark.parametrize("seed", range(20))
def test_noise_before_between_and_after(seed):
    rng = random.Random(seed)
    noise = [rng.randbytes(rng.randrange(0, 300)) + b"\xe7" * rng.randrange(3) for _ in range(len(FRAMES) + 1)]
    stream = noise[0] + b"".join(fakes.frame(*f) + n for f, n in zip(FRAMES, noise[1:], strict=True))
    reader, got = FrameReader(), []
    while stream:
        size = rng.randrange(1, 400)
        got += reader.feed(stream[:size])
        stream = stream[size:]
    assert got == WANTED


@pytest.mark.parametrize("cut", [1, 2, 5, 7, 8, 9, 500, 1023, 1031])
def test_cut_in_the_middle_costs_that_frame_only(cut):
    first, second = fakes.frame(2, 1, bytes(1020)), fakes.frame(1, 2, b"whole")
    reader = FrameReader()
    got = reader.feed(first[:cut] + second)
    # the reader may still wait for the rest of the cut frame: the next frames push it out
    for _ in range(2):
        got += reader.feed(fakes.frame(2, 3, bytes(1020)))
    assert Frame(1, 2, b"whole") in got
    assert [f for f in got if f.ss == 1] == []


@pytest.mark.parametrize("at", range(8 + 7 + 4))
def test_any_flipped_byte_is_seen(at):
    good = fakes.frame(1, 7, b"payload")
    bent = bytearray(good)
    bent[at] ^= 0x10
    got = FrameReader().feed(bytes(bent) + good + bytes(1100))
    assert got == [Frame(1, 7, b"payload")]


def test_oversize_is_refused_before_its_payload_is_waited_for():
    head = b"\xe7\x9d\x02\x01" + (MAX_PAYLOAD + 1).to_bytes(2, "little")
    reader = FrameReader()
    assert reader.feed(head + fakes.crc_bytes(head)[:2] + fakes.frame(1, 7, b"next")) == [Frame(1, 7, b"next")]
    with pytest.raises(ValueError, match="4097 bytes"):
        encode_frame(2, 1, bytes(MAX_PAYLOAD + 1))


def test_memory_is_bounded_in_endless_noise():
    reader = FrameReader()
    rng = random.Random(5)
    for _ in range(300):
        reader.feed(rng.randbytes(700) + b"\xe7\x9d")
        assert reader.pending < HEADER.size + MAX_PAYLOAD + 4


ANY_FRAME = st.tuples(st.integers(0, 255), st.integers(0, 255), st.binary(max_size=4096))


@given(st.lists(ANY_FRAME, max_size=5), st.binary(max_size=60))
@settings(max_examples=60, deadline=None)
def test_what_is_encoded_is_read_back(frames, noise):
    stream = b"".join(encode_frame(*f) for f in frames)
    assert FrameReader().feed(stream + noise.replace(b"\xe7", b"")) == [Frame(*f) for f in frames]


@given(st.text(max_size=40))
@settings(max_examples=80, deadline=None)
def test_escapes_go_there_and_back(text):
    coded = escape(text)
    assert unescape(coded) == text
    assert all(c.isascii() and (c.isalnum() or c in "._-~%") for c in coded)


def test_requests_match_the_format_and_check_themselves():
    line = encode_request(0x0A, "note", (4, 0, "perdu ) à 3 h"))
    assert line == fakes.request(0x0A, "note 4 0 perdu%20%29%20%C3%A0%203%20h")
    read = decode_request(b"noise(" + line)
    assert read is not None and read.arguments == ("4", "0", "perdu ) à 3 h") and (read.ss, read.verb) == (10, "note")
    for at in range(len(line) - 1):
        bent = bytearray(line)
        bent[at] ^= 1
        assert decode_request(bytes(bent)) is None


@pytest.mark.parametrize("bad", [b"", b"()", b"(", b")(", b"(01 who)", b"(01 who)0000\n", b"(zz who)", b"(01 a)" * 60])
def test_lines_that_are_no_request(bad):
    assert decode_request(bad) is None


def test_a_request_longer_than_the_board_takes_is_not_made():
    with pytest.raises(ValueError, match="the board takes 240"):
        encode_request(1, "note", (4, 0, "x" * 230))


@pytest.mark.parametrize("bad", ["%", "%4", "%zz", "%ff"])
def test_broken_escapes(bad):
    with pytest.raises(ValueError):
        unescape(bad)
