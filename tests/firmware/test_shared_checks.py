"""CRC-32 of a whole out of its parts, against binascii over all of it."""

import binascii

from core import checks, link

import helpers


def test_a_register_carried_over_zeros_is_that_of_the_zeros_after_it():
    random = helpers.Random(6)
    for n in (0, 1, 4092):
        bits = checks.table(n)
        none = binascii.crc32(bytes(n))
        for check in (0, 1, 0x80000000, 0xFFFFFFFF, random.below(1 << 30) * 4 + 3):
            assert checks.carried(check, bits) ^ none == binascii.crc32(bytes(n), check), (n, check)


def test_the_answer_s_check_grows_by_whole_and_by_short_frames():
    random = helpers.Random(7)
    frames = link.Frames()
    for lengths in ((4092,), (4092, 4092, 17), (5, 4092, 0, 4092), (4091, 1, 4092)):
        whole, check = b"", 0
        for n in lengths:
            piece = bytes(random.below(256) for _ in range(n))
            frames.data_room(n)[:] = piece
            frames.data(9, len(whole) + (1 << 31), n)
            check = frames.joined(check, n)
            whole += piece
        assert check == binascii.crc32(whole), lengths
