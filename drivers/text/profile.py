"""Profiles of radios that are controlled by lines of text: templates and reply patterns, as data.

    profile: example
    role: radio
    source: the maker's handbook, page 12
    baud: 9600
    sends: CR                 # what ends a line we send
    answers: CR               # what ends a line it answers
    refusal: "^NO (.*)$"      # what it answers to what it will not do
    commands:
      channel: {set: "CH={number}", digits: 3, reply: "^OK$", query: "CH?", pattern: "^CH=(.*)$"}
      mode: {set: "MD={text}", words: {FM: F, AM: A}, reply: "^OK$", query: "MD?", pattern: "^MD=(.*)$"}
      preset: {set: "PS {text}={number}", reply: "^OK$", query: "PS {text}?", pattern: "^PS .*=(-?\\d+)$"}
      key: {set: "TX={text}", words: {on: "1", off: "0"}, reply: "^OK$", query: "TX?", pattern: "^TX=(.*)$"}

A command without ``reply`` is not answered when it sets; one without ``query`` cannot be read back.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterator, Mapping
from dataclasses import field
from typing import Literal

from drivers.frozen import dataclass

LineEnd = Literal["CR", "LF", "CR LF", "semicolon"]
ENDS: Mapping[str, bytes] = {"CR": b"\r", "LF": b"\n", "CR LF": b"\r\n", "semicolon": b";"}


@dataclass(frozen=True, slots=True, kw_only=True)
class TextCommand:
    """How one thing is set and asked. ``{number}`` (at least ``digits`` long, with zeros) or ``{text}`` stands for its value.

    ``reply`` is a regular expression of what answers a setting, empty where nothing does; ``pattern`` (one group) picks the
    value out of the answer to ``query``. ``words`` says what the radio calls each word of ours.
    """

    set: str = ""
    query: str = ""
    reply: str = ""
    pattern: str = ""
    digits: int = 0
    words: Mapping[str, str] = field(default_factory=dict)

    def switched(self, on: bool) -> str:
        """Return the line that switches on or off."""
        word = "on" if on else "off"
        return self.set.replace("{text}", self.words.get(word, word))


@dataclass(frozen=True, slots=True, kw_only=True)
class TextProfile:
    """What one make of radio understands as lines of text. ``echo``: it repeats what it is sent before it answers.

    ``pause_s`` is left after a line it does not answer.
    """

    profile: str
    role: str
    source: str
    commands: Mapping[str, TextCommand]
    baud: int = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    sends: LineEnd = "CR"
    answers: LineEnd = "CR"
    echo: bool = False
    refusal: str = ""
    pause_s: float = 0.0


KEY_WORDS = ("on", "off")
MEANINGS: Mapping[str, str] = {
    "identity": "who it is",
    "channel": "channel number",
    "mode": "emission: FM, AM, USB, LSB, CW",
    "preset": "a setting of the radio, by its name {text}; a whole number",
    "key": "push-to-talk, words on and off; not needed where the bench file says ptt: rts or dtr",
}


def find_text_faults(profile: TextProfile) -> Iterator[tuple[tuple[str, ...], str, str]]:
    """Yield what is wrong with ``profile``: path in the file, what was found, what is allowed."""
    if profile.role != "radio":
        yield ("role",), f"a profile of text lines for a {profile.role!r}", "radio"
    if not 50 <= profile.baud <= 4_000_000:
        yield ("baud",), f"{profile.baud} baud", "50 to 4000000"
    if not 0.0 <= profile.pause_s <= 5.0:
        yield ("pause",), f"a pause of {profile.pause_s:g} s", "0 s to 5 s"
    yield from _pattern_faults(("refusal",), profile.refusal, groups=(0, 1))
    for name, command in profile.commands.items():
        if name not in MEANINGS:
            yield ("commands", name), f"unknown command {name!r}", "one of " + ", ".join(MEANINGS)
        else:
            yield from _command_faults(name, command)
    if not any(command.query for command in profile.commands.values()):
        yield ("commands",), "nothing can be asked, so that nothing proves the line", "at least one 'query'"


def _command_faults(name: str, command: TextCommand) -> Iterator[tuple[tuple[str, ...], str, str]]:
    at = ("commands", name)
    places = {
        "channel": {"number"},
        "mode": {"text"},
        "key": {"text"},
        "identity": set[str](),
        "preset": {"text", "number"},
    }[name]
    asked = {"text"} if name == "preset" else set[str]()
    if name != "identity" and not command.set:
        yield at, f"command {name!r} has no 'set' line", "a line that sets: " + MEANINGS[name]
    if name != "identity" and not command.query and not command.reply:
        yield (
            at,
            f"command {name!r} is neither answered nor can be asked",
            "a 'reply', or a 'query' with a 'pattern'",
        )
    if command.query and not command.pattern:
        yield (
            at,
            f"command {name!r} asks and has no 'pattern' for the answer",
            "a regular expression with one group",
        )
    for key, template, expected in (("set", command.set, places), ("query", command.query, asked)):
        yield from _template_faults((*at, key), template, expected)
    yield from _pattern_faults((*at, "pattern"), command.pattern, groups=(1, 1))
    yield from _pattern_faults((*at, "reply"), command.reply, groups=(0, 9))
    if not 0 <= command.digits <= 12:
        yield (*at, "digits"), f"{command.digits} digits", "0 to 12"
    if name == "key" and set(command.words) != set(KEY_WORDS):
        yield (
            at,
            "the words of 'key' (push-to-talk) are not on and off",
            'words: {on: "1", off: "0"}, as the radio calls them',
        )


def _template_faults(
    at: tuple[str, ...], template: str, expected: set[str]
) -> Iterator[tuple[tuple[str, ...], str, str]]:
    if not template.isascii() or not template.isprintable():
        yield at, f"line {template!r} holds what is not printable ASCII", "one line of printable ASCII"
    try:
        found = {name for _, name, _, _ in string.Formatter().parse(template) if name is not None}
    except ValueError:
        yield at, f"line {template!r} has an unmatched brace", "{number} or {text} in braces"
        return
    if template and found != expected:
        places = " and ".join("{" + place + "}" for place in expected) or "no place in braces"
        yield at, f"line {template!r} does not have the place it needs", places


def _pattern_faults(
    at: tuple[str, ...], pattern: str, *, groups: tuple[int, int]
) -> Iterator[tuple[tuple[str, ...], str, str]]:
    try:
        found = re.compile(pattern).groups
    except re.error as error:
        yield at, f"not a regular expression: {error}", "a regular expression"
        return
    if pattern and not groups[0] <= found <= groups[1]:
        yield at, f"pattern has {found} groups", f"{groups[0]} to {groups[1]} groups"
