"""Short versions of archive.py: a full disk, deaths, spoiled bytes, names and links."""

import random

import pytest

from tests.nothing_lost import archive
from tests.nothing_lost.disk_calls import DiskCalls


@pytest.mark.parametrize("make", [archive.FullDisk, DiskCalls, lambda n: DiskCalls(n, after=True)])
def test_no_failing_call_costs_anything(make):
    tried, lost = archive.failing_disk(make)
    assert tried > 15 and lost == 0


def test_spoiled_files_are_found():
    assert archive.spoiled(40, random.Random(5)) == (40, 0)


def test_names_and_links_lead_nowhere_else():
    assert archive.names(100, random.Random(5)) == (100, 0)
    assert archive.links(random.Random(5), 14) == (14, 0)


def test_a_loss_is_counted(tmp_path):
    before = archive.begun(tmp_path / "book")
    next((tmp_path / "book").glob("*.dgl")).unlink()
    assert archive.not_safe(tmp_path / "book", before)
