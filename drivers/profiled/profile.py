"""Command profiles: what one make of instrument calls the things its role can do.

A profile is data. The tables of `drivers.profiled.commands` fix which commands a role has, what each carries and whether asking
is harmless; a `Profile` says how each is written for one instrument. The engine's file reader fills these values from YAML, so that a
profile gets the same complaints (file:line:column) as every other file a person writes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import field

from drivers.frozen import dataclass
from drivers.link.scpi import asks
from drivers.profiled.commands import ROLE_COMMANDS, CommandSpec, commands_of
from drivers.profiled.conversion import SWITCH, conversion, units_for

ProfileFault = tuple[tuple[str | int, ...], str, str]
"""Path in the file, what was found, what is allowed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """How one thing is set or asked.

    ``set`` and ``query`` are message templates. ``{text}`` stands for a word, ``{number}`` for the value in the unit that drivers
    speak (SI, dBm, dB, percent), converted to ``unit`` where one is named, times ``scale``, plus ``offset``, written in NR3. An answer
    is read the same way backwards. ``on`` and ``off`` are what a switch is told and answers where that is not 1 and 0.
    ``pattern`` picks the number out of an answer that carries more (one group); ``bit`` picks one bit of a register.
    ``words`` says what the instrument calls each word of ours (``FM: FMOD``). ``departs`` says in words where the command is
    not the standard's that the profile names; nothing is done with it but to show it.
    """

    set: str = ""
    query: str = ""
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    on: str = ""
    off: str = ""
    pattern: str = ""
    bit: int | None = None
    words: Mapping[str, str] = field(default_factory=dict)
    departs: str = ""

    def switched(self, on: bool) -> str:
        """Return the message that switches on or off."""
        word = self.on if on else self.off
        return self.set.replace("{number}", word or ("1" if on else "0"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What one make of instrument calls the commands of one role.

    ``like`` names the profile whose lines hold where this one says nothing; ``lacks`` the commands that the instrument has not. Both are
    dissolved when the file is read: ``commands`` is then complete, without those that are lacking. ``prepared`` asks for what ``prepare``
    has set: an instrument that answers otherwise later has restarted.
    """

    profile: str
    role: str
    source: str = ""
    like: str = ""
    commands: Mapping[str, Command] = field(default_factory=dict)
    prepare: tuple[str, ...] = ()
    prepared: tuple[str, ...] = ()
    lacks: tuple[str, ...] = ()

    def theirs(self, name: str, number: float) -> float:
        """Return ``number`` as the instrument is told it. Raises ValueError for what its unit cannot express."""
        command = self.commands[name]
        if not (command.unit or command.offset):
            return number * command.scale
        told = conversion(self._unit(name), command.unit).to_theirs(number) * command.scale + command.offset
        return float(f"{told:.12g}")  # a conversion's last digits say nothing

    def ours(self, name: str, number: float) -> float:
        """Return the number of an answer in the unit that drivers speak. Raises ValueError for what has none: 0 W has no dBm."""
        command = self.commands[name]
        return conversion(self._unit(name), command.unit).to_ours((number - command.offset) / command.scale)

    def _unit(self, name: str) -> str:
        return commands_of(self.role)[name].unit


def find_faults(profile: Profile) -> Iterator[ProfileFault]:
    """Yield what is wrong with ``profile``: path in the file, what was found, what is allowed."""
    if profile.role not in ROLE_COMMANDS:
        yield ("role",), f"unknown role {profile.role!r}", "one of " + ", ".join(ROLE_COMMANDS)
        return
    if not (profile.source or profile.like):
        yield (), "'source' is missing", "where its words come from, such as a handbook and its chapter"
    allowed = commands_of(profile.role)
    for name, command in profile.commands.items():
        if name not in allowed:
            yield ("commands", name), f"unknown command {name!r}", "one of " + ", ".join(allowed)
        else:
            yield from _faults_of(name, command, allowed[name])
    for name, spec in allowed.items():
        if spec.needed and name not in profile.commands and name not in profile.lacks:
            yield (
                ("commands",),
                f"command {name!r} is missing ({spec.meaning})",
                "every command its role needs"
                + ("" if spec.essential else f"; or 'lacks: [{name}]' for an instrument that has none"),
            )
    yield from _lacking(profile, allowed)
    for index, message in enumerate(profile.prepare):
        for found, fit in _message_faults(message, place=""):
            yield ("prepare", index), found, fit
    for index, message in enumerate(profile.prepared):
        for found, fit in _message_faults(message, place=""):
            yield ("prepared", index), found, fit
        if not asks(message):
            yield ("prepared", index), f"template {message!r} asks nothing", "a message with a '?'"


def _lacking(profile: Profile, allowed: Mapping[str, CommandSpec]) -> Iterator[ProfileFault]:
    can_lack = "one of " + ", ".join(name for name, spec in allowed.items() if not spec.essential)
    for index, name in enumerate(profile.lacks):
        if name not in allowed:
            yield ("lacks", index), f"unknown command {name!r}", can_lack
        elif allowed[name].essential:
            yield (
                ("lacks", index),
                f"no {profile.role} can lack {name!r} ({allowed[name].meaning})",
                can_lack,
            )


def _faults_of(name: str, command: Command, spec: CommandSpec) -> Iterator[ProfileFault]:
    at = ("commands", name)
    if spec.set and not command.set:
        yield at, f"command {name!r} has no 'set' message", "a message that sets: " + spec.meaning
    if spec.query and not command.query:
        yield at, f"command {name!r} has no 'query' message", "a message that asks: " + spec.meaning
    if command.set:
        for found, fit in _message_faults(command.set, place=spec.place):
            yield (*at, "set"), found, fit
        if asks(command.set) and (spec.query or name == "clear"):
            yield (*at, "set"), f"template {command.set!r} asks", "a message without a question: 'query' asks"
    if command.query:
        for found, fit in _message_faults(command.query, place=""):
            yield (*at, "query"), found, fit
        if not asks(command.query):
            yield (*at, "query"), f"template {command.query!r} asks nothing", "a message with a '?'"
    yield from _reading_faults(at, command)
    yield from _unit_faults(at, command, spec)


def _unit_faults(at: tuple[str, ...], command: Command, spec: CommandSpec) -> Iterator[ProfileFault]:
    if not math.isfinite(command.offset):
        yield (*at, "offset"), f"offset is {command.offset:g}", "a finite number in the instrument's own unit"
    if command.unit and command.unit not in units_for(spec.unit):
        fitting = units_for(spec.unit)
        yield (
            (*at, "unit"),
            f"unit {command.unit!r} does not fit: {spec.meaning}",
            "one of " + ", ".join(fitting) if fitting else "no 'unit': this is not a number with a unit",
        )
    if spec.unit == SWITCH:
        if bool(command.on) != bool(command.off) or (command.on and _same(command.on, command.off)):
            yield (
                (*at, "on" if command.on else "off"),
                f"on is {command.on!r} and off is {command.off!r}",
                'two different words, such as \'on: "ON", off: "OFF"\', or neither for 1 and 0',
            )
        if command.unit == "" and command.offset:
            yield (*at, "offset"), "a switch has no offset", "'on' and 'off' with the instrument's words"
    elif command.on or command.off:
        yield (
            (*at, "on" if command.on else "off"),
            f"command {at[-1]!r} is not a switch: {spec.meaning}",
            "'on' and 'off' with what is switched on or off",
        )


def _same(one: str, other: str) -> bool:
    return one.strip().upper() == other.strip().upper()


def _reading_faults(at: tuple[str, ...], command: Command) -> Iterator[ProfileFault]:
    if command.scale == 0 or not math.isfinite(command.scale):
        yield (
            (*at, "scale"),
            f"scale is {command.scale:g}",
            "the factor from SI units to the instrument's own, finite and not 0",
        )
    if command.bit is not None and not 0 <= command.bit <= 15:
        yield (*at, "bit"), f"bit is {command.bit}", "0 to 15, the bits of a status register"
    try:
        groups = re.compile(command.pattern).groups
    except re.error as error:
        yield (
            (*at, "pattern"),
            f"pattern is not a regular expression: {error}",
            "a regular expression with one group",
        )
    else:
        if command.pattern and groups != 1:
            yield (*at, "pattern"), f"pattern has {groups} groups", "exactly one group around the number"


def _message_faults(message: str, *, place: str) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with one message: what was found, what is allowed."""
    fitting = f"one place for a value, {{{place}}}" if place else "no braces: nothing is put in here"
    if not message.strip():
        yield f"template {message!r} is empty", "a message"
    if not (message.isascii() and message.isprintable()):
        yield f"template {message!r} holds a control or non-ASCII character", "one line of printable ASCII"
    for inside in re.findall(r"\{([^{}]*)\}", message):
        if inside != place or not place:
            yield f"template {message!r} has a place for {inside!r}", fitting
    if {"{", "}"} & set(re.sub(r"\{[^{}]*\}", "", message)):
        yield f"template {message!r} has an unmatched brace", fitting
    if place and f"{{{place}}}" not in message:
        yield f"template {message!r} has no place for the value", fitting
