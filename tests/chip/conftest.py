"""The board at the two addresses in the environment; without them every test here is skipped."""

import os

import pytest

from . import figures
from .control import Control

SERIAL, CONTROL = "DUSKGATE_CHIP_SERIAL", "DUSKGATE_CHIP_CONTROL"


@pytest.fixture(scope="session")
def loaded(tmp_path_factory):
    """A board with this firmware on it, logging."""
    missing = [name for name in (SERIAL, CONTROL) if not os.environ.get(name)]
    if missing:
        pytest.skip(f"{' and '.join(missing)} not set: no board to test on (tests/chip/README.md)")
    from .chipboard import ChipBoard

    control = Control(os.environ[CONTROL])
    board = ChipBoard(os.environ[SERIAL], control, tmp_path_factory.mktemp("chip"))
    board.rest()
    begin = control.now_us()
    said = board.load()
    figures.note("load", board_s=(control.now_us() - begin) / 1e6, said=said.strip().splitlines()[-1])
    board.empty_store()
    yield board
    board.rest()
    control.close()


@pytest.fixture()
def board(loaded):
    """The same, at rest and answering, with every edge stored one by one."""
    loaded.rest()
    loaded.await_logger()
    with loaded.link() as link:
        link.setting("chatter_limit", 0)
    yield loaded
    loaded.control("clear")


def pytest_terminal_summary(terminalreporter):
    found = figures.of_this_run()
    if found:
        terminalreporter.write_line("")
        terminalreporter.write_line(figures.table(found))
