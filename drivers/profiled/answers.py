"""What an answer means by a profile: a reading, a switch position, a word. Pure; each raises ValueError for what does not fit."""

from __future__ import annotations

import re

from drivers.link import scpi
from drivers.profiled.commands import commands_of
from drivers.profiled.conversion import SWITCH
from drivers.profiled.profile import Command, Profile
from drivers.roles import RangeState, Reading


def picked(command: Command, reply: str) -> str:
    """Return what the profile's ``pattern`` picks out of an answer; all of it where there is none."""
    if not command.pattern:
        return reply.strip()
    match = re.search(command.pattern, reply)
    if match is None or match.group(1) is None:
        raise ValueError(f"the answer does not match {command.pattern!r}")
    return match.group(1).strip()


def reading_of(profile: Profile, name: str, reply: str) -> Reading:
    """Return an answer as a reading in the unit that drivers speak.

    No power, or a little less than none (a meter that answers in watts shows its own noise), is below its range.
    """
    shown = scpi.parse_reading(picked(profile.commands[name], reply))
    if shown.number is None:  # a special value is not scaled: it is no number
        return Reading(number=None, state=shown.state, raw=reply)
    try:
        return Reading(number=profile.ours(name, shown.number), raw=reply)
    except ValueError:
        return Reading(number=None, state=RangeState.UNDER_RANGE, raw=reply)


def position_of(command: Command, reply: str) -> bool:
    """Return whether an answer says on: the profile's words, 1 and 0, ON and OFF."""
    answer = picked(command, reply)
    for word, on in ((command.on, True), (command.off, False)):
        if word and same_word(answer, word):
            return on
    return scpi.parse_boolean(answer)


def bit_of(command: Command, reply: str) -> bool:
    """Return the profile's bit of a register."""
    return bool(scpi.parse_integer(picked(command, reply)) >> (command.bit or 0) & 1)


def same_word(one: str, other: str) -> bool:
    """Say whether two words are alike: case and quotes do not count."""
    return _bare(one) == _bare(other)


def meaning_of(profile: Profile, name: str, reply: str) -> str:
    """Return what drivers take an answer for, for a person's eye: ``-107 dBm``, ``off``, ``FM``, ``over range``."""
    command, spec = profile.commands[name], commands_of(profile.role)[name]
    if command.bit is not None:
        return "1" if bit_of(command, reply) else "0"
    if spec.unit == SWITCH:
        return "on" if position_of(command, reply) else "off"
    if spec.place == "text":
        return next(
            (ours for ours, theirs in command.words.items() if same_word(theirs, picked(command, reply))),
            _bare(picked(command, reply)),
        )
    reading = reading_of(profile, name, reply)
    if reading.number is None:
        return reading.state.value
    return f"{reading.number:.10g} {spec.unit}".strip()


def _bare(word: str) -> str:
    return word.strip().strip("\"'").upper()
