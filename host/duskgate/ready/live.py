"""What a night looks like while it goes on: visits, fires, misses, counted from the records as they come.

A plain count for looking on. The night's report counts again from the whole log, with rain, leaves and insects told
apart, and may differ. Edges are few here (some hundred at a look), so they are taken one by one.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from duskgate.fields import BEAM, BEAM2, CHANNELS, FLASHES
from duskgate.ready.records import CHATTER_EDGES, FAULT, LOST, NOTE, Looked, active_levels

LEAST_NOTED = 3
LOST_TEXT = "the board was blind for a moment: records were lost"


@dataclass(frozen=True)
class Rules:
    """Times in seconds: the shortest break that is a visit, the pause between two visits, the longest delay to a light,
    and the time within which all heads are one fire."""

    visit_s: float = 0.018
    gap_s: float = 0.8
    lag_s: float = 0.3
    join_s: float = 0.0015


@dataclass
class Live:
    """Counts since `start`. Times are seconds of board time since its boot."""

    who: dict[str, Any]
    rules: Rules = field(default_factory=Rules)
    levels: int | None = None
    visits: int = 0
    fires: int = 0
    misses: int = 0
    strangers: int = 0  # lights without a break before them
    lit: Counter = field(default_factory=Counter)  # fires of each light channel
    unseen: int = 0  # records that went by between two looks
    now_s: float = 0.0
    last_visit_s: float | None = None
    last_fire_s: float | None = None
    last_miss_s: float | None = None
    miss_gap_s: float | None = None  # time since the fire before, at the last miss
    seen_from_s: float | None = None  # board time of the first look
    last_lost_s: float | None = None  # of the look that told of lost records
    notes: list[str] = field(default_factory=list)  # what is wrong
    remarks: list[str] = field(default_factory=list)  # what is good to know
    _open_s: float | None = None
    _visit_end_s: float | None = None
    _break_s: float | None = None  # start of the last break
    _pending: list[tuple[float, float | None]] = field(default_factory=list)  # (start, gap to the fire before it)

    @property
    def tick_s(self) -> float:
        """Seconds of one tick."""
        return self.who["cycles_per_tick"] / self.who["clock_hz"]

    @property
    def active(self) -> int | None:
        """Mask of active channels by the last record; None: not told yet."""
        if self.levels is None:
            return None
        return active_levels(self.levels, self.who["low_mask"], self.who.get("channels", 0x7F))

    def state(self, channel: int) -> bool | None:
        """Whether a channel is active."""
        return None if self.active is None else bool(self.active >> channel & 1)

    def feed(self, looked: Looked, now_tick: int, unseen: int = 0) -> None:
        """Take a look in: its edges, what it says besides, and the board's time after it."""
        self.unseen += unseen
        edges = looked.edges
        for tick, channel, active in zip(
            edges.tick.tolist(), edges.channel.tolist(), edges.active.tolist(), strict=True
        ):
            self._edge(tick * self.tick_s, channel, active)
        self.levels = looked.levels if looked.levels is not None else self.levels
        first = self.seen_from_s is None
        self.now_s = now_tick * self.tick_s
        self._settle(self.now_s)
        self._note(looked)
        if first:
            self.seen_from_s = self.now_s
        elif looked.has(LOST):  # the first look holds what came long before it
            self.last_lost_s = self.now_s

    def _edge(self, t: float, channel: int, active: bool) -> None:
        self._settle(t)
        if channel == BEAM:
            self._beam(t, active)
        elif channel in FLASHES and active:
            self._light(t, channel)

    def _beam(self, t: float, broken: bool) -> None:
        if broken:
            self._open_s = self._break_s = t
            return
        start, self._open_s = self._open_s, None
        if start is None or t - start < self.rules.visit_s:
            return
        if self._visit_end_s is None or start - self._visit_end_s > self.rules.gap_s:
            self.visits += 1
        self._visit_end_s = self.last_visit_s = t
        fired = self.last_fire_s is not None and self.last_fire_s >= start
        if not fired:
            gap = None if self.last_fire_s is None else start - self.last_fire_s
            self._pending.append((start, gap))

    def _light(self, t: float, channel: int) -> None:
        self.lit[channel] += 1
        if self.last_fire_s is not None and t - self.last_fire_s <= self.rules.join_s:
            return
        self.fires += 1
        self.last_fire_s = t
        if self._break_s is None or t - self._break_s > self.rules.lag_s:
            self.strangers += 1
        self._pending = [(start, gap) for start, gap in self._pending if not start <= t <= start + self.rules.lag_s]

    def _settle(self, now: float) -> None:
        """Breaks whose light can no longer come are misses."""
        while self._pending and now > self._pending[0][0] + self.rules.lag_s:
            start, gap = self._pending.pop(0)
            self.misses += 1
            self.last_miss_s, self.miss_gap_s = start, gap

    def _note(self, looked: Looked) -> None:
        said = []
        if looked.has(CHATTER_EDGES):
            said.append("an input flickers: it is summed up second by second, not stored edge by edge")
        if looked.has(LOST):
            said.append(LOST_TEXT)
        if looked.has(FAULT):
            said.append("the board noted a fault")
        if looked.has(NOTE):
            self.remarks = ["a note was written"]
        self.notes = [*self.notes, *(text for text in said if text not in self.notes)][-LEAST_NOTED:]

    def beam_word(self, channel: int = BEAM) -> str:
        """whole, BROKEN, or unknown."""
        state = self.state(channel)
        return "unknown" if state is None else "BROKEN" if state else "whole"

    @property
    def broken_since_s(self) -> float | None:
        """When the beam was broken, while it is; None: it is not, or that came before the first record."""
        return self._open_s

    @property
    def fires_watched(self) -> bool:
        """Whether any light sensor is in use and wired; without one there are no fires and no misses to speak of."""
        told = self.who.get("wiring_check")
        unwired = told if isinstance(told, list) else []
        used = self.who.get("channels", 0x7F)
        return bool(self.lit) or any(used >> c & 1 and CHANNELS[c] not in unwired for c in FLASHES)

    @property
    def has_second_beam(self) -> bool:
        """Whether BEAM2 is in use."""
        return bool(self.who.get("channels", 0x7F) >> BEAM2 & 1)
