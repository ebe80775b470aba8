"""Conclusions of the walk along the emitters, from invented coverings, and the walk itself over invented optics."""

import pytest
from duskgate.cli.cover import CoverWalk, beams_of
from duskgate.ready.cover import Covering, Walk, conclude

from tests import fakes

BEAM, BEAM2 = 0, 1
BOTH = (BEAM, BEAM2)


class Optics:
    """Two emitters and two receivers: `sees` says which emitters light which receiver; a hand covers on request.

    Answers `state` as a board does. A receiver reads broken where none of the emitters that it sees is free.
    `late_s`: the hand comes so long after it was asked. `leak`: receivers that flicker while covered.
    """

    def __init__(self, sees=((BEAM,), (BEAM2,)), dead=(), stuck=(), leak=(), lazy=(), stays=(), late_s=1.0):
        self.sees, self.dead, self.stuck, self.leak, self.lazy = sees, dead, stuck, leak, lazy
        self.stays = stays
        self.late_s = late_s
        self.clock = fakes.FakeClock()
        self.asked = ""
        self.since = 0.0
        self.looks = 0
        self.edges = [0] * 7
        self.levels = 0x7F
        self.was_covered: set[int] = set()
        self.said: list[str] = []

    def say(self, text):
        self.said.append(text)
        self.asked, self.since = text, self.clock.ns / 1e9

    def covered(self):
        if self.clock.ns / 1e9 - self.since < self.late_s or "Cover " not in self.asked:
            return set()
        wanted = {BEAM, BEAM2} if "both" in self.asked else {BEAM2 if "beam 2" in self.asked else BEAM}
        return wanted - set(self.lazy)

    def state(self):
        self.looks += 1
        hands = self.covered()
        self.was_covered |= hands
        levels = 0x7F
        for receiver, emitters in enumerate(self.sees):
            dark = all(emitter in hands for emitter in emitters)
            if receiver in self.leak and dark:
                dark = self.looks % 3 != 0
            if receiver in self.stays and receiver in self.was_covered:
                dark = True
            if (dark and receiver not in self.dead) or receiver in self.stuck:
                levels &= ~(1 << receiver)
        for channel in range(2):
            self.edges[channel] += (levels ^ self.levels) >> channel & 1
        self.levels = levels
        return {"levels": levels, "edges": list(self.edges)}


def walked(optics, beams=BOTH, seconds=10.0):
    who = {"low_mask": 0x7F, "channels": 0x7F}
    walk = CoverWalk(optics, who, beams, seconds, optics.say).run()
    return {item.name: item for item in conclude(walk)}


def test_each_receiver_answers_its_own_emitter():
    optics = Optics()
    found = walked(optics)
    assert [(i.word, i.seen) for i in found.values()] == [("ready", "answers its own emitter alone")] * 2
    assert not any("both emitters" in line for line in optics.said)
    assert sum(line.startswith("  Cover the emitter of") for line in optics.said) == 2


def test_one_beam_is_walked_too():
    found = walked(Optics(), (BEAM,))
    assert [i.seen for i in found.values()] == ["answers its emitter and stays broken while it is covered"]


@pytest.mark.parametrize(
    ("optics", "name", "text", "todo"),
    [
        ({"sees": ((BEAM, BEAM2), (BEAM2,))}, "beam cover", "it sees that of beam 2 too", "opposite directions"),
        ({"sees": ((BEAM,), (BEAM, BEAM2))}, "beam 2 cover", "it sees that of beam too", "opposite directions"),
        ({"sees": ((BEAM2,), (BEAM,))}, "two beams", "each beam's input answers the other beam's emitter", "exchange"),
        ({"sees": ((BEAM2,), (BEAM2,))}, "beam cover", "answers the emitter of beam 2 and not its own", "opposite"),
        ({"dead": (BEAM,)}, "beam cover", "did not answer", "polarity"),
        ({"dead": (BEAM2,)}, "beam 2 cover", "did not answer", "wire"),
        ({"lazy": (BEAM, BEAM2)}, "beam cover", "did not answer", "cover it whole"),
        ({"stuck": (BEAM2,)}, "beam 2 cover", "BROKEN with nothing covered", "aim it"),
        ({"leak": (BEAM,)}, "beam cover", "did not stay broken", "tubes"),
        ({"stays": (BEAM,)}, "beam cover", "did not come back", "align"),
    ],
)
def test_what_the_walk_finds(optics, name, text, todo):
    found = walked(Optics(**optics))
    assert found[name].word == "mend" and text in found[name].seen and todo in found[name].todo, found


def test_the_sound_beam_of_a_pair_is_not_blamed():
    found = walked(Optics(sees=((BEAM, BEAM2), (BEAM2,))))
    assert found["beam 2 cover"].word == "ready"
    found = walked(Optics(stuck=(BEAM2,)))
    assert found["beam cover"].word == "look" and "could not be tried" in found["beam cover"].seen


def test_a_hand_that_cuts_both_beams_is_named():
    both = Covering((BEAM,), {BEAM: 1.0, BEAM2: 1.0}, {}, True, BOTH)
    own = Covering((BEAM2,), {BEAM: 0.0, BEAM2: 1.0}, {}, True, BOTH)
    found = {i.name: i for i in conclude(Walk(BOTH, (), (both, own)))}
    assert found["beam cover"].word == "ready"
    assert found["beam 2 cover"].word == "mend" and "cover closer" in found["beam 2 cover"].todo


def test_a_reflection_that_comes_after_a_while_is_seen_in_the_hold():
    shaky = Covering((BEAM,), {BEAM: 0.7}, {BEAM: 4}, True, (BEAM,))
    (item,) = conclude(Walk((BEAM,), (), (shaky,)))
    assert item.word == "mend" and "came back while its emitter was covered (4 changes)" in item.seen


def test_nobody_there_ends_in_time_with_a_clear_line():
    optics = Optics(late_s=1e9)
    found = walked(optics, seconds=5.0)
    assert {i.word for i in found.values()} == {"mend"} and optics.clock.ns < 30e9
    assert optics.said.count("  nothing changed") == 3


@pytest.mark.parametrize(
    ("channels", "unwired", "two", "beams"),
    [
        (0x7F, [], False, BOTH), (0x7F, ["BEAM2"], False, (BEAM,)), (0x7F, ["BEAM2"], True, BOTH),
        (0x7F, None, False, (BEAM,)), (0x7D, [], True, (BEAM,)), (0x7C, [], True, ()),
    ],
)  # fmt: skip
def test_which_beams_are_walked(channels, unwired, two, beams):
    assert beams_of({"channels": channels, "wiring_check": unwired}, two) == beams
