"""From ordered records to the tables of a Recording."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from duskgate.fields import BOOT_CAUSES, NOTE_KINDS, READING_KINDS
from duskgate.logfile import spells, tags
from duskgate.logfile.boots import BootKey, read_statements
from duskgate.logfile.levels import CHANNEL_BITS, Edges, Guarded, find_edges
from duskgate.logfile.pulses import pulses_table
from duskgate.logfile.recording import coded, problem, table
from duskgate.logfile.words import Words, signed48, ticks_to_ns

NOTE_CODE = {number: code for code, number in enumerate(NOTE_KINDS)}
MAX_NOTE_PARTS = 20
CHATTER_COLUMNS = {
    tags.CHATTER_SHORTEST: "shortest", tags.CHATTER_LONGEST: "longest", tags.CHATTER_ACTIVE: "active",
    tags.CHATTER_SPAN: "span", tags.CHATTER_END: "end",
}  # fmt: skip
Place = Callable[[int], tuple[str, int]]


class Decoder:
    """Turns the records of a log into tables. `blocks` (of blocks.BLOCK) and `words` are in time order of boots."""

    def __init__(self, words: Words, blocks: np.ndarray, keys: list[BootKey], boards: list[str | None]):
        self.words, self.blocks, self.keys = words, blocks, keys
        self.said = read_statements(words, len(keys), boards)
        self.problems: list[dict] = []

    def tables(self, place: Place) -> dict[str, pd.DataFrame]:
        """All tables but the problems; `place` gives file and offset of block i for the problems found here."""
        holes = self._holes()
        self._report(holes, place)
        chatter = self._chatter()
        breaks = np.union1d(self.words.boot_starts, self.words.block_starts[holes])
        edges, stated = find_edges(self.words, breaks, self._guarded(chatter), self.said.low_mask)
        readings = self._readings(stated)
        return {
            "edges": self._edges(edges),
            "readings": readings,
            "notes": self._notes(),
            "chatter": self._chatter_table(chatter),
            "blind": self._blind(holes, readings),
            "boots": self._boots(readings),
            "pulses": pulses_table(self.words, self._ns),
        }

    def _ns(self, at: np.ndarray, ticks: np.ndarray) -> np.ndarray:
        """ns of `ticks` by the clock of the boot in which position `at` lies."""
        boot = self.words.boot_of(at)
        return ticks_to_ns(ticks, self.said.cycles[boot], self.said.clock[boot])

    def _edges(self, edges: Edges) -> pd.DataFrame:
        said, counts = self.said, edges.per_boot
        if len({*zip(said.cycles.tolist(), said.clock.tolist(), strict=True)}) == 1:
            t_ns = ticks_to_ns(edges.tick, int(said.cycles[0]), int(said.clock[0]))
        else:
            t_ns = ticks_to_ns(edges.tick, np.repeat(said.cycles, counts), np.repeat(said.clock, counts))
        boot = np.repeat(np.arange(len(counts), dtype=np.int32), counts)
        out = table("edges", boot=boot, t_ns=t_ns, channel=edges.channel, level=edges.active)
        back = t_ns[1:] < t_ns[:-1]
        if back.any():
            back &= boot[1:] == boot[:-1]
        if back.any():
            text = f"board time goes back at {int(back.sum())} edges; they were sorted"
            self.problems.append(problem("", -1, 0, text))
            out = out.sort_values(["boot", "t_ns"], kind="stable", ignore_index=True)
        return out

    def _holes(self) -> np.ndarray:
        """Blocks that do not follow on the one before them (or, first of their boot, are not number 0)."""
        seq, starts = self.blocks["seq"], np.searchsorted(self.words.block_starts, self.words.boot_starts)
        expected = np.zeros(len(seq), np.int64)
        expected[1:] = seq[:-1] + 1
        expected[starts] = 0
        return np.flatnonzero(seq != expected)

    def _report(self, holes: np.ndarray, place: Place) -> None:
        seq, boot = self.blocks["seq"], self.words.boot_of(self.words.block_starts)
        for at in holes.tolist():
            if at == 0:
                continue  # what is older than everything read here lies in earlier pulls; no byte of these is damaged
            first = boot[at - 1] != boot[at]
            since = 0 if first else int(seq[at - 1]) + 1
            lost = int(seq[at]) - since
            file, offset = place(at)
            text = (
                f"{lost} block{'s' if lost > 1 else ''} of boot {self.keys[boot[at]].boot_no} missing before this one"
            )
            self.problems.append(problem(file, offset, 0, text))
        other = self.words.tag[self.words.others]
        for tag, count in zip(*np.unique(other[~np.isin(other, list(tags.KNOWN))], return_counts=True), strict=True):
            self.problems.append(problem("", -1, 8 * int(count), f"{count} records of unknown tag {tag:02X} left out"))
        for i in np.flatnonzero(self.said.assumed).tolist():
            text = f"boot {self.keys[i].boot_no} does not state its tick and wiring; those of its neighbour were taken"
            self.problems.append(problem("", -1, 0, text))

    def _readings(self, stated: np.ndarray) -> pd.DataFrame:
        words = self.words
        code_of = np.full(256, -1, np.int8)
        for tag, kind in tags.READINGS.items():
            code_of[tag] = READING_KINDS.index(kind)
        code_of[tags.LEVELS] = -1
        at = words.values[code_of[words.tag[words.values]] >= 0]
        repeated = words.owner(words.values_at(tags.RESTATED))
        at = at[~((words.tag[at] == tags.BOOT_CAUSE) & np.isin(words.owner(at), repeated))]
        value = words.number(at)
        tag = words.tag[at]
        sign = np.isin(tag, tags.SIGNED)
        value[sign] = signed48(value[sign])
        value[tag == tags.CLOCK_SECOND] *= 1000
        low = self.said.low_mask[words.boot_of(stated)] if len(stated) else np.empty(0, np.int64)
        active = (words.index[stated].astype(np.int64) ^ low) & CHANNEL_BITS
        owner = np.concatenate([words.owner(at), stated])
        boot, t_ns = words.boot_of(owner), self._ns(owner, words.number(owner))
        # by time; at one time in the order of the records
        order = np.lexsort((np.concatenate([at, stated]), t_ns, boot))
        codes = np.concatenate([code_of[tag], np.full(len(stated), READING_KINDS.index("levels"), np.int8)])[order]
        index = np.concatenate([words.index[at].view(np.int8), np.zeros(len(stated), np.int8)])[order]
        return table(
            "readings", boot=boot[order], t_ns=t_ns[order],
            kind=coded("readings", "kind", codes), value=np.concatenate([value, active])[order], index=index,
        )  # fmt: skip

    def _notes(self) -> pd.DataFrame:
        words = self.words
        at = words.values_at(tags.NOTE)
        texts = [b""] * len(at)
        part_at = words.values_at(tags.NOTE_TEXT)
        note_of = np.searchsorted(at, part_at, side="right") - 1
        ok = (note_of >= 0) & (words.index[part_at] < MAX_NOTE_PARTS)
        ok[ok] &= words.owner(at[note_of[ok]]) == words.owner(part_at[ok])
        order = np.lexsort((words.index[part_at[ok]], note_of[ok]))
        rows = zip(note_of[ok][order].tolist(), words.number(part_at[ok])[order].tolist(), strict=True)
        for note, value in rows:
            texts[note] += value.to_bytes(6, "little")
        kinds = np.array([NOTE_CODE.get(kind, -1) for kind in words.number(at).tolist()], dtype=np.int8)
        owner = words.owner(at)
        text = [raw.rstrip(b"\0").decode("utf-8", "replace") for raw in texts]
        return table(
            "notes", boot=words.boot_of(at), t_ns=self._ns(owner, words.number(owner)),
            what=coded("notes", "what", kinds), head=words.index[at].view(np.int8), text=text,
        )  # fmt: skip

    def _chatter(self) -> dict[str, np.ndarray]:
        """Summaries in ticks: a row per record 68, the other values of the same moment and channel beside it."""
        words = self.words
        at = words.values_at(tags.CHATTER_EDGES)
        at = at[words.index[at] < 7]
        owner = words.owner(at)
        key = owner * 8 + words.index[at]
        key, keep = np.unique(key, return_index=True)
        at, owner = at[keep], owner[keep]
        out = {
            "at": at,
            "channel": words.index[at].astype(np.int64),
            "start": words.number(owner),
            "edges": words.number(at),
        }
        for tag, name in CHATTER_COLUMNS.items():
            column = np.zeros(len(at), np.int64)
            other = words.values_at(tag)
            row = np.searchsorted(key, words.owner(other) * 8 + words.index[other])
            ok = row < len(key)
            ok[ok] = key[row[ok]] == (words.owner(other) * 8 + words.index[other])[ok]
            column[row[ok]] = words.number(other[ok])
            out[name] = column
        return out

    def _guarded(self, chatter: dict[str, np.ndarray]) -> list[Guarded]:
        boot = self.words.boot_of(chatter["at"])
        order = np.lexsort((chatter["start"], chatter["channel"], boot))
        group = boot[order] * 8 + chatter["channel"][order]
        out = []
        for mine in np.split(order, np.flatnonzero(np.diff(group)) + 1) if len(order) else ():
            start, end = chatter["start"][mine], chatter["start"][mine] + chatter["span"][mine]
            b, channel = int(boot[mine[0]]), int(chatter["channel"][mine[0]])
            out.append(Guarded(b, channel, start, np.maximum.accumulate(end), chatter["end"][mine]))
        return out

    def _chatter_table(self, c: dict[str, np.ndarray]) -> pd.DataFrame:
        at = c["at"]
        boot = self.words.boot_of(at)
        low = (self.said.low_mask[boot] >> c["channel"]) & 1
        spans = {f"{name}_ns": self._ns(at, c[name]) for name in ("shortest", "longest", "active", "span")}
        return table(
            "chatter", boot=boot, t_ns=self._ns(at, c["start"]), channel=c["channel"], edges=c["edges"],
            end_level=(c["end"] & 1) ^ low, **spans,
        )  # fmt: skip

    def _blind(self, holes: np.ndarray, readings: pd.DataFrame) -> pd.DataFrame:
        words = self.words
        at = words.values_at(tags.BLIND_FROM)
        owner = words.owner(at)
        until = self._ns(at, words.number(owner))
        since = np.minimum(self._ns(at, words.number(at)), until)  # one that begins after its end has no length
        told = spells.frame(words.boot_of(at), since, until, spells.OVERRUN)
        first = words.block_starts[holes]
        boot = words.boot_of(first)
        begin = first == words.boot_starts[boot]
        previous = words.stamped_at_or_before(np.maximum(first - 1, 0))
        since = np.where(begin, 0, words.number(previous))
        until = np.maximum(words.number(first), since)
        missing = spells.frame(boot, self._ns(first, since), self._ns(first, until), spells.MISSING)
        counted = spells.from_counts(readings, self._first_ns(), told)
        return spells.sorted_table([told, *spells.holes_of_the_store(missing, counted)])

    def _first_ns(self) -> np.ndarray:
        at = self.words.boot_starts
        return self._ns(at, self.words.number(at))

    def _boots(self, readings: pd.DataFrame) -> pd.DataFrame:
        said, n = self.said, len(self.keys)
        levels = np.full(n, -1, np.int64)
        stopped = np.zeros(n, np.int64)
        first = readings[readings["kind"] == "levels"].iloc[::-1]
        levels[first["boot"].to_numpy()] = first["value"].to_numpy()
        stop = readings[readings["kind"] == "stop"]
        stopped[stop["boot"].to_numpy()] = np.minimum(stop["value"].to_numpy(), 127)
        cause = said.value[tags.BOOT_CAUSE]
        return table(
            "boots", boot=np.arange(n), boot_id=[k.boot_id for k in self.keys], boot_no=[k.boot_no for k in self.keys],
            cause=[BOOT_CAUSES.get(c, "unknown") for c in cause.tolist()], first_ns=self._first_ns(),
            last_ns=self._last_ns(), levels=levels, stopped=stopped, board=said.board,
            firmware=[_version(v) for v in said.value[tags.FIRMWARE].tolist()],
            interpreter=[tags.INTERPRETERS.get(v, "") for v in said.value[tags.INTERPRETER].tolist()],
            interpreter_version=[_version(v) for v in said.value[tags.INTERPRETER_VERSION].tolist()],
            tick_fs=(said.cycles * 10**15 + said.clock // 2) // said.clock, low_mask=said.low_mask,
            channel_mask=np.minimum(said.value[tags.CHANNEL_MASK], 0xFF),
        )  # fmt: skip

    def _last_ns(self) -> np.ndarray:
        words = self.words
        if not len(words.boot_starts):
            return np.empty(0, np.int64)
        ends = np.append(words.boot_starts[1:], len(words)) - 1
        last = words.number(words.stamped_at_or_before(ends))
        # a moment may carry an earlier tick than the record before it
        moments = words.others[words.tag[words.others] < tags.CYCLES]
        both = np.concatenate([moments, words.stamped_at_or_before(np.maximum(moments - 1, 0))])
        same = np.concatenate([words.boot_of(moments)] * 2)
        keep = words.boot_of(both) == same
        np.maximum.at(last, same[keep], words.number(both[keep]))
        return self._ns(words.boot_starts, last)


def _version(number: int) -> str:
    return f"{number >> 16}.{number >> 8 & 255}.{number & 255}" if number >= 0 else ""
