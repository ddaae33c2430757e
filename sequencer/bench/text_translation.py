"""Lets the simulated radio that takes lines of text speak the lines of a user's profile, so that a dry run proves that profile too.

It speaks the shipped profile `hollinbrook-line`. A line of another profile is put into its words, and what it answers goes back in the
form that the other profile's reply, pattern or refusal expects. What stands in no line of the profile is passed on as it is.

Does not model: what a radio of that make does otherwise than by its profile.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from functools import partial

from drivers.text.profile import TextCommand, TextProfile
from sequencer.bench.pattern import answer_that_fits, text_that_fits
from sequencer.frozen import dataclass

Answered = Callable[[str], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    name: str
    asks: bool
    fits: re.Pattern[str]


class TextTranslation:
    """Between a user's profile of text lines and the one that the simulated radio speaks."""

    def __init__(self, theirs: TextProfile, spoken: TextProfile) -> None:
        self._theirs = theirs
        self._spoken = spoken
        self._lines = tuple(self._all_lines())

    def hear(self, line: str) -> tuple[str, Answered]:
        """Return ``line`` in the words of the simulated radio, and what turns its answer back."""
        for one in self._lines:
            match = one.fits.fullmatch(line.strip())
            if match is not None:
                return self._told(one, match.groupdict()), partial(self._answered, one)
        return line, self._refused

    def _all_lines(self) -> Iterator[_Line]:
        for name, command in self._theirs.commands.items():
            if name not in self._spoken.commands:
                continue
            if command.query:
                yield _Line(name=name, asks=True, fits=_template(command.query))
            if (
                command.set and name == "key"
            ):  # its words may stand anywhere in the line, and be the whole of it
                for on in (True, False):
                    yield _Line(name=f"key {int(on)}", asks=False, fits=_template(command.switched(on)))
            elif command.set:
                yield _Line(name=name, asks=False, fits=_template(command.set))

    def _told(self, one: _Line, given: Mapping[str, str]) -> str:
        if one.name.startswith("key "):
            return self._spoken.commands["key"].switched(one.name == "key 1")
        spoken, command = self._spoken.commands[one.name], self._theirs.commands[one.name]
        text, number = given.get("text", ""), given.get("number", "")
        if one.name == "mode":
            ours = _ours(text, command)
            text = spoken.words.get(ours, ours)
        if number.isdigit():
            number = f"{int(number):0{spoken.digits}d}"
        told = spoken.query if one.asks else spoken.set
        return told.replace("{text}", text).replace("{number}", number)

    def _answered(self, one: _Line, said: str) -> str:
        name = one.name.split(" ")[0]
        command, spoken = self._theirs.commands[name], self._spoken.commands[name]
        if not one.asks:
            if re.search(spoken.reply, said) is None:
                return self._refused(said)
            return text_that_fits(command.reply) if command.reply else ""
        match = re.search(spoken.pattern, said)
        if match is None:
            return self._refused(said)
        value = match.group(1)
        if name in ("mode", "key"):
            ours = _ours(value, spoken)
            value = command.words.get(ours, ours)
        elif name == "channel":
            value = f"{int(value):0{command.digits}d}"
        return answer_that_fits(command.pattern, value)

    def _refused(self, said: str) -> str:
        if not said or not self._theirs.refusal:
            return said
        match = re.search(self._spoken.refusal, said)
        reason = match.group(1) if match is not None else said
        return text_that_fits(self._theirs.refusal, reason)


def _template(line: str) -> re.Pattern[str]:
    parts = re.split(r"(\{number\}|\{text\})", line.strip())
    places = {"{number}": r"(?P<number>-?\d+)", "{text}": r"(?P<text>.+?)"}
    return re.compile("".join(places.get(part) or re.escape(part) for part in parts))


def _ours(word: str, command: TextCommand) -> str:
    return next((ours for ours, theirs in command.words.items() if theirs == word), word)
