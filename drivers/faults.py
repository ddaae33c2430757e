"""The tree of instrument faults.

    InstrumentFault
      LinkFault                    nothing, or nothing whole, came over the wire
        ConnectFailed              the link could not be opened or proved
        ConnectionLost             it was open and is gone
        TimedOut                   no whole answer in time; the link itself may be alive
      UnexpectedReply              an answer came that is not what the command's answer looks like
        ImpossibleReading          a number came, twice, that cannot be of this unit on this bench
      InstrumentError              the instrument's own error queue complained
      Refused                      we refused: outside the instrument's range or the bench's protection; nothing was sent
      NotConfirmed                 the read-back differs from what was set
        SettingLost                what was set and read back reads otherwise later
      NotSettled                   the instrument or its reading did not come to rest in time

Every fault names the instrument, its address, the command, what came back and the next move, in its text and
as attributes.
"""

from __future__ import annotations

from functools import partial

_SHOWN = (
    120  # a reply of garbage may be long: the text shows its start, the attribute and the trace keep it whole
)


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
            text += f"; sent {_shown(self.command)}"
        if self.reply:
            text += f"; got {_shown(self.reply)}"
        text += "."
        if self.next_move:
            text += f" {self.next_move}"
        return text

    def facts(self) -> dict[str, str]:
        """Return the fault as data, for a program or a journal: its kind, and every attribute whole."""
        names = ("what", "instrument", "address", "command", "reply", "next_move")
        return {"fault": type(self).__name__, **{name: getattr(self, name) for name in names}}

    def __reduce__(self) -> tuple[object, ...]:
        # Keyword-only fields are lost by Exception's own pickling, which passes the text alone.
        fields = {
            name: getattr(self, name) for name in ("instrument", "address", "command", "reply", "next_move")
        }
        return (partial(type(self), **fields), (self.what,))


def facts_from(fault: InstrumentFault, error: BaseException | None = None) -> dict[str, str]:
    """Return a fault as data, with the ``cause``: the class of the exception it was made of, empty where it is itself the first."""
    cause = error if error is not None else fault.__cause__
    named = "" if cause is None or cause is fault else f"{type(cause).__module__}.{type(cause).__qualname__}"
    return {**fault.facts(), "cause": named}


def _shown(text: str) -> str:
    return (
        repr(text) if len(text) <= _SHOWN else f"{text[:_SHOWN]!r} and {len(text) - _SHOWN} more characters"
    )


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


class ImpossibleReading(UnexpectedReply):
    """A number came, and came again, that cannot be of this unit on this bench: often the answer to another question."""


class InstrumentError(InstrumentFault):
    """The instrument's own error queue complained."""


class Refused(InstrumentFault):
    """We refused: outside the instrument's range or the bench's protection; nothing was sent."""


class NotConfirmed(InstrumentFault):
    """The read-back differs from what was set."""


class SettingLost(NotConfirmed):
    """What was set and read back reads otherwise later: the instrument has restarted, or somebody has turned it."""


class NotSettled(InstrumentFault):
    """The instrument or its reading did not come to rest in time."""
