"""Records and blocks against golden bytes that share no code with the board."""

import binascii
import json

from core import blocks, records

_FOLDER = __file__.replace("\\", "/").rpartition("/")[0] + "/../vectors/"


def vectors(name):
    with open(_FOLDER + name) as file:
        return json.load(file)


def test_crc_has_the_published_check_value():
    # CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms: check = cbf43926
    assert binascii.crc32(b"123456789") == 0xCBF43926
    assert binascii.crc32(b"6789", binascii.crc32(b"12345")) == 0xCBF43926


def test_blocks_are_the_golden_bytes():
    for golden in vectors("blocks.json"):
        block = blocks.Block()
        for number, tag, extra in golden["records"]:
            block.put(number, tag, extra)
        sealed = block.seal(golden["boot_id"], golden["boot_no"], golden["sequence"])
        assert binascii.hexlify(sealed).decode() == golden["hex"], golden["what"]


def test_a_block_can_be_filled_again():
    block = blocks.Block()
    golden = vectors("blocks.json")
    for row in (golden[3], golden[0]):
        block.n = 0
        for number, tag, extra in row["records"]:
            block.put(number, tag, extra)
        assert binascii.hexlify(block.seal(row["boot_id"], row["boot_no"], row["sequence"])).decode() == row["hex"]


def test_a_full_block_takes_no_more():
    block = blocks.Block()
    for _ in range(508):
        block.put(1, 1, 0)
    try:
        block.put(1, 1, 0)
    except ValueError:
        return
    raise AssertionError("the 509th record was taken")


def test_header_is_read_back_and_damage_is_not():
    for golden in vectors("blocks.json"):
        data = bytearray(binascii.unhexlify(golden["hex"]))
        wanted = (len(golden["records"]), golden["boot_id"], golden["boot_no"], golden["sequence"])
        assert blocks.parse_header(data) == wanted
        for at in (0, 1, 2, 3, 4, 5):
            damaged = bytearray(data)
            damaged[at] ^= 0x10
            assert blocks.parse_header(damaged) is None
    empty = bytearray(binascii.unhexlify(vectors("blocks.json")[0]["hex"]))
    empty[6] = empty[7] = 0
    assert blocks.parse_header(empty) is None


def test_text_is_cut_into_values_of_six_bytes():
    assert list(records.text_parts(b"", 20)) == []
    assert list(records.text_parts(b"abcdef", 20)) == [0x666564636261]
    assert list(records.text_parts(b"abcdefg", 20)) == [0x666564636261, 0x67]
    assert len(list(records.text_parts(b"x" * 200, 20))) == 20


def test_negative_values_are_two_s_complement():
    buf = bytearray(8)
    for value in (-1, -1234, -(2**47), 0, 2**48 - 1):
        records.put(buf, 0, value, 0x59, 3)
        assert int.from_bytes(buf[:6], "little") == value % 2**48
        assert buf[6] == 0x59 and buf[7] == 3
