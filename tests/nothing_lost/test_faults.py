"""One night of each fault of the board; the script plays many."""

import pytest

from tests.nothing_lost import faults


@pytest.mark.parametrize("what, act, seed", [(what, act, kinds - 1) for what, act, kinds in faults.FAULTS])
def test_the_board_goes_on_and_the_fault_is_told(tmp_path, what, act, seed):
    assert act(tmp_path, seed) == [], what


def test_words_that_are_missing_are_noticed():
    assert faults.wants("pull", "all is well", "well", "lost") == ["pull does not say 'lost'"]
