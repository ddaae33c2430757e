"""Asks every instrument of a bench who it is, empties its error queue, and tries each harmless command of its profile."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

from drivers.faults import InstrumentFault
from drivers.instrument import ProfiledInstrument
from drivers.profile import Profile, commands_of
from sequencer.open_bench import BenchBusy, BenchParts, OpenBench


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What one instrument answered: identity, errors it held, and each harmless query with its answer or fault."""

    name: str
    role: str
    address: str
    identity: str
    answers: tuple[tuple[str, str], ...] = ()
    trouble: tuple[str, ...] = ()

    @property
    def sound(self) -> bool:
        """Say whether it answered everything."""
        return not self.trouble

    def as_plain(self) -> dict[str, Any]:
        """Return it as plain values."""
        return {
            "name": self.name,
            "role": self.role,
            "address": self.address,
            "identity": self.identity,
            "answers": dict(self.answers),
            "trouble": list(self.trouble),
        }

    def __str__(self) -> str:
        lines = [f"{self.name} ({self.address}): {self.identity or 'no answer'}"]
        lines += [f"    {name}: {answer}" for name, answer in self.answers]
        lines += [f"    trouble: {text}" for text in self.trouble]
        return "\n".join(lines)


def identify_bench(parts: BenchParts) -> list[Answer]:
    """Return what every instrument answers, in the bench file's order; one that is silent does not hide the others."""
    bench = OpenBench(parts)
    answers: list[Answer] = []
    with ExitStack() as stack:
        stack.callback(bench.close)
        try:
            bench.prepare()
        except BenchBusy as busy:
            return [Answer(name="bench", role="", address="", identity="", trouble=(str(busy),))]
        for name, entry in parts.bench.instruments.items():
            try:
                bench.open_one(name)
            except InstrumentFault as fault:
                answers.append(
                    Answer(
                        name=name, role=entry.role, address=entry.address, identity="", trouble=(str(fault),)
                    )
                )
                continue
            one = bench.identities[name]
            identity = f"{one.maker} {one.model}, serial {one.serial}, firmware {one.firmware}"
            said, trouble = _try_all(bench.instruments[name], parts.profiles[name])
            answers.append(
                Answer(
                    name=name,
                    role=entry.role,
                    address=entry.address,
                    identity=identity,
                    answers=said,
                    trouble=trouble,
                )
            )
    return answers


def _try_all(instrument: Any, profile: Profile) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    if not isinstance(instrument, ProfiledInstrument):
        return (), ()
    said: list[tuple[str, str]] = []
    trouble: list[str] = []
    for name in _harmless(profile):
        try:
            said.append((name, instrument.ask(name)))
        except InstrumentFault as fault:
            trouble.append(f"{name}: {fault}")
    try:
        trouble += [f"error queue: {entry}" for entry in instrument.read_errors()]
    except InstrumentFault as fault:
        trouble.append(f"error queue: {fault}")
    return tuple(said), tuple(trouble)


def _harmless(profile: Profile) -> Iterator[str]:
    for name, spec in commands_of(profile.role).items():
        if spec.harmless and name in profile.commands and name not in ("identity", "error"):
            yield name
