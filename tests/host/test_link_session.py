"""The conversation as a state machine: what each event does in each state, and what a bad wire does to an answer."""

import json
import struct
import zlib

import pytest
from duskgate.link.session import TRANSITIONS, Answer, Event, Failure, Session, State, Why
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import fakes


def data_frame(ss: int, offset: int, data: bytes) -> bytes:
    return fakes.frame(2, ss, struct.pack("<I", offset) + data)


def end_frame(ss: int, data: bytes, **other: int) -> bytes:
    return fakes.frame(3, ss, json.dumps({"bytes": len(data), "crc": zlib.crc32(data)} | other).encode())


def asked(verb: str = "get", expect: int = 5000, first_ss: int = 7) -> Session:
    session = Session(first_ss=first_ss)
    session.request(verb, (), 0.0, expect)
    return session


def test_the_line_sent_is_the_format_s():
    assert Session(first_ss=0x1F).request("get", (12, 0, 100), 0.0) == fakes.request(0x1F, "get 12 0 100")


def test_facts_close_the_answer():
    session = asked()
    assert session.receive(fakes.frame(1, 7, b'{"board":"ab"}'), 0.1) == Answer({"board": "ab"})
    assert session.state is State.IDLE


def test_data_in_order_with_a_right_end():
    data = bytes(range(200)) * 10
    session = asked()
    assert session.receive(data_frame(7, 0, data[:1020]), 0.1) is None
    assert session.received == 1020
    assert session.receive(data_frame(7, 1020, data[1020:]) + end_frame(7, data), 0.2) == Answer({}, data)


def test_no_data_at_all_is_an_answer():
    assert asked().receive(end_frame(7, b""), 0.1) == Answer({}, b"")


def test_byte_by_byte_gives_one_outcome_at_the_last_byte():
    stream = data_frame(7, 0, b"abc") + end_frame(7, b"abc")
    session = asked()
    outcomes = [session.receive(stream[k : k + 1], 0.1) for k in range(len(stream))]
    assert outcomes[:-1] == [None] * (len(stream) - 1) and outcomes[-1] == Answer({}, b"abc")


def test_stale_answers_are_skipped():
    session = asked()
    stale = fakes.frame(1, 6, b"{}") + data_frame(200, 0, b"old") + fakes.frame(4, 6, b"{}")
    assert session.receive(stale, 0.1) is None
    assert session.stale == 3
    assert session.receive(fakes.frame(1, 7, b"{}") * 2, 0.2) == Answer({})
    assert session.stale == 4  # the doubled closing frame came when nothing was open


def test_a_doubled_frame_counts_once():
    session = asked()
    session.receive(data_frame(7, 0, b"abc") * 2, 0.1)
    assert session.doubled == 1
    assert session.receive(data_frame(7, 3, b"de") + end_frame(7, b"abcde"), 0.1) == Answer({}, b"abcde")


def part_end(data: bytes, more: int) -> bytes:
    said = {"bytes": len(data), "crc": zlib.crc32(data), "more": more}
    return fakes.frame(3, 7, json.dumps(said).encode())


def asked_for_three() -> Session:
    session = Session(first_ss=7)
    session.request("get", (1, 0, 5, 2, 0, 3, 3, 0, 4), 0.0, expect=12, parts=3)
    return session


def test_an_answer_in_several_parts():
    stream = data_frame(7, 0, b"first") + part_end(b"first", 2) + part_end(b"", 1)
    session = asked_for_three()
    assert session.receive(stream, 0.1) is None and session.received == 5
    stream = data_frame(7, 5, b"last") + end_frame(7, b"last")
    assert session.receive(stream, 0.2) == Answer({}, b"last", (b"first", b""))


def test_frames_of_a_part_that_come_twice_do_no_harm():
    first = [data_frame(7, 0, b"first"), part_end(b"first", 2)]
    stream = first[0] * 2 + first[1] * 2 + first[0] + part_end(b"", 1) * 2 + data_frame(7, 5, b"last")
    session = asked_for_three()
    assert session.receive(stream + end_frame(7, b"last"), 0.1) == Answer({}, b"last", (b"first", b""))
    assert session.doubled == 4


def test_whole_parts_outlive_a_failure():
    session = asked_for_three()
    session.receive(data_frame(7, 0, b"first") + part_end(b"first", 2) + data_frame(7, 5, b"ab"), 0.1)
    failure = session.expired(100.0)
    assert isinstance(failure, Failure) and failure.parts == (b"first",) and failure.data == b"ab"
    assert session.received == 0


@pytest.mark.parametrize(
    "stream",
    [
        data_frame(7, 0, b"first") + part_end(b"first", 1),  # a part is missing
        data_frame(7, 0, b"first") + end_frame(7, b"first"),
        data_frame(7, 0, b"first") + part_end(b"other", 2),
        data_frame(7, 0, b"first") + part_end(b"first", 2) + data_frame(7, 6, b"z"),
        data_frame(7, 0, b"first") + part_end(b"first", 2) + data_frame(7, 5, bytes(8)),
    ],
)
def test_parts_that_do_not_fit_are_broken(stream):
    outcome = asked_for_three().receive(stream, 0.1)
    assert isinstance(outcome, Failure) and outcome.why is Why.BROKEN


@pytest.mark.parametrize(
    ("stream", "kept", "said"),
    [
        (data_frame(7, 0, b"abc") + data_frame(7, 6, b"ghi"), b"abc", "offset 6"),
        (data_frame(7, 0, b"abc") + data_frame(7, 2, b"xyz"), b"abc", "offset 2"),
        (data_frame(7, 0, b"abc") + data_frame(7, 0, b"abX"), b"abc", "offset 0"),
        (data_frame(7, 0, b"abc") + end_frame(7, b"abcd"), b"abc", "4 bytes, 3 arrived"),
        (data_frame(7, 0, b"abc") + end_frame(7, b"abc", crc=1), b"", "check over the whole"),
        (data_frame(7, 0, bytes(1000)) * 1 + data_frame(7, 1000, bytes(20)), bytes(1000), "more than the 1010"),
        (fakes.frame(2, 7, b"ab"), b"", "without its offset"),
        (fakes.frame(9, 7, b"{}"), b"", "unknown kind 09"),
        (data_frame(7, 0, b"abc") + fakes.frame(1, 7, b"{}"), b"abc", "facts frame while streaming"),
        (fakes.frame(1, 7, b"{"), b"", "not readable JSON"),
        (fakes.frame(1, 7, b"\xff\xfe"), b"", "not readable JSON"),
        (fakes.frame(1, 7, b"[1]"), b"", "not a JSON object"),
        (fakes.frame(1, 7, b"[" * 1000), b"", "not readable JSON"),
    ],
)  # fmt: skip
def test_answers_that_cannot_be_right(stream, kept, said):
    session = asked(expect=1010)
    outcome = session.receive(stream, 0.1)
    assert isinstance(outcome, Failure) and outcome.why is Why.BROKEN
    assert said in outcome.text and outcome.data == kept
    assert session.state is State.IDLE


def test_refusal_carries_code_and_one_printable_line():
    text = json.dumps({"code": "segment", "text": "no such\nsegment \x1b[31m" + "x" * 400}).encode()
    outcome = asked().receive(fakes.frame(4, 7, text), 0.1)
    assert isinstance(outcome, Failure) and outcome.why is Why.REFUSED and outcome.code == "segment"
    assert outcome.text.startswith("no such segment") and outcome.text.isprintable() and len(outcome.text) <= 200


def test_silence_is_counted_from_the_last_good_piece():
    session = asked()
    assert session.expired(2.9) is None
    session.receive(data_frame(7, 0, b"abc"), 2.9)
    assert session.expired(5.8) is None
    outcome = session.expired(5.91)
    assert isinstance(outcome, Failure) and outcome.why is Why.SILENCE and outcome.data == b"abc"
    assert session.expired(99.0) is None  # nothing is open any more


def test_noise_does_not_keep_a_request_alive():
    session = asked()
    for k in range(40):
        session.receive(b"boot noise \xe7\x9d", k / 10)
    assert isinstance(session.expired(4.0), Failure)


def test_a_board_that_trickles_is_given_up_too():
    session = asked(expect=4000)  # 10 s and 2 s for the bytes
    now = 0.0
    for k in range(10):
        now = 2.0 * k
        if session.expired(now):
            break
        session.receive(data_frame(7, k, b"x"), now)
    assert now == 12.0 and session.state is State.IDLE


def test_a_new_request_ends_the_old_answer():
    session = asked()
    session.receive(data_frame(7, 0, b"abc"), 0.1)
    session.request("who", (), 0.2)
    assert session.receive(data_frame(7, 3, b"d") + fakes.frame(1, 8, b"{}"), 0.3) == Answer({})


def test_ss_goes_round():
    session = Session(first_ss=255)
    assert session.request("who", (), 0.0).startswith(b"(FF ")
    assert session.request("who", (), 0.0).startswith(b"(00 ")


def test_a_line_too_long_leaves_the_session_as_it_was():
    session = Session()
    with pytest.raises(ValueError):
        session.request("note", ("x" * 300,), 0.0)
    assert session.state is State.IDLE and session.request("who", (), 0.0).startswith(b"(00 ")


def test_the_table_leaves_no_way_out_of_reach():
    assert {state for state, _ in TRANSITIONS} == set(State)
    assert {event for _, event in TRANSITIONS} == set(Event)
    # every state that waits can end by silence, by a broken answer, and by a new request
    for state in (State.ASKED, State.STREAMING):
        assert all((state, event) in TRANSITIONS for event in (Event.SILENCE, Event.BROKEN, Event.REQUEST))


ANY_PAYLOAD = st.one_of(
    st.binary(max_size=40),
    st.builds(lambda offset, data: struct.pack("<I", offset) + data, st.integers(0, 60), st.binary(max_size=20)),
    st.dictionaries(
        st.sampled_from(["bytes", "crc", "code", "text"]), st.one_of(st.integers(), st.text(), st.none())
    ).map(lambda said: json.dumps(said).encode()),
)
ANY_PIECE = st.one_of(
    st.binary(max_size=30), st.builds(fakes.frame, st.integers(0, 6), st.sampled_from([6, 7, 8]), ANY_PAYLOAD)
)


@given(st.lists(st.tuples(ANY_PIECE, st.floats(0, 2)), max_size=20))
@settings(max_examples=150, deadline=None)
def test_no_stream_of_pieces_breaks_the_session(pieces):
    session, now, outcomes = asked(expect=100), 0.0, []
    for piece, pause in pieces:
        now += pause
        outcome = session.receive(piece, now) or session.expired(now)
        outcomes += [outcome] if outcome is not None else []
        assert session.received <= 100
    outcomes += [o for o in [session.expired(now + 60)] if o is not None]
    assert len(outcomes) == 1 and session.state is State.IDLE
    assert session.request("who", (), now + 61).startswith(b"(08 ")
