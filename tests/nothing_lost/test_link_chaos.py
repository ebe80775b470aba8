"""A little of each kind of link chaos; the script does much of it."""

import pytest

from tests.nothing_lost import link_chaos as chaos


def test_bad_wires():
    begun, wrong = chaos.bad_wires(range(3))
    assert begun >= 3 and wrong == 0


def test_unplugged_at_many_bytes():
    tried, wrong = chaos.unplugged(151)
    assert tried > 20 and wrong == 0


def test_dead_at_every_disk_call():
    tried, wrong = chaos.dead_hosts()
    assert tried > 30 and wrong == 0


@pytest.mark.skipif(not hasattr(chaos.fakes, "termios"), reason="no pseudo-terminals on this system")
def test_killed_and_two_at_once():
    assert chaos.killed_hosts(2) == (2, 0)
    assert chaos.two_hosts(1) == (1, 0)


def test_nonsense():
    tried, wrong = chaos.nonsense(16)
    assert tried > 40 and wrong == 0


def test_the_checks_can_fail(tmp_path, monkeypatch):
    """A host that writes over its files, and one that loses a piece, are seen."""
    book, board = chaos.Logbook(tmp_path), chaos.small_board()
    chaos.pull(book, board)
    before = chaos.files(book)
    next(iter(book.files())).write_bytes(b"over it")
    assert not chaos.unchanged(before, book) and chaos.damaged(book)
    monkeypatch.setattr(chaos, "held", lambda book: {7: chaos.ONE})
    assert chaos.unplugged(2001)[1] > 0
