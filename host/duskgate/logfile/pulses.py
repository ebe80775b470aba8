"""Light pulses: the chains of records 80, 81, 82 and 85 put together and their samples decoded (FORMAT.md 2.5)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from duskgate.logfile import tags
from duskgate.logfile.recording import table
from duskgate.logfile.words import Words

NIBBLES = 12  # in one record
ESCAPE, MIDDLE = 15, 7
FULL_CODE = 4095


@dataclass
class _Chain:
    """One pulse while its records are gathered: place of its moment, words of 80 and 81, bytes of its 82."""

    boot: int
    owner: int
    header: int
    flash: int
    timing: int | None = None
    parts: bytearray = field(default_factory=bytearray)
    records: int = 0
    whole: bool = True  # no record was missing so far

    def take(self, index: int, value: int) -> None:
        """The next record of samples. From the first that is missing on nothing is believed."""
        self.whole = self.whole and index == self.records & 0xFF
        if self.whole:
            self.parts += value.to_bytes(6, "little")
            self.records += 1


def pulses_table(words: Words, to_ns: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> pd.DataFrame:
    """The table `pulses`. to_ns(positions, ticks) gives board time by the clock of the boot at those positions."""
    chains = _chains(words)
    decoded = [decode(bytes(c.parts), _kept(c)) for c in chains]
    owner = np.array([c.owner for c in chains], np.int64)
    timing = np.array([c.timing or 0 for c in chains], np.int64)
    header = np.array([c.header for c in chains], np.int64)
    codes = np.empty(len(chains), object)
    codes[:] = [found for found, _ in decoded]
    complete = [whole and c.whole and c.timing is not None for c, (_, whole) in zip(chains, decoded, strict=True)]
    return table(
        "pulses", boot=[c.boot for c in chains], t_ns=to_ns(owner, words.number(owner)), number=header & 0xFFFF,
        flash=[c.flash & 0x0F for c in chains], start_ns=-(timing >> 24), step_ns=timing & 0xFFFFFF,
        peak=header >> 28 & 0xFFF, cut=(header >> 40 & 1).astype(bool), complete=complete, codes=codes,
    )  # fmt: skip


def _kept(chain: _Chain) -> int:
    return chain.header >> 16 & 0xFFF


def _chains(words: Words) -> list[_Chain]:
    """In the order of the records. What goes on with a pulse whose begin is missing belongs to none."""
    at = np.sort(np.concatenate([words.values_at(tag) for tag in tags.PULSE_CHAIN]))
    if not len(at):
        return []
    boots, owners = words.boot_of(at).tolist(), words.owner(at).tolist()
    numbers, kinds, indexes = words.number(at).tolist(), words.tag[at].tolist(), words.index[at].tolist()
    open_by_number: dict[tuple[int, int], _Chain] = {}
    found: list[_Chain] = []
    chain, group = None, -1
    for boot, owner, value, kind, index in zip(boots, owners, numbers, kinds, indexes, strict=True):
        if owner != group:
            chain, group = None, owner
        if kind == tags.PULSE:
            chain = _Chain(boot, owner, value, index)
            found.append(chain)
            open_by_number[boot, value & 0xFFFF] = chain
        elif kind == tags.PULSE_GOES_ON:
            chain = open_by_number.get((boot, value))
        elif chain is not None and kind == tags.PULSE_SAMPLES:
            chain.take(index, value)
        elif chain is not None and owner == chain.owner:
            chain.timing = value
    return found


def decode(data: bytes, kept: int) -> tuple[np.ndarray, bool]:
    """(codes as np.uint16, whether all `kept` are there and nothing else) from the bytes of the 82 records."""
    raw = np.frombuffer(data, np.uint8)
    nibbles = np.column_stack([raw & 15, raw >> 4]).ravel().tolist()
    codes: list[int] = []
    at, code, end = 0, 0, len(nibbles)
    while len(codes) < kept and at < end:
        if not codes or nibbles[at] == ESCAPE:
            at += 1 if codes else 0
            if at + 3 > end:
                break
            code = nibbles[at] << 8 | nibbles[at + 1] << 4 | nibbles[at + 2]
            at += 3
        else:
            code += nibbles[at] - MIDDLE
            at += 1
        if not 0 <= code <= FULL_CODE:
            break
        codes.append(code)
    left = nibbles[at:]
    whole = len(codes) == kept and len(left) < NIBBLES and not any(left)
    return np.array(codes, np.uint16), whole
