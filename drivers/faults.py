"""The tree of instrument faults.

    InstrumentFault
      LinkFault                    nothing, or nothing whole, came over the wire
        ConnectFailed              the link could not be opened or proved
        ConnectionLost             it was open and is gone
        TimedOut                   no whole answer in time; the link itself may be alive
      UnexpectedReply              an answer came that is not what the command's answer looks like
      InstrumentError              the instrument's own error queue complained
      Refused                      we refused: outside the instrument's range or the bench's protection; nothing was sent
      NotConfirmed                 the read-back differs from what was set
      NotSettled                   the instrument or its reading did not come to rest in time

Every fault names the instrument, its address, the command, what came back and the next move, in its text and as attributes.
"""

from __future__ import annotations


class InstrumentFault(Exception):
    """Something an instrument did, or did not do, that stops a reading or a setting."""

    def __init__(
        self,
        what: str,
        *,
        instrument: str,
        address: str,
        command: str = "",
        reply: str = "",
        next_move: str = "",
    ) -> None:
        self.what = what
        self.instrument = instrument
        self.address = address
        self.command = command
        self.reply = reply
        self.next_move = next_move
        super().__init__(self._text())

    def _text(self) -> str:
        text = f"{self.instrument} ({self.address}): {self.what}"
        if self.command:
            text += f"; sent {self.command!r}"
        if self.reply:
            text += f"; got {self.reply!r}"
        text += "."
        if self.next_move:
            text += f" {self.next_move}"
        return text


class LinkFault(InstrumentFault):
    """Nothing, or nothing whole, came over the wire."""


class ConnectFailed(LinkFault):
    """The link could not be opened or proved."""


class ConnectionLost(LinkFault):
    """The link was open and is gone."""


class TimedOut(LinkFault):
    """No whole answer came in time; the link itself may be alive."""


class UnexpectedReply(InstrumentFault):
    """An answer came that is not what the command's answer looks like."""


class InstrumentError(InstrumentFault):
    """The instrument's own error queue complained."""


class Refused(InstrumentFault):
    """We refused: outside the instrument's range or the bench's protection; nothing was sent."""


class NotConfirmed(InstrumentFault):
    """The read-back differs from what was set."""


class NotSettled(InstrumentFault):
    """The instrument or its reading did not come to rest in time."""
