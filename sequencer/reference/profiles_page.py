"""The page of all shipped command profiles: what each says for what."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from drivers.profiled.commands import CommandSpec, commands_of
from drivers.profiled.profile import Command, Profile
from drivers.text.profile import MEANINGS, TextCommand, TextProfile
from sequencer.files.dataclass_model import read_dataclass
from sequencer.files.shipped import find_file, shipped_names
from sequencer.problems import FileProblems
from sequencer.reference.markdown import code, link, page, table

_KINDS = {
    "identity": "maker, model, serial, firmware",
    "error": "number and text, in the order of the standard",
    "recorded_audio": "a block",
    "recorded_baseband": "a block",
    "text": "a word",
}
"""What an answer is that is no number: by command, or by the place that its setting has."""

INTRODUCTION = """\
# Profiles

Written by `sequencer reference profiles` from the shipped profiles; do not edit it by hand.

A profile is a file that says what one make of instrument calls the things its role can do. To add an instrument, write the lines that
differ below `like: scpi-1999`, and name your file in the bench file (`profile: my-generator.yaml`); `sequencer identify` then
tries every harmless command of it. Nothing here was read beside the standard: each profile says where its words come from.

In a message `{number}` stands for the value in SI units (or dBm, dB, percent), `{text}` for a word. `sets` and `asks` are what is sent;
a command that a role can do without is marked *may*. `departs` says where a profile that is named after a standard leaves it.

A command may also say `unit` (the instrument's own, such as `dBuV` for a level), `scale` and `offset` (sent = value in that unit ×
scale + offset), `on` and `off` (a switch's words), `pattern` (a regular expression whose one group
is the number in a longer answer), `bit` (one bit of a register), `words` (what the instrument calls each word) and `departs`.
`lacks: [am_depth]` says what the instrument has not: the plan refuses the checks that need it.
"""


def profiles_page() -> str:
    """Return the page."""
    names = shipped_names("profile")
    rows = []
    sections = []
    for name in names:
        path = find_file(name, "profile")
        heading = name.removesuffix(".yaml")
        profile = _read(path)
        rows.append((link(heading), profile.source))
        sections.append("\n\n".join(_section(heading, path, profile)))
    return page(INTRODUCTION.rstrip(), table(("profile", "where its words come from"), rows), *sections)


def _read(path: Path) -> Profile | TextProfile:
    """Return the profile of either kind. Raises FileProblems for a file that is neither."""
    try:
        return read_dataclass(path, Profile).model
    except FileProblems:
        return read_dataclass(path, TextProfile).model


def _section(heading: str, path: Path, profile: Profile | TextProfile) -> Iterator[str]:
    yield f"## {heading}"
    yield _head_of(path)
    yield f"Source: {profile.source}."
    if isinstance(profile, Profile):
        if profile.prepare:
            yield "Sent when it is opened: " + ", ".join(map(code, profile.prepare)) + "."
        if profile.prepared:
            yield "Asked then, and again after each check: " + ", ".join(map(code, profile.prepared)) + "."
        yield table(("command", "", "what for", "sets", "asks", "answer", "standard"), _rows(profile))
    else:
        yield table(("of the line", ""), _line_rows(profile))
        yield table(("command", "what for", "sets", "is answered", "asks", "answer"), _text_rows(profile))


def _head_of(path: Path) -> str:
    """Return the comment at the head of a profile's file."""
    said = []
    for line in path.read_text(encoding="utf-8").splitlines():
        if not line.startswith("#"):
            break
        said.append(line.removeprefix("#").strip())
    return " ".join(said)


def _rows(profile: Profile) -> Iterator[tuple[str, ...]]:
    specs = commands_of(profile.role)
    for name, spec in specs.items():
        command = profile.commands.get(name)
        must = "must" if spec.needed else "may"
        if command is None:
            yield code(name), must, spec.meaning, "", "", "not offered", ""
            continue
        answer = _answer(name, command, spec) if command.query else ""
        yield (
            code(name),
            must,
            spec.meaning,
            _said(command.set),
            _said(command.query),
            answer,
            _standard(profile, command),
        )


def _standard(profile: Profile, command: Command) -> str:
    """Return which standard a command of a profile that is named after one follows, or how it departs from it."""
    if command.departs:
        return f"departs: {command.departs}"
    if profile.profile != "scpi-1999":
        return ""
    return "IEEE 488.2" if (command.set or command.query).startswith("*") else "SCPI-1999"


def _answer(name: str, command: Command, spec: CommandSpec) -> str:
    said = (
        []
        if command.pattern or command.bit is not None
        else [_KINDS.get(name) or _KINDS.get(spec.place, "a number")]
    )
    if command.pattern:
        said.append(f"the group of {code(command.pattern)}")
    if command.bit is not None:
        said.append(f"bit {command.bit}")
    if command.scale != 1.0:
        said.append(f"divided by {command.scale:g}")
    if command.words:
        said.append(", ".join(f"{ours}: {code(theirs)}" for ours, theirs in command.words.items()))
    return "; ".join(said)


def _line_rows(profile: TextProfile) -> Iterator[tuple[str, str]]:
    yield (
        "baud, bits, parity, stop bits",
        f"{profile.baud}, {profile.data_bits}, {profile.parity}, {profile.stop_bits}",
    )
    yield "ends what is sent", profile.sends
    yield "ends an answer", profile.answers
    yield "repeats what it is sent", "yes" if profile.echo else "no"
    yield "refuses with", _said(profile.refusal)


def _text_rows(profile: TextProfile) -> Iterator[tuple[str, ...]]:
    for name, meaning in MEANINGS.items():
        command = profile.commands.get(name)
        if command is None:
            yield code(name), meaning, "", "", "", "not offered"
        else:
            yield (
                code(name),
                meaning,
                _sent(command),
                _said(command.reply),
                _said(command.query),
                _said(command.pattern),
            )


def _sent(command: TextCommand) -> str:
    said = [_said(command.set)]
    if command.digits:
        said.append(f"{command.digits} digits")
    if command.words:
        said.append(", ".join(f"{ours}: {code(theirs)}" for ours, theirs in command.words.items()))
    return "; ".join(one for one in said if one)


def _said(message: str) -> str:
    return code(message) if message else ""
