"""Lets a simulated instrument speak the words of a user's profile, so that a dry run proves that profile too.

The simulated instruments speak the shipped profiles. What comes in the words of another profile is put into theirs, command
by command, and what they answer goes back in the other profile's unit, words and pattern. What stands in no line of the profile is
passed on as it is: the instrument complains of it as a real one would.

Does not model: what an instrument of that make does otherwise than by its profile (its ranges, its rounding, its speed).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence

from drivers.link import scpi
from drivers.profiled.commands import commands_of
from drivers.profiled.conversion import SWITCH
from drivers.profiled.profile import Command, Profile
from sequencer.bench.pattern import answer_that_fits
from sequencer.frozen import dataclass

_AS_IT_IS = ("identity", "error", "recorded_audio", "recorded_baseband")
STANDS = (
    "*OPC?"  # asked for where it has no word for what another make's profile asks: always the same answer
)
SHOWN_DECIMALS = 11  # of 12 digits, as `Profile.theirs` keeps them


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """One message of the profile: which command it is (none for one of the preparation), and whether it asks."""

    name: str
    asks: bool
    fits: re.Pattern[str]
    prepared: str = ""
    """What stands for a message of the preparation, which is no command."""


class Translation:
    """Between a user's profile and the one that the simulated instrument speaks (see `sim.scpi.device.Language`)."""

    def __init__(self, theirs: Profile, spoken: Profile) -> None:
        self._theirs = theirs
        self._spoken = spoken
        self._specs = commands_of(theirs.role)
        self._lines = tuple(self._all_lines())

    def hear(self, message: bytes) -> tuple[bytes, Callable[[Sequence[str]], Sequence[str]]]:
        """Return ``message`` in the words of the simulated instrument, and what turns its answers back."""
        text = message.decode("latin-1").strip()
        said: list[str] = []
        asked: list[str] = []
        place = 0
        while place < len(text):
            unit, asks, place = self._next(text, place)
            said += [unit] if unit else []
            asked += [asks] if asks is not None else []

        def answer(answers: Sequence[str]) -> Sequence[str]:
            names = [*asked, *[""] * len(answers)]
            return [
                self._answered(name, one) if name else one for name, one in zip(names, answers, strict=False)
            ]

        return ";".join(said).encode("latin-1"), answer

    def _all_lines(self) -> Iterator[_Line]:
        for name, command in self._theirs.commands.items():
            if name not in self._spoken.commands:
                continue
            if command.query:
                yield _Line(name=name, asks=True, fits=_template(command.query))
            if command.set:
                yield _Line(name=name, asks=False, fits=_template(command.set))
        for message in self._theirs.prepare:
            known = message if message in self._spoken.prepare else ""
            yield _Line(name="", asks=False, fits=_template(message), prepared=known)
        for message in self._theirs.prepared:
            known = message if message in self._spoken.prepared else STANDS
            yield _Line(name="", asks=True, fits=_template(message), prepared=known)

    def _next(self, text: str, place: int) -> tuple[str, str | None, int]:
        """Return the next unit of ``text`` in the instrument's words, which command it asks for, and where it ends."""
        found = [(match, line) for line in self._lines if (match := line.fits.match(text, place))]
        if found:
            match, line = max(found, key=lambda each: each[0].end() - len("".join(each[0].groups())))
            if line.asks and not line.name:
                return line.prepared, "", match.end() + 1
            if line.asks:
                return self._spoken.commands[line.name].query, line.name, match.end() + 1
            unit = self._told(line.name, match) if line.name else line.prepared
            return unit, None, match.end() + 1
        first = scpi.split_outside_quotes(text[place:], ";")[0]
        return first, "" if scpi.asks(first) else None, place + len(first) + 1

    def _told(self, name: str, match: re.Match[str]) -> str:
        spoken = self._spoken.commands[name]
        if (
            name == "reset"
        ):  # the simulated instrument's own words must hold whatever the profile's preparation says
            return ";".join((spoken.set, *self._spoken.prepare))
        if not match.groups():
            return spoken.set
        given, command, spec = match.group(1).strip(), self._theirs.commands[name], self._specs[name]
        if spec.place == "text":
            ours = _key_of(given, command)
            return spoken.set.replace("{text}", spoken.words.get(ours, ours))
        if spec.unit == SWITCH:
            return spoken.set.replace("{number}", self._switched(given, command))
        try:
            ours_is = self._theirs.ours(name, scpi.parse_number(given))
            told = scpi.number(self._spoken.theirs(name, ours_is))
        except ValueError:
            told = given
        return spoken.set.replace("{number}", told)

    @staticmethod
    def _switched(given: str, command: Command) -> str:
        for word, position in ((command.on, "1"), (command.off, "0")):
            if word and given.upper() == word.upper():
                return position
        return given

    def _answered(self, name: str, answer: str) -> str:
        if name in _AS_IT_IS:
            return answer
        command, spec = self._theirs.commands[name], self._specs[name]
        try:
            if command.bit is not None:
                value = str(self._bit(name, answer) << command.bit)
            elif spec.place == "text":
                ours = _key_of(answer.strip("\"'"), self._spoken.commands[name])
                value = command.words.get(ours, ours)
            elif spec.unit == SWITCH:
                on = scpi.parse_boolean(answer)
                value = (command.on if on else command.off) or answer
            else:
                value = self._number(name, command, answer)
        except ValueError:
            return answer
        return answer_that_fits(command.pattern, value)

    def _bit(self, name: str, answer: str) -> int:
        return scpi.parse_integer(answer) >> (self._spoken.commands[name].bit or 0) & 1

    def _number(self, name: str, command: Command, answer: str) -> str:
        reading = scpi.parse_reading(answer)
        if reading.number is None or not (command.unit or command.offset or command.scale != 1.0):
            return answer
        # in the form in which the instrument writes what is not reworded: one of another form would be an answer cut short
        return f"{self._theirs.theirs(name, self._spoken.ours(name, reading.number)):.{SHOWN_DECIMALS}E}"


def _template(message: str) -> re.Pattern[str]:
    """Return the expression that a message of the template fits; the driver may put a colon before it (SCPI-1999 volume 1, 6.2.4)."""
    parts = re.split(r"(\{number\}|\{text\})", message.strip())
    inner = "".join("([^;]*?)" if part in ("{number}", "{text}") else re.escape(part) for part in parts)
    return re.compile(f":?{inner}(?=;|$)")


def _key_of(word: str, command: Command) -> str:
    """Return our word for one of the instrument's."""
    for ours, theirs in command.words.items():
        if theirs.upper() == word.upper():
            return ours
    return word
