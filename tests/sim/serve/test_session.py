"""Framing of program messages, and the order of answers on a stream."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from sim.clock import ScaledClock
from sim.serve.session import Framer, Link

streams = st.lists(
    st.sampled_from(
        [
            b"FREQ?",
            b"\n",
            b" #14",
            b"a\nb;",
            b"'",
            b'"',
            b"#",
            b"\r\n",
            b",#210",
            b"0123456789",
            b"#9",
            b"x" * 30,
        ]
    ),
    max_size=20,
).map(b"".join)


@example(stream=b"FREQ?" * 10 + b"x" * 151 + b",#210\n", cuts=[201])
@given(stream=streams, cuts=st.lists(st.integers(0, 300), max_size=8))
def test_framing_does_not_depend_on_the_pieces(stream, cuts) -> None:
    """However a stream is cut into pieces by the network, the messages are the same (no bytes lost, none
    twice).
    """
    whole = Framer(200).feed(stream + b"\n", end=True)
    framer, pieces, at = Framer(200), [], 0
    for cut in [*sorted(cut for cut in cuts if cut < len(stream)), len(stream)]:
        pieces += framer.feed(stream[at:cut])
        at = cut
    assert pieces + framer.feed(b"\n", end=True) == whole


@given(stream=streams)
def test_framing_loses_nothing(stream) -> None:
    """Below the limit, messages and the NLs between them are the stream."""
    messages = Framer().feed(stream, end=True)
    assert b"\n".join(messages).rstrip(b"\n") == stream.rstrip(b"\n")


def test_too_long_a_message_is_dropped_alone() -> None:
    """What exceeds the limit is one None; what follows its NL is whole."""
    framer = Framer(10)
    assert framer.feed(b"x" * 11) == [None]
    assert framer.feed(b"y" * 100) == []
    assert framer.feed(b"z\nOUTP?\n") == [b"OUTP?"]


def test_stream_answers_in_order_and_late(specimen) -> None:
    """On a stream nothing is interrupted: a later question waits for the earlier answer."""
    link = Link(specimen, stream=True)
    link.write(b"MEAS:POW?\nOUTP?\n")
    assert not link.outbox
    assert link.ready_at_s() == 0.25
    specimen.clock.wait_s(0.25)
    link.poll()
    assert [piece.content for piece in link.outbox] == [b"-1.400000000E+02\n", b"0\n"]
    assert len(specimen.errors) == 0


def test_closed_link_gives_the_instrument_back(specimen) -> None:
    """What a closed link left undone is forgotten, so that another link is served."""
    gone, other = Link(specimen, stream=True), Link(specimen, stream=True)
    gone.write(b"HANG?\n")
    other.write(b"OUTP?\n")
    assert not other.outbox
    gone.close()
    other.poll()
    assert other.outbox[0].content == b"0\n"


@pytest.mark.parametrize("factor", [0, -1, 1e9, float("nan")])
def test_scaled_clock_refuses_a_foolish_factor(factor) -> None:
    """A clock cannot stand still, run backwards or be faster than the computer can follow."""
    with pytest.raises(ValueError, match="as fast"):
        ScaledClock(factor)
