"""Lines of text to and from an instrument, one exchange at a time, in the words of its profile.

Nothing is believed unanswered. After a silence the line is out of step: what comes late is dropped before the next answer is read.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod

from drivers.clock import Clock
from drivers.faults import InstrumentError, InstrumentFault, Refused, TimedOut, UnexpectedReply, facts_from
from drivers.text.line import LineReader, TextLine
from drivers.text.profile import ENDS, TextCommand, TextProfile
from drivers.trace import Direction, Exchange, Trace

LATE_MAX_S = 1.0


class Conversation(ABC):
    """Settings and queries of a profile over one line, each answer held against what the profile expects."""

    def __init__(
        self,
        line: TextLine,
        profile: TextProfile,
        clock: Clock,
        *,
        name: str,
        address: str,
        timeout_s: float,
        trace: Trace | None,
    ) -> None:
        self.name = name
        self.address = address
        self._line = line
        self._profile = profile
        self._clock = clock
        self._timeout_s = timeout_s
        self._trace = trace
        self._reader = LineReader(line, ENDS[profile.answers])
        self._in_step = True

    @abstractmethod
    def _open_if_gone(self) -> None:
        """Open a connection again that the other end has closed while nothing was under way. ConnectFailed."""

    def _set(self, name: str, text: str) -> None:
        """Send a setting at once, and read its reply where the profile says that there is one."""
        command = self._command(name)
        self._open_if_gone()
        was_in_step = self._in_step
        if was_in_step:
            self._drop_late(0.0)
        self._send(text)
        if not was_in_step:
            # Sent first, since it may be a release; which of the lines that come now answers it cannot be told.
            self._drop_late(min(self._timeout_s, LATE_MAX_S))
            if not command.query:
                raise self._fault(
                    TimedOut, "out of step after a silence, and this setting cannot be read back", command=text,
                    next_move="Try again.",
                )  # fmt: skip
            return
        if command.reply:
            said = self._answer(text)
            if re.search(command.reply, said) is None:
                raise self._unexpected(text, said)
        else:
            self._clock.wait_s(self._profile.pause_s)

    def _ask(self, name: str, line: str = "") -> str:
        """Return the value in the answer to the query ``name``, sent as ``line`` where that is more than the profile's own."""
        command = self._command(name)
        query = line or command.query
        self._open_if_gone()
        self._drop_late(0.0 if self._in_step else min(self._timeout_s, LATE_MAX_S))
        self._send(query)
        said = self._answer(query)
        match = re.search(command.pattern, said)
        if match is None:
            raise self._unexpected(query, said)
        return match.group(1)

    def _send(self, text: str) -> None:
        content = text.encode("ascii") + ENDS[self._profile.sends]
        self._keep(Direction.SENT, content)
        try:
            self._line.write(content)
        except InstrumentFault as fault:
            self._keep(Direction.RECEIVED, fault=fault)
            raise
        if self._profile.echo and self._in_step:
            echoed = self._answer(text, refusals=False)
            if echoed.strip() != text.strip():
                raise self._unexpected(text, echoed)

    def _answer(self, text: str, *, refusals: bool = True) -> str:
        try:
            answer = self._reader.read(self._timeout_s)
        except InstrumentFault as broken:
            self._in_step = False
            self._keep(Direction.RECEIVED, self._reader.held, broken)
            raise
        if answer is None:
            held = self._reader.drop(0.0)
            self._in_step = False
            fault = self._fault(
                TimedOut,
                f"no whole answer within {self._timeout_s:g} s",
                command=text,
                reply=held.decode("ascii", "backslashreplace"),
                next_move="Check that the unit is on, the cable, and baud and line ends in its profile.",
            )
            self._keep(Direction.RECEIVED, held, fault)
            raise fault
        self._keep(Direction.RECEIVED, answer + ENDS[self._profile.answers])
        said = answer.decode("ascii", "backslashreplace").strip()
        if refusals and self._profile.refusal and (match := re.search(self._profile.refusal, said)):
            reason = match.group(1) if match.re.groups else said
            raise self._fault(
                InstrumentError,
                f"it refuses: {reason or said}",
                command=text,
                reply=said,
                next_move="Check that the unit has what is asked of it.",
            )
        return said

    def _drop_late(self, quiet_s: float) -> None:
        if late := self._reader.drop(quiet_s):
            self._keep(Direction.RECEIVED, late, "came late or unasked; dropped")
        self._in_step = True

    # -- words and faults -----------------------------------------------------------------------------------------

    def _command(self, name: str) -> TextCommand:
        try:
            return self._profile.commands[name]
        except KeyError:
            raise self._fault(
                Refused,
                f"its profile {self._profile.profile!r} has no command {name!r}",
                next_move=f"Add {name!r} to the profile, or take the check that needs it out of the sequence.",
            ) from None

    def _can_ask(self, name: str) -> bool:
        return name in self._profile.commands and bool(self._profile.commands[name].query)

    def _theirs(self, name: str, word: str) -> str:
        return self._command(name).words.get(word, word)

    def _word(self, name: str, said: str) -> str:
        words = self._command(name).words
        for ours, theirs in words.items():
            if theirs.upper() == said.strip().upper():
                return ours
        if words:
            raise self._unexpected(self._command(name).query, said)
        return said.strip().upper()

    def _unexpected(self, text: str, said: str) -> InstrumentFault:
        self._in_step = False  # it may have been the answer to something else
        return self._fault(
            UnexpectedReply,
            "an answer that its profile does not expect",
            command=text,
            reply=said,
            next_move="Check that the profile is this radio's, and baud, parity and line ends in it.",
        )

    def _fault(
        self, kind: type[InstrumentFault], what: str, *, command: str = "", reply: str = "", next_move: str
    ) -> InstrumentFault:
        return kind(
            what,
            instrument=self.name,
            address=self.address,
            command=command,
            reply=reply,
            next_move=next_move,
        )

    def _open_line(self) -> None:
        try:
            self._line.open()
        except InstrumentFault as fault:
            self._keep(Direction.OPENED, fault=fault)
            raise
        self._keep(Direction.OPENED)

    def _keep(self, direction: Direction, content: bytes = b"", fault: InstrumentFault | str = "") -> None:
        if self._trace is not None:
            self._trace(
                Exchange(
                    time_s=self._clock.now_s(),
                    instrument=self.name,
                    direction=direction,
                    content=content,
                    fault=str(fault),
                    facts=facts_from(fault) if isinstance(fault, InstrumentFault) else None,
                )
            )
