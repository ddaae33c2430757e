"""Command profiles: what one make of instrument calls the things its role can do.

A profile is data. `CommandSpec` tables here fix which commands a role has, what each carries and whether asking is
harmless; a `Profile` says how each is written for one instrument. The engine's file reader fills these values from YAML, so that a
profile gets the same complaints (file:line:column) as every other file a person writes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from drivers.link.scpi import asks

ProfileFault = tuple[tuple[str | int, ...], str, str]
"""Path in the file, what was found, what is allowed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """How one thing is set or asked.

    ``set`` and ``query`` are message templates; ``{number}`` stands for the value in SI units (or dBm, dB, percent)
    times ``scale``, written in NR3; ``{text}`` for a word. The answer is divided by ``scale``.
    ``pattern`` picks the number out of an answer that carries more (one group); ``bit`` picks one bit of a register.
    ``words`` says what the instrument calls each word of ours (``FM: FMOD``). ``departs`` says in words where the command is
    not the standard's that the profile names; nothing is done with it but to show it.
    """

    set: str = ""
    query: str = ""
    scale: float = 1.0
    pattern: str = ""
    bit: int | None = None
    words: Mapping[str, str] = field(default_factory=dict)
    departs: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandSpec:
    """What a role expects of one command: whether it must be settable, askable, and whether asking changes nothing."""

    meaning: str
    set: bool = False
    query: bool = False
    needed: bool = True
    harmless: bool = False
    place: str = ""
    """What its 'set' message must have a place for: "number", "text", or nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What one make of instrument calls the commands of one role."""

    profile: str
    role: str
    source: str
    commands: Mapping[str, Command]
    prepare: tuple[str, ...] = ()


def _both(meaning: str, *, needed: bool = True, place: str = "number") -> CommandSpec:
    return CommandSpec(meaning=meaning, set=True, query=True, harmless=True, needed=needed, place=place)


def _set(meaning: str, *, needed: bool = True) -> CommandSpec:
    return CommandSpec(meaning=meaning, set=True, needed=needed)


def _ask(meaning: str, *, needed: bool = True, harmless: bool = True) -> CommandSpec:
    return CommandSpec(meaning=meaning, query=True, needed=needed, harmless=harmless)


COMMON: Mapping[str, CommandSpec] = {
    "identity": _ask("who it is, IEEE 488.2"),
    "reset": _set("bring it to its known state"),
    "clear": _set("clear status and error queue"),
    "error": _ask("next entry of the error queue"),
    "complete": _ask("1 when all that was asked is done", needed=False),
}

_RECORDING: Mapping[str, CommandSpec] = {
    "recording_points": _both("samples of a recording", needed=False),
    "recording_interval": _both("time from sample to sample, s", needed=False),
    "record": _set("record now", needed=False),
    "recorded_audio": _ask("recorded audio, a block of REAL,32", needed=False, harmless=False),
}

ROLE_COMMANDS: Mapping[str, Mapping[str, CommandSpec]] = {
    "signal_generator": {
        "frequency": _both("carrier frequency, Hz"),
        "level": _both("level at its connector, dBm into 50 ohm"),
        "output": _both("RF output on or off"),
        "modulation_off": _set("no modulation at all"),
        "fm_deviation": _both("peak deviation, Hz"),
        "fm_tone": _both("modulating tone, Hz"),
        "fm_state": _both("FM on or off"),
        "am_depth": _both("depth, percent"),
        "am_tone": _both("modulating tone, Hz"),
        "am_state": _both("AM on or off"),
        "settling": _ask("1 while level or frequency still move", needed=False),
    },
    "power_meter": {
        "correction_frequency": _both("carrier frequency the sensor is corrected for, Hz"),
        "power": _ask("average power, dBm", harmless=False),
        "peak_power": _ask("peak envelope power, dBm", needed=False, harmless=False),
        "zero": _set("zero the sensor, RF off", needed=False),
    },
    "modulation_analyser": {
        "tune": _both("carrier to expect, Hz"),
        "carrier_frequency": _ask("measured carrier frequency, Hz", harmless=False),
        "deviation_positive": _ask("positive peak deviation, Hz", harmless=False),
        "deviation_negative": _ask("negative peak deviation, Hz", harmless=False),
        "deviation_rms": _ask("rms deviation, Hz", needed=False, harmless=False),
        "depth_positive": _ask("positive peak AM depth, percent", needed=False, harmless=False),
        "depth_negative": _ask("negative peak AM depth, percent", needed=False, harmless=False),
        "depth_rms": _ask("rms AM depth, percent", needed=False, harmless=False),
        "demodulator": _both(
            "what demodulated audio comes from: FM, AM, USB, LSB", needed=False, place="text"
        ),
        "high_pass": _both("audio high-pass on or off", needed=False),
        "high_pass_frequency": _both("corner of the audio high-pass, Hz", needed=False),
        "low_pass": _both("audio low-pass on or off", needed=False),
        "low_pass_frequency": _both("corner of the audio low-pass, Hz", needed=False),
        "deemphasis": _both("de-emphasis on or off", needed=False),
        "deemphasis_time": _both("time constant of the de-emphasis, s", needed=False),
        "distortion": _ask(
            "distortion and noise of demodulated audio, percent", needed=False, harmless=False
        ),
        "audio_frequency": _ask("frequency of the demodulated tone, Hz", needed=False, harmless=False),
        "selective_bandwidth": _both("bandwidth of a selective level, Hz", needed=False),
        "selective_level": _ask("level at the frequency tuned to, dBm", needed=False, harmless=False),
        **_RECORDING,
        "recorded_baseband": _ask("recorded I and Q, a block of REAL,32", needed=False, harmless=False),
    },
    "audio_analyser": {
        "source_tone": _both("tone of the audio source, Hz"),
        "source_level": _both("level of the audio source, V rms"),
        "source_output": _both("audio source on or off"),
        "reading_time": _both("time one reading takes, s", needed=False),
        "sinad": _ask("SINAD, dB", harmless=False),
        "level": _ask("audio level, V rms", harmless=False),
        "second_tone": _both("second tone of the audio source, Hz", needed=False),
        "second_level": _both("level of the second tone, V rms", needed=False),
        "psophometric": _both("ITU-T O.41 weighting on or off", needed=False),
        "c_message": _both("C-message weighting on or off", needed=False),
        "notch": _both("frequency the SINAD and distortion readings take out, Hz", needed=False),
        "distortion": _ask("distortion and noise, percent", needed=False, harmless=False),
        "audio_frequency": _ask("frequency of the tone, Hz", needed=False, harmless=False),
        **_RECORDING,
    },
    "voltmeter": {
        "reading_time": _both("time one reading takes, s", needed=False),
        "voltage": _ask("DC voltage, V", harmless=False),
    },
    "supply": {
        "voltage": _both("voltage, V"),
        "current_limit": _both("current limit, A"),
        "output": _both("output on or off"),
        "measured_voltage": _ask("voltage at the terminals, V"),
        "measured_current": _ask("current delivered, A"),
    },
    "switch": {
        "connect_receive": _set("unit's connector to the generator"),
        "connect_transmit": _set("unit's connector to load and meters"),
        "receive_closed": _ask("1 when the unit is on the generator"),
        "transmit_closed": _ask("1 when the unit is on load and meters"),
    },
    "radio": {
        "channel": _both("channel number"),
        "mode": _both("emission: FM, AM, USB, LSB, CW", place="text"),
        "key": _both("push-to-talk closed or open"),
    },
}


def commands_of(role: str) -> Mapping[str, CommandSpec]:
    """Return every command a profile of ``role`` may state, by name. KeyError for an unknown role."""
    return {**COMMON, **ROLE_COMMANDS[role]}


def find_faults(profile: Profile) -> Iterator[ProfileFault]:
    """Yield what is wrong with ``profile``: path in the file, what was found, what is allowed."""
    if profile.role not in ROLE_COMMANDS:
        yield ("role",), f"unknown role {profile.role!r}", "one of " + ", ".join(ROLE_COMMANDS)
        return
    allowed = commands_of(profile.role)
    for name, command in profile.commands.items():
        if name not in allowed:
            yield ("commands", name), f"unknown command {name!r}", "one of " + ", ".join(allowed)
        else:
            yield from _faults_of(name, command, allowed[name])
    for name, spec in allowed.items():
        if spec.needed and name not in profile.commands:
            yield (
                ("commands",),
                f"command {name!r} is missing ({spec.meaning})",
                "every command its role needs",
            )
    for index, message in enumerate(profile.prepare):
        for found, fit in _message_faults(message, place=""):
            yield ("prepare", index), found, fit


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
