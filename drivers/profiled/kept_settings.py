"""What a profiled instrument was set to and read back, kept so that it can be asked for again in one message.

An instrument that restarts in the middle of a check answers on, with the settings of its reset: only reading back tells.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from drivers.clock import Clock
from drivers.faults import (
    InstrumentError,
    InstrumentFault,
    LinkFault,
    NotConfirmed,
    SettingLost,
    UnexpectedReply,
)
from drivers.frozen import dataclass
from drivers.link import scpi
from drivers.link.link import Link
from drivers.link.number_form import NumberForm
from drivers.profiled.answers import same_word
from drivers.profiled.profile import Profile
from drivers.profiled.speaker import ProfileSpeaker, at_root

LONGEST_MESSAGE = (
    400  # characters; the input buffers of small instruments are not much longer: common practice, no source
)
UNKNOWN_HEADER = re.compile(
    r"-11[0-4] *, *[\"']"
)  # SCPI-1999 volume 2, 21.8.9: errors in the command's header
KEPT_WITHIN = 1e-6  # of the figure itself: the same setting reads back as the same figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting, as it is wanted or as it read back: a number (SI units, or dBm), a word of ours, or on and off.

    ``optional``: an instrument that does not know the command has nothing there that could stand wrong.
    """

    name: str
    position: float | bool | str
    tolerance: float = 0.0
    optional: bool = False


class KeptSettings(ProfileSpeaker):
    """The settings of one instrument: made, alone or together, kept as they read back, and asked for again."""

    when_not_switched = "Remove the supply if it must not be on, then look at the instrument's front panel."
    """What is to be done next about an output that reads back otherwise than it was switched."""

    def __init__(self, link: Link, profile: Profile, clock: Clock) -> None:
        super().__init__(link, profile, clock)
        self._kept: dict[str, Setting] = {}
        self._unknown: set[str] = set()
        self._prepared_at = 0
        self._stood: dict[str, str] = {}

    def confirm_settings(self) -> None:
        """Ask again for every setting that was made. Raises SettingLost where one reads otherwise than it did.

        Asking changes nothing, so that it is done twice before a silence is a fault. The error queue is read with it: what the readings
        left there raises InstrumentError where it is an error, once all was asked for.
        """
        prepared = self._profile.prepared
        entries: list[scpi.ErrorEntry] = []
        for settings in self._in_messages(self._kept.values()):
            try:
                entries += self._ask_again(settings, prepared)
            except (LinkFault, UnexpectedReply):
                entries += self._ask_again(settings, prepared)
            prepared = ()
        self._hear_readings(entries)

    def _lost(self, what: str, message: str, reply: str) -> SettingLost:
        """Return the fault of an instrument that has lost a setting: nothing of it is known any more."""
        self._kept.clear()
        self._prepared_at = 0  # what is sent once after a reset may be gone too
        self._form = NumberForm()  # it may have written another unit's figures meanwhile
        return SettingLost(
            what,
            instrument=self.name,
            address=self.address,
            command=message,
            reply=reply,
            next_move="It may have restarted: look at its supply, its cable and its front panel.",
        )

    def forget_setting(self, *names: str) -> None:
        """Forget what was kept: the instrument may have changed it by itself."""
        for name in names:
            self._kept.pop(name, None)

    def _ask_again(self, settings: Sequence[Setting], prepared: Sequence[str]) -> list[scpi.ErrorEntry]:
        """Ask again for ``settings``; returns what the error queue held, which is empty after that."""
        questions = [*(self._command(one.name).query for one in settings), *prepared]
        message = ";".join([*map(at_root, questions), at_root(self._profile.commands["error"].query)])
        *answers, error = scpi.split_outside_quotes(self._link.query(message), ";")
        entries: list[scpi.ErrorEntry] = []
        if len(answers) == len(questions) and not scpi.is_no_error(error):
            entries = self._entries(error, message)
        if len(answers) != len(
            questions
        ):  # it does not take several questions at once, and may say so in its queue
            self._link.distrust()
            answers = [self._link.query(question) for question in questions]
        for one, answer in zip(settings, answers, strict=False):
            if not self._reads_as(one, answer, message):
                what = f"{one.name} was set to {_shown(one.position)} and reads {answer.strip()} now"
                raise self._lost(what, message, answer.strip())
        for question, answer in zip(prepared, answers[len(settings) :], strict=True):
            if (was := self._stood.get(question, answer)).strip() != answer.strip():
                what = f"{question} was answered {was.strip()} when it was opened, and {answer.strip()} now"
                raise self._lost(what, message, answer.strip())
        return entries

    def _entries(self, error: str, message: str) -> list[scpi.ErrorEntry]:
        """Return the entry that came with an answer and all behind it, so that none of them is blamed on the next setting."""
        try:
            return [scpi.parse_error(error), *self._remaining_errors()]
        except ValueError as wrong:
            raise self._unexpected(str(wrong), message, error) from wrong

    def _set(self, name: str, number: float, *, tolerance: float | tuple[float, float]) -> float:
        """Set a number, read it back in the same message; returns what the instrument made of it.

        NotConfirmed if the answer is further than ``tolerance`` (SI units) from what was asked: one for both ways, or below and above.
        """
        self.forget_setting(name)
        command = self._command(name)
        message = f"{self._set_message(name, number)};{at_root(command.query)}"
        reply = self._checked(message)
        reading = self._reading(name, reply, message)
        below, above = tolerance if isinstance(tolerance, tuple) else (tolerance, tolerance)
        # put this way round because what is no number lies within nothing
        if reading.number is None or not number - below <= reading.number <= number + above:
            raise self._not_confirmed(Setting(name=name, position=float(number)), reply, message)
        self._kept[name] = Setting(name=name, position=reading.number)
        return reading.number

    def _set_word(self, name: str, word: str) -> None:
        """Set a word of ours (translated by the profile), confirmed by read-back."""
        self.forget_setting(name)
        command = self._command(name)
        theirs = command.words.get(word, word)
        message = f"{self._set_message(name, text=theirs)};{at_root(command.query)}"
        reply = self._checked(message)
        if not same_word(self._picked(command, reply, message), theirs):
            raise NotConfirmed(
                f"{name} was set to {word} and reads back {reply}",
                instrument=self.name,
                address=self.address,
                command=message,
                reply=reply,
                next_move=f"Check that the unit has {word}, and the profile's words for {name}.",
            )
        self._kept[name] = Setting(name=name, position=word)

    def _set_switch(self, name: str, on: bool) -> None:
        """Switch on or off, confirmed by read-back in the same message."""
        self.forget_setting(name)
        command = self._command(name)
        message = f"{command.switched(on)};{at_root(command.query)}"
        reply = self._checked(message)
        if self._boolean(command, reply, message) is not on:
            raise NotConfirmed(
                f"{name} was switched {'on' if on else 'off'} and reads back {reply}",
                instrument=self.name,
                address=self.address,
                command=message,
                reply=reply,
                next_move=self.when_not_switched,
            )
        self._kept[name] = Setting(name=name, position=on)

    def _set_together(self, *settings: Setting, before: str = "") -> None:
        """Make settings and read each back, in as few messages as they take; ``before`` is sent first, in the same message.

        What the profile lacks, or the instrument does not know, is left out if it is optional.
        """
        known = [one for one in settings if not one.optional or self._knows(one.name)]
        for number, some in enumerate(self._in_messages(known, setting=True)):
            try:
                self._set_and_read(some, before if number == 0 else "")
            except InstrumentError as error:
                if not _is_unknown(error) or not any(one.optional for one in some):
                    raise
                self._set_each(some, before if number == 0 else "")

    def _set_each(self, settings: Sequence[Setting], before: str) -> None:
        for number, one in enumerate(settings):
            try:
                self._set_and_read([one], before if number == 0 else "")
            except InstrumentError as error:
                if not one.optional or not _is_unknown(error):
                    raise
                self._unknown.add(one.name)

    def _set_and_read(self, settings: Sequence[Setting], before: str) -> None:
        for one in settings:
            self._kept.pop(one.name, None)
        orders = [before] if before else []
        orders += [self._order(one) for one in settings]
        questions = [at_root(self._command(one.name).query) for one in settings]
        message = ";".join([orders[0], *map(at_root, orders[1:]), *questions])
        reply = self._checked(message)
        answers = scpi.split_outside_quotes(reply, ";")
        if len(answers) != len(settings):
            answers = [self._link.query(self._command(one.name).query) for one in settings]
        for one, answer in zip(settings, answers, strict=True):
            if not self._reads_as(one, answer, message):
                raise self._not_confirmed(one, answer.strip(), message)
            self._kept[one.name] = one

    def _not_confirmed(self, setting: Setting, reply: str, message: str) -> InstrumentFault:
        return NotConfirmed(
            f"{setting.name} was set to {_shown(setting.position)} and reads back {reply}",
            instrument=self.name,
            address=self.address,
            command=message,
            reply=reply,
            next_move=f"Check what the instrument allows for {setting.name}, and the profile's messages for it.",
        )

    def _order(self, setting: Setting) -> str:
        position = setting.position
        if isinstance(position, str):
            words = self._command(setting.name).words
            return self._set_message(setting.name, text=words.get(position, position))
        if isinstance(position, bool):
            return self._command(setting.name).switched(position)
        return self._set_message(setting.name, position)

    def _reads_as(self, setting: Setting, answer: str, message: str) -> bool:
        command, position = self._command(setting.name), setting.position
        if isinstance(position, bool):
            return self._boolean(command, answer, message) is position
        if isinstance(position, str):
            theirs = command.words.get(position, position)
            return same_word(self._picked(command, answer, message), theirs)
        number = self._reading(setting.name, answer, message).number
        within = max(setting.tolerance, KEPT_WITHIN * abs(position))
        return number is not None and abs(number - position) <= within

    def _knows(self, name: str) -> bool:
        command = self._profile.commands.get(name)
        return command is not None and bool(command.set and command.query) and name not in self._unknown

    def _in_messages(self, settings: Iterable[Setting], *, setting: bool = False) -> Iterator[list[Setting]]:
        some: list[Setting] = []
        length = 0
        for one in settings:
            command = self._command(one.name)
            further = len(command.query) + 2 + (len(command.set) + 14 if setting else 0)
            if some and length + further > LONGEST_MESSAGE:
                yield some
                some, length = [], 0
            some.append(one)
            length += further
        if some:
            yield some


def _is_unknown(error: InstrumentError) -> bool:
    return UNKNOWN_HEADER.search(f"{error.what}\n{error.reply}") is not None


def _shown(position: float | bool | str) -> str:
    if isinstance(position, bool):
        return "on" if position else "off"
    return position if isinstance(position, str) else f"{position:g}"
