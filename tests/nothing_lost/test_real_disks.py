"""Short versions of real_disks.py: a full disk, a read-only one, one that does not tell A from a."""

import pytest

from tests.nothing_lost import real_disks


def played(play, size):
    try:
        return play(size)
    except real_disks.NotAllowed as why:
        pytest.skip(str(why))


def test_a_disk_that_is_really_full_costs_nothing():
    assert played(real_disks.full_disk, [0, 12]) == (2, 0)


def test_a_read_only_disk_is_told_and_stays_as_it_is():
    assert played(real_disks.read_only_disk, 1) == (4, 0)


def test_names_that_differ_in_case_alone_replace_nothing():
    assert real_disks.without_case(6) == (6, 0)


def test_that_disk_is_one_without_case(tmp_path):
    (tmp_path / "Night.dgl").write_bytes(b"1")
    with real_disks.one_case():
        assert (tmp_path / "nIGHT.DGL").read_bytes() == b"1" and (tmp_path / "NIGHT.dgl").exists()
        (tmp_path / "night.dgl").write_bytes(b"2")
    assert [p.name for p in tmp_path.iterdir()] == ["Night.dgl"] and not (tmp_path / "NIGHT.dgl").exists()


def test_a_refusal_in_two_lines_or_with_a_change_is_counted(tmp_path):
    (tmp_path / "a").write_bytes(b"1")
    same = {"a": b"1"}
    assert real_disks.refused((2, "no\n"), tmp_path, same)
    for answer, before in (((2, "no\nand more\n"), same), ((1, "no\n"), same), ((2, "no\n"), {"a": b"2"})):
        assert not real_disks.refused(answer, tmp_path, before)
