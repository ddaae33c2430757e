"""When a replayed message was sent and answered: by the trace, whatever was waited since."""

from __future__ import annotations

from drivers.trace import Direction, Exchange
from sequencer.bench.tape import Tape
from sequencer.bench.tape_links import TapedWire
from sequencer.bench.taped import Taped


def test_a_message_was_sent_and_answered_when_the_trace_says_so() -> None:
    """Half a second was waited beyond both: the tape's clock stands there, the message's own times do not."""
    said = [(1.0, Direction.SENT, b"KEY 1;KEY?\n"), (1.25, Direction.RECEIVED, b"1\n")]
    entries = [
        Taped(
            exchange=Exchange(time_s=at_s, instrument="radio", direction=way, content=content), check_index=0
        )
        for at_s, way, content in said
    ]
    tape = Tape(entries)
    tape.begin(0)
    wire = TapedWire(tape, ("radio",))
    tape.wait_s(0.75)
    wire.send(b"KEY 1;KEY?\n", 1.0)
    assert wire.read_line(100, 1.0) == b"1\n"
    assert (wire.sent_s, wire.answered_s) == (1.0, 1.25)
    assert tape.now_s() == 1.75
