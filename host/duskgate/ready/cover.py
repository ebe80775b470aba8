"""Which receiver answers which emitter: conclusions from emitters that were covered one after the other. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

from duskgate.fields import BEAM, BEAM2
from duskgate.ready.items import LOOK, MEND, READY, Item

NAMES = {BEAM: "beam", BEAM2: "beam 2"}
HELD = 0.9  # share of the looks, while covered, in which a receiver that answers reads broken

SILENT_TODO = (
    "cover it whole, close to it; if nothing changes: aim, receiver's supply, polarity (dark on), wire; "
    "pull the wire to ground at the input stage, it must read broken"
)
CROSS_TODO = (
    "turn one pair round so that the beams run in opposite directions, move them apart, longer tubes or a plate "
    "between; else pairs of another modulation; then check --cover again"
)
AGAIN_TODO = "aim it, clear the beam, look at its polarity (dark on) and for a short to ground; then again"
ALONE, STAYS = "answers its own emitter alone", "answers its emitter and stays broken while it is covered"
BACK_TODO = "align it with the middle of its range"
EXCHANGED_TODO = "aim each receiver at its own emitter, or exchange the two wires at the board"
ROUND_TODO = "cover the emitter itself with the flat hand; if it stays so, light goes round by a wall or glass: tubes"


@dataclass(frozen=True)
class Covering:
    """One time that emitters were covered and held. `covered`: their channels; `share`: of the looks in which each beam
    read broken; `changes`: of each beam meanwhile; `answered`: whether any beam broke at all; `back`: beams that read
    whole again after the hand had gone."""

    covered: tuple[int, ...]
    share: dict[int, float] = field(default_factory=dict)
    changes: dict[int, int] = field(default_factory=dict)
    answered: bool = False
    back: tuple[int, ...] = ()

    def broke(self, channel: int) -> bool:
        """Whether that beam read broken for most of the time."""
        return self.share.get(channel, 0.0) >= 0.5

    def held(self, channel: int) -> bool:
        """Whether it stayed broken."""
        return self.share.get(channel, 0.0) >= HELD and not self.changes.get(channel, 0)


@dataclass(frozen=True)
class Walk:
    """`beams`: channels walked; `never_whole`: those broken with nothing in the way; the coverings in order."""

    beams: tuple[int, ...]
    never_whole: tuple[int, ...]
    coverings: tuple[Covering, ...]

    def of(self, *channels: int) -> Covering | None:
        """The covering of just these emitters."""
        return next((c for c in self.coverings if c.covered == channels), None)

    @property
    def needs_both(self) -> bool:
        """Whether only covering both emitters tells a receiver that sees both from one that sees nothing."""
        tried = len(self.beams) == 2 and all(self.of(beam) for beam in self.beams)
        return tried and any(not any(c.broke(beam) for c in self.coverings) for beam in self.beams)


def conclude(walk: Walk) -> list[Item]:
    """A line for each beam that was walked."""
    exchanged = _exchanged(walk)
    return [exchanged] if exchanged else [_one(walk, beam) for beam in walk.beams]


def _exchanged(walk: Walk) -> Item | None:
    if len(walk.beams) != 2:
        return None
    own = [(walk.of(a), a, b) for a, b in (walk.beams, walk.beams[::-1])]
    if all(c is not None and c.broke(other) and not c.broke(mine) for c, mine, other in own):
        said = "each beam's input answers the other beam's emitter"
        return Item("two beams", MEND, said, EXCHANGED_TODO)
    return None


def _one(walk: Walk, beam: int) -> Item:
    name, other = f"{NAMES[beam]} cover", next((b for b in walk.beams if b != beam), None)
    mine, theirs = walk.of(beam), None if other is None else walk.of(other)
    if beam in walk.never_whole or mine is None:
        return Item(name, MEND, "reads BROKEN with nothing covered: not asked for", AGAIN_TODO)
    if not mine.broke(beam):
        return _no_answer(walk, beam, name, other)
    if beam not in mine.back or not mine.held(beam):
        return _not_steady(mine, beam, name)
    if theirs is not None and theirs.broke(beam):
        return _follows_both(beam, name)
    if other is not None and theirs is None:
        return Item(name, LOOK, "answers its emitter; the other one could not be tried", "mend the other beam first")
    return Item(name, READY, ALONE if other is not None else STAYS)


def _not_steady(mine: Covering, beam: int, name: str) -> Item:
    if beam not in mine.back:
        return Item(name, MEND, "did not come back when its emitter was free again", BACK_TODO)
    said = f"came back while its emitter was covered ({mine.changes.get(beam, 0)} changes)"
    return Item(name, MEND, said, ROUND_TODO)


def _follows_both(beam: int, name: str) -> Item:
    other = NAMES[BEAM2 if beam == BEAM else BEAM]
    said = f"broke for its own emitter and for that of {other} too"
    todo = f"cover closer, the hand may have cut both; a short between the wires; else: {CROSS_TODO}"
    return Item(name, MEND, said, todo)


def _no_answer(walk: Walk, beam: int, name: str, other: int | None) -> Item:
    both, theirs = walk.of(*walk.beams), None if other is None else walk.of(other)
    if other is not None and theirs is not None and theirs.broke(beam):
        return Item(name, MEND, f"answers the emitter of {NAMES[other]} and not its own", CROSS_TODO)
    mine = walk.of(beam)
    if mine is not None and mine.changes.get(beam, 0):
        return Item(name, MEND, "flickered and did not stay broken while its emitter was covered", ROUND_TODO)
    if len(walk.beams) == 2 and both is not None and both.broke(beam):
        said = f"stays whole until both emitters are covered: it sees that of {NAMES[other or BEAM]} too"
        return Item(name, MEND, said, CROSS_TODO)
    return Item(name, MEND, "did not answer: its emitter was covered, and it stayed whole", SILENT_TODO)
