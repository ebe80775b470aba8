"""Short version of hostile_text.py."""

import random

from tests.nothing_lost import hostile_text


def test_hostile_text_stays_text_everywhere():
    said = hostile_text.texts(200, random.Random(7))
    assert hostile_text.terminal(said) == hostile_text.scripts(said) == hostile_text.cells(said) == 0
    assert hostile_text.pages(said[:3]) == 0


def test_what_gets_through_is_counted(monkeypatch):
    monkeypatch.setattr(hostile_text, "say", print)
    assert hostile_text.terminal(["\x1b[2J", "plain"]) == 1
