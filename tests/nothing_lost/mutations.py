"""Valid inputs of every reader, and ways to spoil them that get behind the checks.

`mutate(seed, data)` needs nothing but a `random.Random`, so that hypothesis, the coverage-guided fuzzer and a plain
loop spoil alike. `repair` functions make lengths and CRCs right again where they can, so that what lies behind them
is reached.
"""

from __future__ import annotations

import json
import random
import re
import zlib
from collections.abc import Callable

from tests import factories as make

WORDS = (
    b"", b"\0", b"\n", b"\r\n", b"\r", b",", b" ", b"-1", b"nan", b"inf", b"-inf", b"1e308", b"1e-320", b"1e999",
    b"0x10", b"9" * 19, b"9" * 400, b"9" * 5000, b"4503599627370", b"18446744073709551616", b"\xef\xbb\xbf",
    b"\xed\xa0\x80", b"\xff", b"\\ud800", b'"', b"'", b"''", b'""', b"[[", b"]]", b"{}", b"true", b"null", b"NaN",
    b"$end", b"$comment ", b"#1", b"\xc2\x85", b"\xe2\x80\xa8", b"x" * 300, b"../../etc/passwd", b"<script>", b"=1+1",
    b"1_0", b"BEAM", b"part", b"(", b")",
)  # fmt: skip
NUMBERS = (0, 1, 2, 7, 0x7F, 0x80, 0xFF, 507, 508, 509, 0xFFFF, 1 << 31, (1 << 32) - 1, 1 << 47, (1 << 48) - 1)
TAGS = (
    *range(0x01, 0x05), *range(0x40, 0x4C), *range(0x50, 0x55), *range(0x58, 0x65), *range(0x68, 0x6E), 0x70, 0x71,
    *range(0x78, 0x7C), 0x80, 0x90, 0xFF,
)  # fmt: skip
BLOCK_MAGIC, FILE_MAGIC, FRAME_MAGIC = b"\xd6DG\n", b"\xd6DG\x1a", b"\xe7\x9d"


def spoil(rng: random.Random, data: bytes, words: tuple[bytes, ...] = WORDS) -> bytes:
    """One to four of: flip, overwrite, insert, cut out, double a stretch, cut short, a word in the way."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 4))):
        at, size = rng.randrange(len(out) + 1), rng.choice((1, 1, 2, 4, 8, 24, 100))
        what = rng.randrange(8)
        if what == 0 and at < len(out):
            out[at] ^= 1 << rng.randrange(8)
        elif what == 1:
            out[at : at + size] = rng.randbytes(min(size, len(out) - at))
        elif what == 2:
            out[at:at] = rng.randbytes(size)
        elif what == 3:
            del out[at : at + size]
        elif what == 4:
            out[at:at] = out[at : at + size] * rng.choice((1, 2, 30))
        elif what == 5:
            del out[at:]
        elif what == 6:
            out[at : at + rng.choice((0, 1, 4))] = rng.choice(words)
        else:
            to = rng.randrange(len(out) + 1)
            out[to:to] = out[at : at + size]
    return bytes(out[:20_000])


def repair_log(data: bytes) -> bytes:
    """The header's and every block's CRC made right where the length allows it."""
    out = bytearray(data)
    if out[:4] == FILE_MAGIC and len(out) >= 12:
        end = 12 + int.from_bytes(out[4:8], "little")
        if end > len(out):
            end = out.find(BLOCK_MAGIC, 12)
            end = len(out) if end < 0 else end
            out[4:8] = (end - 12).to_bytes(4, "little")
        out[8:12] = zlib.crc32(out[12:end]).to_bytes(4, "little")
    at = out.find(BLOCK_MAGIC)
    while 0 <= at <= len(out) - 32:
        n = int.from_bytes(out[at + 6 : at + 8], "little")
        end = at + 24 + 8 * n
        if not n or n > 508 or end > len(out):
            n = min((len(out) - at - 24) // 8, 40)
            out[at + 6 : at + 8] = n.to_bytes(2, "little")
            end = at + 24 + 8 * n
        out[at + 20 : at + 24] = zlib.crc32(bytes(out[at : at + 20] + out[at + 24 : end])).to_bytes(4, "little")
        at = out.find(BLOCK_MAGIC, end)
    return bytes(out)


def spoil_records(rng: random.Random, data: bytes) -> bytes:
    """Some records of a log, or a field of a block's header, replaced by others that the format knows."""
    out = bytearray(data)
    starts = [at for at in range(len(out) - 31) if out[at : at + 4] == BLOCK_MAGIC]
    for _ in range(rng.choice((1, 1, 2, 5, 20)) if starts else 0):
        at = rng.choice(starts)
        number = rng.choice((rng.choice(NUMBERS), rng.getrandbits(48), rng.randrange(100_000)))
        if rng.random() < 0.2:
            field = rng.choice((8, 12, 16))
            out[at + field : at + field + 4] = (number & 0xFFFFFFFF).to_bytes(4, "little")
            continue
        slot = at + 24 + 8 * rng.randrange(max(1, min(40, (len(out) - at - 24) // 8)))
        index = rng.choice((0, 1, rng.randrange(8), rng.randrange(256)))
        out[slot : slot + 8] = make.value(rng.choice(TAGS), number, index)
    return bytes(out)


def log_mutate(rng: random.Random, data: bytes) -> bytes:
    """A log spoiled in its bytes or its records, mostly with right checks again."""
    out = spoil_records(rng, data) if rng.random() < 0.7 else spoil(rng, data)
    if rng.random() < 0.2:
        out = spoil(rng, out)
    return repair_log(out) if rng.random() < 0.8 else out


def repair_frames(data: bytes) -> bytes:
    """Header and payload checks of every frame made right where the length allows it."""
    out = bytearray(data)
    at = out.find(FRAME_MAGIC)
    while 0 <= at <= len(out) - 12:
        length = int.from_bytes(out[at + 4 : at + 6], "little")
        if length > len(out) - at - 12:
            length = len(out) - at - 12
            out[at + 4 : at + 6] = length.to_bytes(2, "little")
        out[at + 6 : at + 8] = (zlib.crc32(out[at : at + 6]) & 0xFFFF).to_bytes(2, "little")
        end = at + 8 + length
        out[end : end + 4] = zlib.crc32(out[at + 8 : end]).to_bytes(4, "little")
        at = out.find(FRAME_MAGIC, end + 4)
    return bytes(out)


def frames_mutate(rng: random.Random, data: bytes) -> bytes:
    """Frames spoiled, mostly with right checks again."""
    out = spoil(rng, data)
    return repair_frames(out) if rng.random() < 0.7 else out


CELLS = (
    (b"0", b"0", b"1", b"2147483647", b"2147483648", b"-1", b"0.5", b"1e0", b" 0", b""),
    (b"0", b"0.0005", b"1000", b"4503599627370", b"4503599627371", b"1e12", b"1e-5", b"-0", b"nan", b"inf", b"1e308"),
    (b"BEAM", b"BEAM2", b"SYNC", b"FLASH4", b"SECOND", b"x", b"levels", b"lost_edges", b"boot_cause", b"rtc_unix_ms"),
    (b"0", b"1", b"1", b"127", b"-5", b"9007199254740991", b"9007199254740992", b"1e15", b"true", b"1_0"),
)  # fmt: skip


def csv_mutate(rng: random.Random, data: bytes) -> bytes:
    """Rows of a table doubled, moved, mostly put in order again, with other cells; sometimes spoiled byte by byte."""
    if rng.random() < 0.15:
        return spoil(rng, data)
    head, *rows = data.splitlines() or [b""]
    if rng.random() < 0.95:
        head = READINGS.splitlines()[0] if b"kind" in data else EDGES.splitlines()[0]
    cells = [row.split(b",")[:4] for row in rows[:60] if row.count(b",") == 3] or [[b"0", b"1", b"BEAM", b"1"]]
    for _ in range(rng.choice((1, 1, 2, 4))):
        row, column = rng.randrange(len(cells)), rng.randrange(4)
        if rng.random() < 0.3:
            cells.insert(rng.randrange(len(cells) + 1), list(cells[row]))
        words = CELLS[column] if rng.random() < 0.9 else WORDS
        number = b"%d" % rng.randrange(10_000 if column == 1 else 2)
        cells[row][column] = rng.choice(words) if rng.random() < 0.6 else number
        if column == 2 and rng.random() < 0.8:
            cells[row][2] = rng.choice(CELLS[2][6:10] if b"kind" in head else CELLS[2][:4])
    if rng.random() < 0.8:
        cells.sort(key=lambda row: tuple(int(cell) if re.fullmatch(rb"[0-9]{1,19}", cell) else 0 for cell in row[:2]))
    return rng.choice((b"\n", b"\n", b"\r\n")).join([head, *map(b",".join, cells)]) + b"\n"


def settings_mutate(rng: random.Random, data: bytes) -> bytes:
    """A settings text spoiled, mostly with a right last line again."""
    if rng.random() < 0.3:
        return spoil(rng, data)
    body = spoil(rng, data[: max(data.rfind(b"check="), 0)])
    return body + b"check=%08X\n" % zlib.crc32(body)


def part_mutate(rng: random.Random, data: bytes) -> bytes:
    """A part file spoiled, mostly with right checks again."""
    out = bytearray(spoil(rng, data))
    at = out.find(b"part")
    while 0 <= at <= len(out) - 24 and rng.random() < 0.7:
        length = int.from_bytes(out[at + 12 : at + 16], "little")
        if rng.random() < 0.9:
            length = min(length, len(out) - at - 24)
            out[at + 12 : at + 16] = length.to_bytes(4, "little")
        out[at + 16 : at + 20] = zlib.crc32(out[at + 24 : at + 24 + length]).to_bytes(4, "little")
        out[at + 20 : at + 24] = zlib.crc32(out[at : at + 20]).to_bytes(4, "little")
        at = out.find(b"part", at + 24 + length)
    return bytes(out)


def small_log() -> bytes:
    """Two boots of an invented short night: edges, notes, chatter, supply, clock, losses."""
    first = [*make.boot_statement()]
    for i in range(12):
        tick = 200_000 * (i + 1)
        first += [make.edge(tick, 0x7E), make.edge(tick + 40_000, 0x76), make.edge(tick + 47_000, 0x7F)]
    first += [make.moment(3_000_000), make.value(0x50, 1_781_000_000), make.value(0x58, 5200), make.value(0x59, 1850)]
    first += [make.moment(4_000_000), *make.note(4, 0, "feeder full"), *make.chatter(3, 300, 9, 99, 4000, 13888888, 1)]
    first += [make.levels(21_000_000, 0x7F), make.moment(21_000_000), make.value(0x60, 7), make.value(0x63, 20_000_000)]
    second = [*make.boot_statement(boot_no=2), make.edge(99_000, 0x7E), make.edge(150_000, 0x7F)]
    second += [make.moment(13_888_889), make.value(0x50, 1_781_003_600), make.value(0x51, 0), make.value(0x62, 3)]
    parts = make.blocks(first, 20) + make.blocks(second, 20, boot_id=0x99, boot_no=2)
    return b"".join(parts)


def log_file() -> bytes:
    """The same as a log file in two pieces, with the host's clock in its header."""
    data = small_log()
    host = {"boot_id": 0x99, "tick": 13_888_889, "utc_us": 1_781_003_600_500_000, "unc_us": 900}
    return make.dgl([(1, 0, data[:500]), (1, 500, data[500:])], host_clock=[host], pulled_utc_us=1_781_010_000_000_000)


def site_text() -> bytes:
    """The template's own invented site, without its long comments."""
    from duskgate.sitefile import template

    return "\n".join(line for line in template().splitlines() if not line.startswith("#")).encode()


def frames() -> bytes:
    """Frames that are an answer: two of data, the end."""
    from duskgate.link.framing import Kind, encode_frame

    data = b"night" * 9
    end = json.dumps({"bytes": len(data), "crc": zlib.crc32(data)}).encode()
    parts = [encode_frame(Kind.DATA, 1, at.to_bytes(4, "little") + data[at : at + 20]) for at in (0, 20, 40)]
    return b"".join([*parts, encode_frame(Kind.END, 1, end)])


def facts() -> bytes:
    """An answer of facts, and a refusal."""
    from duskgate.link.framing import Kind, encode_frame

    said = json.dumps({"board": make.BOARD, "tick": 5, "faults": [3], "clock_second": None}).encode()
    return encode_frame(Kind.REFUSED, 0, b'{"code":"busy","text":"later"}') + encode_frame(Kind.FACTS, 1, said)


def part() -> bytes:
    """A part file of two pieces."""
    out = b""
    for segment, offset, data in ((3, 0, b"a" * 50), (3, 50, b"b" * 20)):
        head = b"part" + b"".join(n.to_bytes(4, "little") for n in (segment, offset, len(data), zlib.crc32(data)))
        out += head + zlib.crc32(head).to_bytes(4, "little") + data
    return out


SETTINGS = b"channels=255\nchatter_limit=200\ncommit_s=10\ndrop_unpulled=0\nlow_mask=127\nstop_below_mv=0\n"
EDGES = b"boot,t_us,channel,level\n0,1000.5,BEAM,1\n0,1040,BEAM,0\n0,1040,FLASH1,1\n2,7,BEAM2,1\n"
READINGS = b"boot,t_us,kind,value\n0,0,boot_cause,1\n0,1100,battery_mv,5200\n0,1200,lost_edges,4\n2,9,levels,3\n"
VCD = (
    b"$date today $end $timescale 10 ns $end $comment no $end\n$scope module logic $end\n"
    b"$var wire 1 ! BEAM $end $var wire 1 % FLASH1 $end $var wire 8 # bus $end\n$upscope $end $enddefinitions $end\n"
    b"#0 $dumpvars 0! x% b01 # $end\n#100 1!\n#140 1%\n#150 0! 0%\n#200 z!\n#300 0!\n"
)
Mutator = Callable[[random.Random, bytes], bytes]
