"""Takes over from the board what the logbook lacks, checks it, keeps parts over a cut, then marks what is safe.

The order makes loss impossible: bytes are checked block by block, written whole under a new name, read again from the
disk, and only then is the board told that it may drop them one day.
"""

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..errors import BoardRefused, LinkError
from .answers import Segment, SegmentState
from .blockcheck import HEADER as BLOCK_HEADER
from .blockcheck import clock_seconds, damaged_spans, quiet_moments, sound_length
from .clock_told import clock_troubles, far_off

# A board that goes on logging writes a line a minute about itself. Fewer than half an hour of these, and nothing else,
# are left on the board for the next pull: a file for each look at the board would only litter the logbook.
FEWEST_QUIET_MOMENTS = 30
MOST_PIECES = 8  # segments asked for together: some 250 kB, then they are checked and kept
# What a log file keeps of the board's `state`: a store that takes nothing cannot write so into its log.
KEPT_OF_STATE = ("store", "store_lost", "ring_lost", "fifo_drops", "clock_state", "supply_mv", "faults")
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Piece:
    """New bytes of one segment from an offset on."""

    segment: int
    offset: int
    data: bytes
    growing: bool = False


@dataclass
class PullResult:
    """What a pull did. `path` is None when there was nothing new; `warnings` are sentences for a person."""

    board: str
    path: Path | None = None
    night: str = ""
    site: Path | None = None
    new_bytes: int = 0
    resumed_bytes: int = 0
    quiet_moments: int = 0
    marked: list[int] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def as_dict(self) -> dict:
        """The same for a script."""
        return {
            "board": self.board,
            "file": str(self.path) if self.path else None,
            "night": self.night or None,
            "site": str(self.site) if self.site else None,
            "new_bytes": self.new_bytes,
            "resumed_bytes": self.resumed_bytes,
            "quiet_moments": self.quiet_moments,
            "marked_segments": self.marked,
            "warnings": self.warnings,
        }


class Pull:
    """One pull over an open link into a logbook.

    `name_night(seconds, pulled_utc_us)` gives the night's date from clock seconds found in the data; `now_utc_us` reads
    the host's clock; `progress(done, total)` is told bytes; `whole` fetches everything anew, whatever is held.
    `from_segment`: older segments are left out. `mark`: tell the board what is safe here; False for a folder that is
    not the logbook in which the nights are kept.
    """

    def __init__(
        self,
        link: Any,
        logbook: Any,
        *,
        name_night: Callable[[list[int], int], str],
        now_utc_us: Callable[[], int],
        tool: str,
        progress: Progress | None = None,
        site: bytes | None = None,
        whole: bool = False,
        from_segment: int = 0,
        mark: bool = True,
    ):
        self.from_segment = from_segment
        self.mark = mark
        self.link = link
        self.logbook = logbook
        self.name_night = name_night
        self.now_utc_us = now_utc_us
        self.tool = tool
        self.progress = progress or (lambda done, total: None)
        self.site = site
        self.whole = whole
        self._done = 0
        self._total = 0

    def run(self) -> PullResult:
        """Pull. Raises LinkError (what came is kept for the next try), UsageError for a disk or logbook at fault."""
        with self.logbook.lock():
            who = self.link.who()
            self.result = PullResult(who["board"].lower())
            self._commit()
            state = self._state()
            segments = [s for s in self.link.list_segments() if s.number >= self.from_segment]
            clocks = [self.link.measure_clock().as_header()]
            self._part = self.logbook.part(self.result.board)
            held = self._held_here(segments)
            pieces = self._fetch_all(segments, held)
            if self._worth_a_file(pieces):
                clocks.append(self.link.measure_clock().as_header())
                self._store(who, clocks, pieces, state)
            self._part.remove()
            if self.mark:
                self._mark(segments)
        return self.result

    def _commit(self) -> None:
        """Have the last seconds written too. A store that is full or failing is no reason to leave the rest there."""
        try:
            self.link.commit()
        except BoardRefused as refused:
            self._warn(f"{refused}; what was committed before is pulled")

    def _state(self) -> dict[str, Any]:
        """What the board says of itself, for the file; what keeps it from its work is told at once."""
        told = self.link.state()
        state = {name: told[name] for name in KEPT_OF_STATE if name in told}
        for text in troubles(state):
            self._warn(f"{text}; what was stored before is pulled")
        for text in (*clock_troubles(state), *far_off(told.get("clock_second"), self.now_utc_us() // 1_000_000)):
            self._warn(text)
        return state

    def _held_here(self, segments: list[Segment]) -> dict[int, int]:
        """Bytes held of each segment on the board; 0 where the logbook's segment of that number is another one."""
        holding = self.logbook.holding(self.result.board)
        for text in holding.unsound:
            self._warn(f"{text}: left as it is, and what the board still has of it is pulled again")
        mine = [(s, holding.segments.get(s.number, b"")) for s in segments if not self.whole]
        same = self._same([(segment, data) for segment, data in mine if data])
        held = dict.fromkeys((s.number for s in segments), 0)
        for segment in same:
            held[segment.number] = len(holding.segments[segment.number])
            if held[segment.number] > segment.size:
                self._warn(
                    f"segment {segment.number} is shorter on the board than in the logbook: nothing taken from it"
                )
        return held

    def _same(self, pairs: Sequence[tuple[Segment, bytes | bytearray]]) -> list[Segment]:
        """Segments of the board that the data beside them are of: a block's header is unique to its boot."""
        sizes = [min(BLOCK_HEADER.size, segment.size, len(data)) for segment, data in pairs]
        heads = self.link.read_pieces([(p[0].number, 0, size) for p, size in zip(pairs, sizes, strict=True)])
        return [
            segment
            for (segment, data), size, head in zip(pairs, sizes, heads, strict=True)
            if bytes(head) == bytes(data[:size])
        ]

    def _fetch_all(self, segments: list[Segment], held: dict[int, int]) -> list[Piece]:
        wanted = [s for s in segments if s.size > held[s.number]]
        kept = self._kept_parts(wanted, held)
        self.result.resumed_bytes = sum(len(data) for data in kept.values())
        self._total = sum(s.size - held[s.number] for s in wanted) - self.result.resumed_bytes
        self.progress(0, self._total)
        pieces = []
        for at in range(0, len(wanted), MOST_PIECES):
            try:
                got = self._fetch(wanted[at : at + MOST_PIECES], held, kept)
            except LinkError as error:
                safe = self.result.resumed_bytes + self._done
                raise LinkError(f"{error}; {safe} bytes are kept: pull again to go on from there") from error
            for segment, data in got:
                if data:
                    growing = segment.state is SegmentState.GROWING
                    pieces.append(Piece(segment.number, held[segment.number], data, growing))
        return pieces

    def _kept_parts(self, wanted: list[Segment], held: dict[int, int]) -> dict[int, bytes]:
        """Segment -> bytes after the held ones that an earlier, interrupted pull has got already."""
        kept: dict[int, bytearray] = {}
        if self.whole:
            self._part.remove()
        for piece in self._part.load():
            if piece.segment in held:
                data = kept.setdefault(piece.segment, bytearray())
                if piece.offset == held[piece.segment] + len(data):
                    data += piece.data
        fit = [s for s in wanted if 0 < len(kept.get(s.number, b"")) <= s.size - held[s.number]]
        # a segment from offset 0 may be of a store that was emptied since
        begun = [(s, kept[s.number]) for s in fit if not held[s.number]]
        same = self._same(begun)
        return {s.number: bytes(kept[s.number]) for s in fit if held[s.number] or s in same}

    def _fetch(self, group: list[Segment], held: dict[int, int], kept: dict[int, bytes]) -> list[tuple[Segment, bytes]]:
        """Each segment's bytes after the held ones, every block checked; saved as parts whatever happens."""
        before = [kept.get(s.number, b"") for s in group]
        starts = [held[s.number] + len(data) for s, data in zip(group, before, strict=True)]
        wanted = [(s.number, start, s.size - start) for s, start in zip(group, starts, strict=True)]
        got = [bytearray() for _ in group]
        try:
            refused = self._read(wanted, got)
        except BaseException:
            for segment, start, data in zip(group, starts, got, strict=True):
                self._keep(segment.number, start, bytes(data[: sound_length(data)]))
            raise
        out = []
        for segment, start, had, new in zip(group, starts, before, got, strict=True):
            if segment.number not in refused:
                data = self._checked(segment, start, bytes(new))
                self._keep(segment.number, start, data)
                out.append((segment, had + data))
        return out

    def _read(self, wanted: list[tuple[int, int, int]], got: list[bytearray]) -> set[int]:
        """Read all of these, one by one where the board refuses them together; numbers of those refused for good."""
        done = self._done

        def tell(n: int) -> None:
            self.progress(done + n, self._total)

        try:
            self.link.read_pieces(wanted, tell, got)
            return set()
        except BoardRefused:
            refused = set()
            for (number, start, size), data in zip(wanted, got, strict=True):
                try:
                    self.link.read_segment(number, start + len(data), size - len(data), into=data)
                except BoardRefused as error:
                    refused.add(number)
                    self._warn(f"segment {number} was not given: {error}")
            return refused

    def _keep(self, number: int, offset: int, data: bytes) -> None:
        if data:
            self._part.append(Piece(number, offset, data))
        self._done += len(data)

    def _checked(self, segment: Segment, start: int, data: bytes) -> bytes:
        """`data` once its blocks are right; damage is read a second time, and kept when the board has it so."""
        sound = sound_length(data)
        if sound == len(data):
            return data
        again = self.link.read_segment(segment.number, start + sound, len(data) - sound)
        data = data[:sound] + again
        for offset, length in damaged_spans(data):
            self._warn(
                f"segment {segment.number}: {length} bytes at {start + offset} are damaged on the board; "
                "kept as they are, the rest is whole"
            )
        return data

    def _worth_a_file(self, pieces: list[Piece]) -> bool:
        moments = [quiet_moments(p.data) if p.growing and p.offset else None for p in pieces]
        counts = [m for m in moments if m is not None]
        if len(counts) == len(moments) and sum(counts) < FEWEST_QUIET_MOMENTS:
            self.result.quiet_moments = sum(counts)
            return False
        return True

    def _store(self, who: dict, clocks: list[dict], pieces: list[Piece], state: dict) -> None:
        now = self.now_utc_us()
        seconds = [second for piece in pieces for second in clock_seconds(piece.data)]
        night = self.name_night(seconds, now)
        header = {
            "board": self.result.board,
            "tool": self.tool,
            "pulled_utc_us": now,
            "who": who,
            "host_clock": clocks,
            "state": state,
        }
        self.result.path = self.logbook.add(header, pieces, night)
        self.result.night = night
        self.result.new_bytes = sum(len(p.data) for p in pieces)
        if self.site is not None:
            self.result.site = self.logbook.keep_site(night, self.site)

    def _mark(self, segments: list[Segment]) -> None:
        """Tell the board which segments are safe, by what stands on the disk now."""
        held = self.logbook.holding(self.result.board).segments
        safe = []
        for segment in segments:
            data = held.get(segment.number, b"")
            if segment.state is SegmentState.NOT_PULLED and 0 < segment.size == len(data):
                safe.append((segment.number, segment.size, zlib.crc32(data)))
        try:
            self.result.marked = self.link.mark_all(safe)
        except BoardRefused:  # one of them: each by itself then
            self.result.marked = [one[0] for one in safe if self._mark_one(*one)]

    def _mark_one(self, number: int, size: int, check: int) -> bool:
        try:
            return self.link.mark_pulled(number, size, check)
        except BoardRefused as refused:
            self._warn(f"segment {number} stays on the board as not pulled: {refused}")
            return False

    def _warn(self, text: str) -> None:
        self.result.warnings.append(text)


def troubles(state: dict[str, Any]) -> list[str]:
    """Sentences on what keeps a board from its work, from its `state` or what a log file keeps of it."""
    lost = state.get("store_lost")
    count = f" ({lost} records since its start)" if isinstance(lost, int) and lost > 0 else ""
    if state.get("store") == "full":
        return [f"the board's store was full: edges were not kept{count}"]
    if state.get("store") == "failing":
        return [f"the board could not write to its store: edges were not kept{count}; a worn flash needs a new board"]
    return [f"some of the log could not be stored{count}"] if count else []
