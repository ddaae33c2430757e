"""What is said over a link: settings with their checks, questions, blocks, the error queue."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import TypeVar

from drivers.faults import InstrumentError, InstrumentFault, TimedOut
from drivers.link import scpi
from drivers.link.answers import parse_complete, read_block, read_nothing, read_text
from drivers.link.error_map import CHECK_COMMAND
from drivers.link.exchange import Exchanger
from drivers.link.wire import Wire

T = TypeVar("T")

MAX_BLOCK_BYTES = 16 * 1024 * 1024
ERROR_QUESTION = ":SYST:ERR?"


class Link(Exchanger):
    """The link to one instrument: see `Exchanger` for what it promises."""

    def write(self, message: str, *, timeout_s: float | None = None) -> None:
        """Send a message that asks nothing. Nothing tells whether it was heard: prefer `set_and_check`."""
        self._exchange(message, read_nothing, timeout_s, asks=False)

    def query(self, message: str, *, timeout_s: float | None = None) -> str:
        """Send a message that asks, and return its one answer without terminator and outer blanks.

        Raises TimedOut, ConnectionLost, ConnectFailed (where a link out of step cannot be made whole),
        UnexpectedReply (empty, not printable ASCII, above 64 KiB), and Refused for a message that is not one
        line of printable ASCII with a question in it.
        """
        return self._exchange(message, read_text, timeout_s, asks=True)

    def query_parsed(self, message: str, parse: Callable[[str], T], *, timeout_s: float | None = None) -> T:
        """Send a message that asks, and return its answer as ``parse`` reads it.

        What does not parse is an UnexpectedReply, and the link is out of step: it may be another question's
        answer.
        """
        return self._exchange(
            message, lambda wire, limit_s: parse(read_text(wire, limit_s)), timeout_s, asks=True
        )

    def query_explained(
        self,
        message: str,
        parse: Callable[[str], T],
        *,
        timeout_s: float | None = None,
        error_question: str = ERROR_QUESTION,
    ) -> T:
        """Do what `query_parsed` does; where no answer comes, ask the error queue why: InstrumentError.

        A command error may discard the rest of its message, the question included (IEEE 488.2, 6.1.7.1.1).
        """
        try:
            return self.query_parsed(message, parse, timeout_s=timeout_s)
        except TimedOut as silence:
            entries = self._errors_after_silence(error_question)
            if not entries:
                raise
            raise self._complained(message, entries) from silence

    def query_block(
        self,
        message: str,
        *,
        timeout_s: float | None = None,
        max_bytes: int = MAX_BLOCK_BYTES,
        terminated: bool = True,
    ) -> bytes:
        """Send a message that asks for a definite-length block, and return its content.

        ``terminated`` is False for an instrument that sends no NL behind its block.
        """

        def read(wire: Wire, limit_s: float) -> bytes:
            return read_block(wire, limit_s, max_bytes=max_bytes, terminated=terminated)

        return self._exchange(message, read, timeout_s, asks=True)

    def set_and_check(self, setting: str, question: str, *, timeout_s: float | None = None) -> str:
        """Send a setting and its question in one message, ``:FREQ 1E8;:FREQ?``, and return the answer."""
        return self.query_explained(scpi.join(setting, question), str, timeout_s=timeout_s)

    def set_and_wait(self, setting: str, *, timeout_s: float) -> None:
        """Send a setting and wait, by ``*OPC?``, until it is done; ``timeout_s`` must be the longer."""
        self.query_explained(scpi.join(setting, "*OPC?"), parse_complete, timeout_s=timeout_s)

    def set_and_check_errors(
        self, setting: str, *, timeout_s: float | None = None, error_question: str = ERROR_QUESTION
    ) -> None:
        """Send a setting and read the error queue in one message; InstrumentError with all it holds."""
        message = scpi.join(setting, error_question)
        entry = self.query_explained(
            message, scpi.parse_error, timeout_s=timeout_s, error_question=error_question
        )
        if entry:
            raise self._complained(message, [entry, *self.drain_errors(error_question=error_question)])

    def drain_errors(
        self, *, error_question: str = ERROR_QUESTION, max_entries: int = scpi.MAX_ERROR_READS
    ) -> list[scpi.ErrorEntry]:
        """Empty the error queue and return its entries, at most ``max_entries``: a broken one never ends."""
        entries: list[scpi.ErrorEntry] = []
        while len(entries) < max_entries and (entry := self.query_parsed(error_question, scpi.parse_error)):
            entries.append(entry)
        return entries

    def _errors_after_silence(self, error_question: str) -> list[scpi.ErrorEntry]:
        with contextlib.suppress(InstrumentFault):
            self.resume(keep_errors=True)
            return self.drain_errors(error_question=error_question)
        return []

    def _complained(self, message: str, entries: list[scpi.ErrorEntry]) -> InstrumentFault:
        told = "; ".join(str(entry) for entry in entries)
        return self._fault(
            InstrumentError, "its error queue complains", command=message, reply=told, next_move=CHECK_COMMAND
        )
