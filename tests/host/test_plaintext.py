"""Text from outside as it may be looked at: nothing obeyed, nothing hidden, nothing else changed."""

import pytest
from duskgate.plaintext import is_plain, shown
from hypothesis import given
from hypothesis import strategies as st

from tests.hostile_text import TERMINAL, TEXTS, UNSEEN, obeyed


@pytest.mark.parametrize("text", [*TERMINAL, *UNSEEN])
def test_signs_that_are_obeyed_or_unseen_become_marks(text):
    said = shown(text)
    assert obeyed(said) == [] and "<U+" in said and said.count("\n") == 0


def test_a_mark_names_the_sign():
    assert shown("a\x1b[31mb\u202ec") == "a<U+001B>[31mb<U+202E>c"
    assert shown("\u3164") == "<U+3164>" and shown("\x9b") == "<U+009B>" and shown("\U000e0041") == "<U+E0041>"


@pytest.mark.parametrize(
    "text",
    ["jardin clos, été", "Ωμέγα 3 µs", "12\u00a0000\u202f€", "花園", "حديقة", "हिन्दी", "e\u0301\u0323\u0307", "🦋"],
)
def test_what_people_write_stays(text):
    assert shown(text) == text and is_plain(text)


def test_marks_heaped_on_a_letter_do_not_climb_over_other_lines():
    assert shown("a" + "\u0301" * 5) == "a" + "\u0301" * 3 + "<U+0301>" * 2


@given(st.one_of(TEXTS, st.text(st.characters(codec=None))))
def test_any_text_is_one_line_that_nothing_obeys(text):
    said = shown(text)
    assert obeyed(said) == [] and shown(said) == said
    assert len(said.splitlines()) <= 1
