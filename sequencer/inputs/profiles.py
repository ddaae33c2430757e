"""Loads the profile that a bench file names, together with the one that it is like."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field, replace
from functools import lru_cache
from pathlib import Path

from drivers.profiled.commands import ROLE_COMMANDS, commands_of
from drivers.profiled.conversion import units_for
from drivers.profiled.profile import Command, Profile, find_faults
from drivers.text.profile import TextProfile, find_text_faults
from sequencer.files.dataclass_model import read_dataclass, read_dataclass_text
from sequencer.files.find import pointing_at
from sequencer.files.read import Read, read_utf8
from sequencer.files.shipped import find_file
from sequencer.files.yaml_tree import Source
from sequencer.frozen import dataclass
from sequencer.problems import Complaint, FileProblems, did_you_mean

MOST_LEVELS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedProfile:
    """A profile, complete, and where (file:line:column) each command that the instrument has not is said to be lacking."""

    profile: Profile
    lacking: Mapping[str, str] = field(default_factory=dict)


def load_profile(name: str, role: str, beside: Path, source: Source, at: tuple[str, ...]) -> LoadedProfile:
    """Return the profile that the entry ``at`` of ``source`` names. Raises FileProblems with all complaints.

    Looked up beside the file, from the current folder, and among those shipped for ``role``.
    """
    return _load(name, role, beside, source, at, ())


def _load(
    name: str, role: str, beside: Path, source: Source, at: tuple[str, ...], above: tuple[Path, ...]
) -> LoadedProfile:
    try:
        path = find_file(name, "profile", beside=beside, within=role)
    except FileProblems as problems:
        raise FileProblems([pointing_at(problems, source, at)]) from problems
    if path.resolve() in above or len(above) >= MOST_LEVELS:
        raise FileProblems(
            [
                source.complain(
                    at,
                    f"'like: {name}' leads back to this profile, or through more than {MOST_LEVELS} of them",
                    found=name,
                    allowed="a profile that stands by itself, such as the shipped scpi-1999",
                )
            ]
        )
    read = read_profile(path)
    if read.model.role != role:
        unknown = [one for one in find_faults(read.model) if one[0] == ("role",)]
        fault = (("role",), f"this profile is for a {read.model.role}", f"a profile for a {role}")
        raise FileProblems([_complaint(*one, read.source, read.model) for one in unknown or [fault]])
    base = None
    if read.model.like:
        base = _load(read.model.like, role, path, read.source, ("like",), (*above, path.resolve()))
    loaded = _joined(read, base)
    _refuse_contradictions(read)
    if wrong := _complaints(loaded.profile, read.source):
        raise FileProblems(wrong)
    return loaded


def read_profile(path: Path) -> Read[Profile]:
    """Return the profile in the file at ``path``, by itself. Raises FileProblems."""
    return _profile_in(read_utf8(path), str(path))


@lru_cache(maxsize=64)
def _profile_in(text: str, file: str) -> Read[Profile]:
    """Return the profile in ``text``; simulated instruments speak by those that their drivers speak by, so most are asked for twice."""
    return read_dataclass_text(text, Profile, file=file)


def _joined(read: Read[Profile], base: LoadedProfile | None) -> LoadedProfile:
    """Return ``read`` with everything it does not say taken from ``base``, and without what it lacks."""
    own, source = read.model, read.source
    commands: dict[str, Command] = dict(base.profile.commands) if base is not None else {}
    for name, command in own.commands.items():
        given = source.find(("commands", name)).entries
        commands[name] = (
            replace(commands[name], **{key: getattr(command, key) for key in given})
            if name in commands
            else command
        )
    lacking = {
        name: place
        for name, place in (base.lacking.items() if base is not None else ())
        if name not in own.commands
    } | {name: str(source.where("lacks", index)) for index, name in enumerate(own.lacks)}
    from_base = base is not None and "prepare" not in source.root.entries
    asked = own.prepared or (base.profile.prepared if from_base and base is not None else ())
    return LoadedProfile(
        profile=replace(
            own,
            source=own.source or (base.profile.source if base is not None else ""),
            commands={name: command for name, command in commands.items() if name not in lacking},
            prepare=base.profile.prepare if from_base and base is not None else own.prepare,
            prepared=asked,
            lacks=tuple(own.lacks) + tuple(name for name in lacking if name not in own.lacks),
        ),
        lacking=lacking,
    )


def _refuse_contradictions(read: Read[Profile]) -> None:
    wrong = [
        read.source.complain(
            ("lacks", index),
            f"{name!r} is said to be lacking, and stands among the commands",
            found=name,
            allowed="either the command or its name under 'lacks'",
        )
        for index, name in enumerate(read.model.lacks)
        if name in read.model.commands
    ]
    if wrong:
        raise FileProblems(wrong)


def _complaints(profile: Profile, source: Source) -> list[Complaint]:
    return [_complaint(*fault, source, profile) for fault in find_faults(profile)]


def _complaint(
    place: tuple[str | int, ...], found: str, allowed: str, source: Source, profile: Profile
) -> Complaint:
    return source.complain(place, found, allowed=allowed, hint=_hint(place, profile), key=len(place) > 1)


def load_text_profile(name: str, role: str, beside: Path, source: Source, at: tuple[str, ...]) -> TextProfile:
    """Return the profile of lines of text that the entry ``at`` of ``source`` names. Raises FileProblems."""
    try:
        path = find_file(name, "profile", beside=beside, within=role)
    except FileProblems as problems:
        raise FileProblems([pointing_at(problems, source, at)]) from problems
    read = read_dataclass(path, TextProfile)
    wrong = [
        read.source.complain(place, found, allowed=allowed)
        for place, found, allowed in find_text_faults(read.model)
    ]
    if wrong:
        raise FileProblems(wrong)
    return read.model


def _hint(place: tuple[str | int, ...], profile: Profile) -> str:
    """Return which of the words that ``profile`` may say at ``place`` is nearest to the one that it says; nothing where that is one."""
    match place:
        case ("role",):
            word, known = profile.role, list(ROLE_COMMANDS)
        case ("commands", str(name)):
            word, known = name, list(commands_of(profile.role))
        case ("lacks", int(index)):
            can_lack = [name for name, spec in commands_of(profile.role).items() if not spec.essential]
            word, known = profile.lacks[index], can_lack
        case ("commands", str(name), "unit"):
            word, known = profile.commands[name].unit, list(units_for(commands_of(profile.role)[name].unit))
        case _:
            return ""
    return "" if word in known else did_you_mean(word, known)
