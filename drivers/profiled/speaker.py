"""What is said to an instrument in the words of its profile, and its answers: messages, numbers, words, the error queue."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from drivers.changes import Changes
from drivers.clock import Clock
from drivers.faults import InstrumentError, InstrumentFault, NotSettled, Refused, UnexpectedReply
from drivers.link import scpi
from drivers.link.habits import habit_of
from drivers.link.link import Link
from drivers.link.number_form import NumberForm
from drivers.profiled.answers import bit_of, picked, position_of, reading_of
from drivers.profiled.profile import Command, Profile
from drivers.roles import Reading


class ProfileSpeaker:
    """One instrument on a `Link`, spoken to in the words of its `Profile`. ``clock`` is what everything that waits must ask."""

    def __init__(self, link: Link, profile: Profile, clock: Clock) -> None:
        self.name = link.name
        self.address = link.address
        self._link = link
        self._profile = profile
        self._clock = clock
        self._changes = Changes()
        self._warnings: list[str] = []
        self._without_number = 0  # readings since the error queue was last looked into: each may have left an entry that says why
        self._form = NumberForm()

    # -- orders and questions -----------------------------------------------------------------------------------------

    def _say(self, name: str, *, extra_s: float = 0.0, strict: bool = False) -> None:
        """Order something that takes no value; the error queue is asked in the same message.

        ``extra_s`` is how much longer than a plain answer it may take until it is done. ``strict`` where nothing else will tell
        whether it was done: then the instrument's own notes are complaints too.
        """
        self._checked(self._set_message(name), extra_s=extra_s, strict=strict)

    def _read_number(self, name: str) -> float:
        """Ask for a setting, which must be a number."""
        command = self._command(name)
        reply = self._link.query(command.query)
        reading = self._reading(name, reply, command.query)
        if reading.number is None:
            raise self._unexpected(f"{name} reads {reading.state.value}", command.query, reply)
        return reading.number

    def _read_switch(self, name: str) -> bool:
        command = self._command(name)
        return self._boolean(command, self._link.query(command.query), command.query)

    def _read_bit(self, name: str) -> bool:
        command = self._command(name)
        reply = self._link.query(command.query)
        try:
            return bit_of(command, reply)
        except ValueError as error:
            raise self._unexpected(str(error), command.query, reply) from error

    def _has(self, name: str) -> bool:
        return name in self._profile.commands

    def _wait_while(self, name: str, max_s: float, *, poll_s: float = 0.005) -> None:
        """Wait while the instrument's own status bit is set; NotSettled after ``max_s``."""
        deadline_s = self._clock.now_s() + max_s
        while self._read_bit(name):
            if self._clock.now_s() >= deadline_s:
                raise NotSettled(
                    f"still {name} after {max_s:g} s",
                    instrument=self.name,
                    address=self.address,
                    command=self._command(name).query,
                    next_move="Look at the instrument: an unlocked reference or an unlevelled output never settles.",
                )
            self._clock.wait_s(poll_s)

    def read_errors(self) -> list[str]:
        """Drain the instrument's error queue, at most 32 entries."""
        found: list[str] = []
        for _ in range(scpi.MAX_ERROR_READS):
            entry = self._ask_error()
            if not entry:
                break
            found.append(str(entry))
        return found

    def take_warnings(self) -> list[str]:
        """Return what its error queue held beside a setting that was confirmed all the same, and forget it."""
        taken, self._warnings = self._warnings, []
        return taken

    def ask(self, name: str) -> str:
        """Return the raw answer to the profile's query ``name``: for identification and for a person's eye.

        Where none comes, the error queue is asked why before the link is made whole: InstrumentError.
        """
        question = self._profile.commands["error"].query
        return self._link.query_explained(self._command(name).query, str, error_question=question)

    # -- the wire -------------------------------------------------------------------------------------------------

    def _command(self, name: str) -> Command:
        try:
            return self._profile.commands[name]
        except KeyError:
            raise Refused(
                f"its profile {self._profile.profile!r} has no command {name!r}",
                instrument=self.name,
                address=self.address,
                next_move=f"Add {name!r} to the profile, or take the check that needs it out of the sequence.",
            ) from None

    def _set_message(self, name: str, number: float | None = None, text: str = "") -> str:
        command = self._command(name)
        if number is None:
            return command.set.replace("{text}", text)
        if isinstance(number, int) and command.scale == 1.0 and not (command.unit or command.offset):
            written = str(int(number))  # NR1: not every relay box understands 2E+1
        else:
            try:
                written = scpi.number(self._profile.theirs(name, float(number)))
            except (ValueError, OverflowError) as error:
                raise Refused(
                    f"{name} {number!r} refused: {error}",
                    instrument=self.name,
                    address=self.address,
                    next_move="Ask for a finite number.",
                ) from error
        return command.set.replace("{number}", written)

    def _checked(self, message: str, *, extra_s: float = 0.0, strict: bool = False) -> str:
        """Send ``message`` and its error query as one message; return what came before the error entry.

        Raises InstrumentError for a negative entry: the standard's own errors. A positive one is the instrument's own remark (SCPI-1999
        volume 2, 21.8: device-dependent), such as an old zeroing: whether the setting was made is told by its read-back. ``strict``
        where there is none: then a remark is a complaint too.
        """
        question = at_root(self._profile.commands["error"].query)
        whole = f"{message};{question}"
        reply = self._link.query_explained(
            whole, str, timeout_s=self._link.timeout_s + extra_s, error_question=question
        )
        self._changes.note(self._clock.now_s())
        answer, error = _split_off_error(reply)
        try:
            entry = scpi.parse_error(error)
        except ValueError as wrong:
            raise self._unexpected(str(wrong), whole, reply) from wrong
        if entry:
            entries = [entry, *self._remaining_errors()]
            self._warnings += [str(one) for one in entries if one.is_warning]
            if not strict and all(one.is_warning for one in entries):
                return answer
            raise InstrumentError(
                f"it complains: {', then '.join(_told(entries))}",
                instrument=self.name,
                address=self.address,
                command=message,
                reply=reply,
                next_move="Compare the message with the instrument's manual and correct the profile, or the value asked for.",
            )
        return answer

    def _hear_readings(self, entries: Sequence[scpi.ErrorEntry]) -> None:
        """Take what readings left in the error queue: a positive entry is a note. Raises InstrumentError for a negative one.

        A reading that was no number may have left one that says why: as many negative ones as there were of those are notes too.
        """
        explained, self._without_number = self._without_number, 0
        negative = sum(not one.is_warning for one in entries)
        if negative <= explained:
            self._warnings += [str(one) for one in entries]
            return
        self._warnings += [str(one) for one in entries if one.is_warning]
        raise InstrumentError(
            f"it complains after its readings: {', then '.join(_told(entries))}",
            instrument=self.name,
            address=self.address,
            command=self._profile.commands["error"].query,
            reply=", ".join(map(str, entries)),
            next_move="What it read does not count. Look at its display, and in its manual for what the entry says of a reading.",
        )

    def _remaining_errors(self) -> list[scpi.ErrorEntry]:
        """Return what else the queue holds, read for one time-out at most: a unit may be keyed meanwhile."""
        told: list[scpi.ErrorEntry] = []
        until_s = self._clock.now_s() + self._link.timeout_s
        try:
            for _ in range(scpi.MAX_ERROR_READS):
                if not (entry := self._ask_error()):
                    return told
                told.append(entry)
                if self._clock.now_s() > until_s:
                    break
        except InstrumentFault:
            return told
        self._link.distrust()  # its next use clears what is left, so that no later message is blamed for it
        return told

    def _ask_error(self) -> scpi.ErrorEntry:
        query = self._profile.commands["error"].query
        reply = self._link.query(query)
        try:
            return scpi.parse_error(reply)
        except ValueError as error:
            raise self._unexpected(str(error), query, reply) from error

    def _reading(self, name: str, reply: str, message: str) -> Reading:
        command = self._command(name)
        try:
            reading = reading_of(self._profile, name, reply)
            is_cut = self._form.is_cut(picked(command, reply))
        except ValueError as error:
            raise self._unexpected(str(error), message, reply) from error
        return replace(reading, is_cut=True) if is_cut else reading

    def _picked(self, command: Command, reply: str, message: str) -> str:
        try:
            return picked(command, reply)
        except ValueError as error:
            raise self._unexpected(str(error), message, reply) from error

    def _boolean(self, command: Command, reply: str, message: str) -> bool:
        try:
            return position_of(command, reply)
        except ValueError as error:
            raise self._unexpected(str(error), message, reply) from error

    def _unexpected(self, what: str, message: str, reply: str, next_move: str = "") -> UnexpectedReply:
        self._link.distrust()  # it may have been the answer to another question
        return UnexpectedReply(
            what,
            instrument=self.name,
            address=self.address,
            command=message,
            reply=reply,
            next_move=next_move
            or habit_of(reply, message)
            or "Check that the address is this instrument's and that the profile fits it ('sequencer identify').",
        )


def _told(entries: Sequence[scpi.ErrorEntry]) -> list[str]:
    """Return the entries in words, each once; how often one came that fills the queue."""
    return [
        f"{text} ({times} times)" if times > 1 else text for text, times in Counter(map(str, entries)).items()
    ]


def at_root(message: str) -> str:
    """Return ``message`` so that it starts at the root of the command tree after a ``;`` (SCPI-1999 volume 1, 6.2.4)."""
    return message if message.startswith((":", "*")) else ":" + message


def _split_off_error(reply: str) -> tuple[str, str]:
    """Return what was answered and the error entry behind it; a ``;`` inside quotes, as error texts hold it, parts nothing."""
    *answers, error = scpi.split_outside_quotes(reply, ";")
    return ";".join(answers).strip(), error
