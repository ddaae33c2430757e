"""What of a trace belongs together: messages that ended in a fault, and those that were sent again after it."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.trace import Direction, Exchange


def sent_again(exchanges: Sequence[Exchange]) -> tuple[set[int], set[int]]:
    """Return where messages stand that were sent again, and where all stands that is about faults.

    A message is sent again if the same bytes went to the same instrument before, and that ended in a fault. About a fault are what
    ended in it, the message before it, and that message sent again.
    """
    last_sent: dict[str, int] = {}
    failed: set[tuple[str, bytes]] = set()
    again, about = set[int](), set[int]()
    for at, one in enumerate(exchanges):
        if one.direction is Direction.SENT:
            last_sent[one.instrument] = at
            if (one.instrument, one.content) in failed:
                failed.discard((one.instrument, one.content))
                again.add(at)
        if one.fault:
            about.add(at)
            if (sent := last_sent.get(one.instrument)) is not None:
                about.add(sent)
                failed.add((one.instrument, exchanges[sent].content))
    return again, about | again
