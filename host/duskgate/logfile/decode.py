"""Reads native logs: from files to a Recording, whatever state the files are in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from duskgate.errors import UsageError
from duskgate.logfile import tags
from duskgate.logfile.blocks import BLOCK, gather, scan
from duskgate.logfile.boots import BootKey, order_boots
from duskgate.logfile.container import LogFile, Piece, board_of, read_log_file
from duskgate.logfile.recording import Recording, problem, problems_table
from duskgate.logfile.streams import Stream, assemble
from duskgate.logfile.tables import Decoder
from duskgate.logfile.words import Words


def read_dgl(path: str | Path) -> Recording:
    """One log file, or a bare segment. Damage is reported in `problems`; raises UsageError if it cannot be opened."""
    return read_dgl_files([path])


def read_dgl_files(paths: Sequence[str | Path]) -> Recording:
    """All files of one board as one recording: a block that several files hold counts once.

    Raises UsageError when a file cannot be opened or the files are of different boards.
    """
    logs = [read_log_file(path) for path in paths]
    _one_board(logs)
    logs.sort(key=lambda log: (_pulled(log.header), log.name))
    return _decode(logs)


def decode_blocks(data: bytes, name: str = "") -> Recording:
    """The same from the bytes of blocks, as a board holds them."""
    log = LogFile(name, pieces=[Piece(name, 0, memoryview(data))])
    return _decode([log])


def _one_board(logs: list[LogFile]) -> None:
    seen: dict[str, str] = {}
    for log in logs:
        board = board_of(log.header)
        if board:
            seen.setdefault(board, log.name)
    if len(seen) > 1:
        (one, first), (other, second) = list(seen.items())[:2]
        raise UsageError(f"{first} is of board {one}, {second} of board {other}. Read one board's files at a time.")


def _pulled(header: dict | None) -> int:
    time = header.get("pulled_utc_us") if header else None
    return time if isinstance(time, int) else 0


def _decode(logs: list[LogFile]) -> Recording:
    problems = [row for log in logs for row in log.problems]
    streams = assemble(piece for log in logs for piece in log.pieces)
    data = [stream.joined() for stream in streams]
    blocks = _scan_all(streams, data, problems)
    if not len(blocks) and any(len(part) for part in data):
        names = ", ".join(log.name for log in logs if log.pieces)
        problems.append(problem(names, -1, 0, "there is no readable block of a Duskgate log in it"))
    blocks = _drop_copies(blocks, streams, problems)
    files = {log.name: i for i, log in enumerate(logs)}
    blocks, words, keys = _in_time_order(blocks, streams, data, files)
    boards = {log.name: board_of(log.header) for log in logs}
    firsts = [streams[blocks["stream"][at]].place(int(blocks["pos"][at])) for at in _boot_starts(blocks)]
    decoder = Decoder(words, blocks, keys, [boards.get(file) for file, _ in firsts])
    tables = decoder.tables(lambda i: streams[blocks["stream"][i]].place(int(blocks["pos"][i])))
    return Recording(
        **tables,
        problems=problems_table(problems + decoder.problems),
        headers=[log.header for log in logs if log.header is not None],
        source=[log.name for log in logs],
    )


def _scan_all(streams: list[Stream], data: list, problems: list[dict]) -> np.ndarray:
    found = [np.empty(0, BLOCK)]
    for number, (stream, part) in enumerate(zip(streams, data, strict=True)):
        result = scan(part, number)
        found.append(result.blocks)
        for damage in result.damage:
            file, offset = stream.place(damage.pos)
            why = f": {damage.why}" if damage.why else ""
            problems.append(problem(file, offset, damage.size, f"{damage.size} bytes cannot be read{why}"))
    return np.concatenate(found)


def _drop_copies(blocks: np.ndarray, streams: list[Stream], problems: list[dict]) -> np.ndarray:
    """Sorted by boot and sequence, each block once; a different block in the same place is reported and left out."""
    order = np.lexsort((blocks["seq"], blocks["boot_id"], blocks["boot_no"]))  # stable: the first met stays first
    blocks = blocks[order]
    same = np.zeros(len(blocks), bool)
    for name in ("seq", "boot_id", "boot_no"):
        equal = blocks[name][1:] == blocks[name][:-1]
        same[1:] = equal if name == "seq" else same[1:] & equal
    first = np.maximum.accumulate(np.where(same, 0, np.arange(len(blocks))))
    differs = same & ((blocks["crc"] != blocks["crc"][first]) | (blocks["n"] != blocks["n"][first]))
    for at in np.flatnonzero(differs).tolist():
        file, offset = streams[blocks["stream"][at]].place(int(blocks["pos"][at]))
        size = 24 + 8 * int(blocks["n"][at])
        text = f"a second, different block {blocks['seq'][at]} of boot {blocks['boot_no'][at]}; the first one counts"
        problems.append(problem(file, offset, size, text))
    return blocks[~same]


def _in_time_order(
    blocks: np.ndarray, streams: list[Stream], data: list, files: dict[str, int]
) -> tuple[np.ndarray, Words, list[BootKey]]:
    """Blocks and their records with the boots in time order."""
    words = _words(blocks, data)
    starts = _boot_starts(blocks)
    pulls = np.array([files[stream.parts[0].file] for stream in streams] or [0])
    clocks = _first_clocks(words, len(starts))
    ends = np.append(starts[1:], len(blocks))[: len(starts)]  # a log without any block has no boot
    keys = [
        BootKey(int(blocks["boot_no"][a]), int(blocks["boot_id"][a]), int(pulls[blocks["stream"][a:b]].min()), clock)
        for a, b, clock in zip(starts, ends, clocks, strict=True)
    ]
    ordered = order_boots(keys)
    if ordered == keys:
        return blocks, words, keys
    place = {(key.boot_no, key.boot_id): i for i, key in enumerate(keys)}
    new = [place[(key.boot_no, key.boot_id)] for key in ordered]
    blocks = np.concatenate([blocks[starts[i] : ends[i]] for i in new])
    return blocks, _words(blocks, data), ordered


def _boot_starts(blocks: np.ndarray) -> np.ndarray:
    if not len(blocks):
        return np.empty(0, np.int64)
    change = (blocks["boot_id"][1:] != blocks["boot_id"][:-1]) | (blocks["boot_no"][1:] != blocks["boot_no"][:-1])
    return np.concatenate([[0], np.flatnonzero(change) + 1])


def _words(blocks: np.ndarray, data: list) -> Words:
    block_starts = np.cumsum(blocks["n"], dtype=np.int64) - blocks["n"]
    return Words(gather(data, blocks), block_starts[_boot_starts(blocks)], block_starts)


def _first_clocks(words: Words, n_boots: int) -> list[int | None]:
    """Per boot the first second of a clock chip whose oscillator had not stopped."""
    at = words.values_at(tags.CLOCK_SECOND)
    state = words.values_at(tags.CLOCK_STATE)
    stopped = words.owner(state[(words.number(state) & 1) != 0])
    at = at[~np.isin(words.owner(at), stopped)][::-1]
    first = np.full(n_boots, -1, np.int64)
    first[words.boot_of(at)] = words.number(at)
    return [value if value >= 0 else None for value in first.tolist()]


def problem_lines(recording: Recording) -> Iterable[str]:
    """One line for a person per problem: file, offset, what."""
    for row in recording.problems.itertuples(index=False):
        place = f"{row.file}, byte {row.offset}" if row.offset >= 0 else row.file
        yield f"{place}: {row.what}"
