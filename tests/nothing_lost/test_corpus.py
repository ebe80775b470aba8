"""Cases that fuzzing or thought has found, kept: each file is fed to its reader, which has to keep its promises."""

from pathlib import Path

import pytest

from tests.nothing_lost.readers import Decoder, readers

FILES = sorted(Path(__file__).with_name("corpus").glob("*/*"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_kept_case(path):
    data = path.read_bytes()
    reader = readers()[path.parent.name]
    reader.feed(data)
    reader.finish()
    if path.parent.name == "decoder":
        Decoder.alone(data)


def test_cells_beyond_the_header_are_refused():
    """They were left out in silence."""
    assert readers()["edges"].feed(b"boot,t_us,channel,level\n0,1,BEAM,1\n") == 1
    assert readers()["edges"].feed(b"boot,t_us,channel,level\n0,1,BEAM,1,lost\n") == 0
    assert readers()["edges"].feed(b"boot,t_us,channel,level\n0,1,BEAM,1,a,b,c\n\n") == 0
    assert readers()["edges"].feed(b"boot,t_us,channel,level\n0,1,BEAM,1\n\n\n") == 1


def test_there_is_a_case_of_every_reader():
    assert {path.parent.name for path in FILES} == set(readers())
