"""Inputs of about a megabyte that make a reader work or keep as much as it can; all invented.

Times and memory of the readers are bounded over these: see test_bounds.py.
"""

from __future__ import annotations

import json
import zlib

from tests import factories as make
from tests.nothing_lost import mutations as mutate

SIZE = 1_000_000
SITE = 199_000


def _fill(part: bytes, head: bytes = b"") -> bytes:
    return head + part * ((SIZE - len(head)) // len(part))


def _claimed(version: int, header: int, n: int) -> bytes:
    """Headers alone, one after the other, each of which claims a block that is not there."""
    return _fill(b"\xd6DG\n" + bytes([version, header]) + n.to_bytes(2, "little") + b"\x01\0\0\0")


def _blocks(records: list[bytes], boots: bool = False, step: int = 1) -> bytes:
    size = 24 + 8 * len(records)
    ids = ((i + 1, i + 1, 0) if boots else (7, 1, step * i) for i in range(SIZE // size))
    return b"".join(make.block(records, boot_id=a, boot_no=b, seq=c) for a, b, c in ids)


def _header(text: bytes) -> bytes:
    return b"\xd6DG\x1a" + len(text).to_bytes(4, "little") + zlib.crc32(text).to_bytes(4, "little") + text


def _pieces() -> bytes:
    piece = {"segment": 1, "offset": 0, "bytes": 1, "crc": 0}
    return _header(json.dumps({"duskgate_log": 1, "pieces": [piece] * (SIZE // 56)}).encode()) + b"a" * (SIZE // 56)


def logs() -> dict[str, bytes]:
    """For the decoder."""
    edges = [make.levels(0, 0x7F), *(make.edge(9 * i, 0x7F * (i % 2)) for i in range(507))]
    notes = [make.moment(5), *(make.value(0x70, 4), make.value(0x71, 65)) * 253]
    chatter = [make.levels(5, 0), make.value(0x68, 300, 1), make.value(0x6C, 9, 1)]
    lost = [make.moment(5), *(make.value(0x60, i) for i in range(507))]
    blind = [part for i in range(254) for part in (make.moment(9 * i), make.value(0x63, 3))]
    return {
        "headers alone": _claimed(1, 24, 508),
        "newer headers alone": _claimed(255, 255, 0xFFFF),
        "magics": _fill(b"\xd6DG\n"),
        "all channels at once": _blocks(edges),
        "notes": _blocks(notes),
        "chatter in many boots": _blocks(chatter, boots=True),
        "a boot a block": _blocks([make.edge(5, 1)], boots=True),
        "holes": _blocks([make.edge(5, 1)], step=2),
        "the same block": make.block([make.edge(5, 1)]) * (SIZE // 32),
        "another block each": b"".join(make.block([make.edge(i, 1)]) for i in range(SIZE // 32)),
        "losses": _blocks(lost),
        "blind spells": _blocks(blind),
        "deep header": _header(_fill(b"[")),
        "empty lists": _header(b"[" + _fill(b"[],") + b"0]"),
        "many pieces": _pieces(),
    }


def streams() -> dict[str, bytes]:
    """For the framing and the answers."""
    from duskgate.link.framing import encode_frame

    deep = b"".join(encode_frame(1, 1, _fill(b"[")[:4096]) for _ in range(SIZE // 4108))
    return {
        "magics": _fill(b"\xe7\x9d"),
        "headers alone": _fill(encode_frame(2, 1, b"\0" * 4096)[:8]),
        "empty frames": _fill(encode_frame(2, 1, b"")),
        "deep facts": deep,
    }


def edges() -> dict[str, bytes]:
    """For edges.csv."""
    head = mutate.EDGES[:24]
    return {
        "rows": _fill(b"0,1,BEAM,1\n", head),
        "empty lines": _fill(b"\n", head),
        "one cell": _fill(b"9", head + b"0,"),
        "commas": _fill(b",", head),
        "quotes": _fill(b'"', head),
        "no numbers": _fill(b"0,x,BEAM,1\n", head),
        "a boot a row": head + b"".join(b"%d,1,BEAM,1\n" % i for i in range(SIZE // 14)),
    }


def readings() -> dict[str, bytes]:
    """For readings.csv."""
    head = mutate.READINGS[:21]
    return {
        "rows": _fill(b"0,1,levels,1\n", head),
        "losses": head + b"".join(b"0,%d,lost_edges,%d\n" % (i, i) for i in range(SIZE // 24)),
    }


def dumps() -> dict[str, bytes]:
    """For VCD."""
    head = mutate.VCD[: mutate.VCD.index(b"#0 ")]
    return {
        "changes": _fill(b"1!\n0!\n", head + b"#1\n"),
        "unknown": _fill(b"x!\n1!\n", head + b"#1\n"),
        "comments without end": _fill(b"$comment ", head),
        "comments first": _fill(b"$comment "),
        "sections without end": _fill(b"$a "),
        "sections": _fill(b"$a $end "),
        "vectors": _fill(b"b1 # ", head),
        "b and blanks": _fill(b" ", head + b"b"),
        "variables": _fill(b"$var wire 1 ! X $end "),
        "one token": _fill(b"1", head),
    }


def _some(part: bytes, head: bytes = b"") -> bytes:
    return head + part * ((SITE - len(head)) // len(part))


def sites() -> dict[str, bytes]:
    """For site.toml; a file above 200 kB is refused unread."""
    return {
        "brackets": _some(b"["),
        "a list": _some(b"[", b"channels = "),
        "keys": b"".join(b"a%d = 1\n" % i for i in range(SITE // 14)),
        "a long key": _some(b"a") + b" = 1",
        "heads": _some(b"[[heads]]\n"),
        "comments": _some(b"# x\n"),
        "digits": _some(b"9", b"latitude_deg = "),
        "hex digits": _some(b"f", b"latitude_deg = 0x"),
        "dots": _some(b"a." * 1900 + b"a = 1\n"),
        "dots in a line": _some(b"a.") + b"a = 1",
        "text": _some(b"x", b'name = "') + b'"',
    }


def parts() -> dict[str, bytes]:
    """For the part file."""
    piece = mutate.part()[:24] + b""
    empty = b"part" + bytes(12) + zlib.crc32(b"").to_bytes(4, "little")
    return {"empty pieces": _fill(empty[:20] + zlib.crc32(empty[:20]).to_bytes(4, "little")), "cut": _fill(piece)}


def settings() -> dict[str, bytes]:
    """For the settings text, of which a board reads 1,024 bytes."""
    return {"lines": _fill(b"commit_s=1\n"), "digits": _fill(b"9", b"commit_s=")}


HEAVY = {
    "decoder": logs, "framing": streams, "answers": streams, "edges": edges, "readings": readings, "vcd": dumps,
    "site": sites, "part": parts, "settings": settings,
}  # fmt: skip
