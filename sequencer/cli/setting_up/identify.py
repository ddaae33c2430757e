"""`identify`: asks every instrument of a bench who it is, empties its error queue, and tries each harmless command of its profile."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import click

from drivers.faults import (
    ConnectFailed,
    InstrumentError,
    InstrumentFault,
    LinkFault,
    TimedOut,
    UnexpectedReply,
)
from drivers.link.habits import habit_of
from drivers.profiled.answers import meaning_of
from drivers.profiled.base import ProfiledInstrument
from drivers.profiled.commands import CommandSpec, commands_of
from drivers.profiled.profile import Profile
from sequencer.bench.locks import BenchBusy, locks_note
from sequencer.bench.open_bench import BenchParts, OpenBench
from sequencer.bench.watchdog import watchdog_line
from sequencer.cli.common.bench import any_serial, bench_title, is_terminal
from sequencer.cli.screens.operator import TerminalPerson
from sequencer.frozen import dataclass
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.parts import bench_parts
from sequencer.problems import printable
from sequencer.run.interrupt import stoppable
from sequencer.run.status import ExitStatus
from sequencer.safety.remembered.state_folder import StateFolder

NOT_UNDERSTOOD = "answers, and not as its profile has it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What one instrument answered: identity, errors it held, and each harmless query with its answer or fault.

    ``meanings`` is what the drivers take each answer for; ``notes`` are optional commands that it seems to lack.
    """

    name: str
    role: str
    address: str
    identity: str
    answers: tuple[tuple[str, str], ...] = ()
    problems: tuple[str, ...] = ()
    meanings: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def sound(self) -> bool:
        """Say whether it answered everything."""
        return not self.problems

    def as_plain(self) -> dict[str, Any]:
        """Return it as plain values."""
        return {
            "name": self.name,
            "role": self.role,
            "address": self.address,
            "identity": self.identity,
            "answers": dict(self.answers),
            "meanings": dict(self.meanings),
            "notes": list(self.notes),
            "problems": list(self.problems),
        }

    def __str__(self) -> str:
        where = f" ({self.address})" if self.address else ""
        lines = [f"{self.name}{where}: {self.identity or 'no answer'}" if self.role else f"{self.name}:"]
        means = dict(self.meanings)
        lines += [f"    {name}: {_shown(answer, means.get(name))}" for name, answer in self.answers]
        lines += [f"    note: {text}" for text in self.notes]
        lines += [f"    problem: {text}" for text in self.problems]
        return "\n".join(lines)


def identify_command(bench_name: str, *, dry_run: bool, as_json: bool) -> int:
    """Ask every instrument who it is; returns the exit status."""
    loaded = load_bench(bench_name)
    parts = bench_parts(loaded, serial=any_serial(loaded), dry_run=dry_run)
    if parts.simulation is None and is_terminal(
        sys.stdin
    ):  # whoever works an instrument confirms that it is left safe
        parts = replace(parts, person=TerminalPerson())
    found = identify_bench(parts)
    if as_json:
        said = {
            "bench": bench_title(loaded, dry_run=dry_run),
            "simulated": dry_run or loaded.bench.simulated,
            "state_folder": "" if parts.simulation is not None else str(StateFolder.find().path),
            "instruments": [one.as_plain() for one in found],
        }
        click.echo(json.dumps(said, ensure_ascii=False, indent=2))
    else:
        click.echo(printable(bench_title(loaded, dry_run=dry_run)))
        if parts.simulation is None:
            click.echo(f"Locks, and what is remembered of this bench: {printable(str(StateFolder.find()))}")
            if note := locks_note():
                click.echo(note)
        for one in found:
            for line in str(one).splitlines():
                click.echo(printable(line))
    return int(ExitStatus.PASSED if all(one.sound for one in found) else ExitStatus.BENCH_FAILED)


def identify_bench(parts: BenchParts) -> list[Answer]:
    """Return what every instrument answers, in the bench file's order; one that is silent does not hide the others.

    Opening an instrument resets it: the unit loses its supply, the generator its output. The last answer is the bench's own,
    if it could not be locked, or could not be confirmed safe afterwards.
    """
    bench = OpenBench(parts)
    found: dict[str, Answer] = {}
    watchdog: list[Answer] = []
    with stoppable() as stopper:
        try:
            bench.prepare()
            # `open_one` sees to it that the key line comes first: what a crashed run left keyed is released before the rest.
            for name in parts.bench.instruments:
                found[name] = _identify(bench, name)
            bench.prove_watchdog()
            watchdog = _of_watchdog(bench)
        except (BenchBusy, InstrumentFault) as fault:
            return [_of_bench(str(fault))]
        finally:
            with stopper.held():
                state = bench.close()
            if bench.left_keyed:
                click.echo(bench.left_keyed, err=True)
    answers = [*found.values(), *watchdog]
    return answers if state.confirmed else [*answers, _of_bench(state.last_line())]


def _of_watchdog(bench: OpenBench) -> list[Answer]:
    """Return what answers the key-down watchdog beside this program; nothing where there is none."""
    notes = [one.said for one in bench.watchdog_proofs()]
    if not bench.parts.is_real:
        return []
    line = watchdog_line(bench.bench, bench.parts.profiles)
    if not (notes := [*notes, *filter(None, [line])]):
        return []
    return [Answer(name="watchdog", role="", address="", identity="", notes=tuple(notes))]


def _of_bench(problems: str) -> Answer:
    return Answer(name="bench", role="", address="", identity="", problems=(problems,))


def _identify(bench: OpenBench, name: str) -> Answer:
    entry = bench.bench.instruments[name]
    try:
        bench.open_one(name)
    except (InstrumentFault, TypeError) as fault:  # the latter: an installed package's driver that is none
        answered = isinstance(fault, InstrumentFault) and (
            not isinstance(fault, LinkFault) or (isinstance(fault, ConnectFailed) and bool(fault.reply))
        )
        identity = NOT_UNDERSTOOD if answered else ""
        return Answer(
            name=name, role=entry.role, address=entry.address, identity=identity, problems=(str(fault),)
        )
    one = bench.identities[name]
    answer = Answer(
        name=name,
        role=entry.role,
        address=entry.address,
        identity=f"{one.maker} {one.model}, serial {one.serial}, firmware {one.firmware}",
    )
    return _with_all(answer, bench.instruments[name], bench.parts.profiles[name])


def _shown(answer: str, meaning: str | None) -> str:
    return answer if meaning is None or meaning == answer else f"{meaning}  (answered {answer})"


def _with_all(answer: Answer, instrument: Any, profile: Profile) -> Answer:
    """Return ``answer`` with what comes back to each harmless command, read as the drivers read it."""
    if not isinstance(instrument, ProfiledInstrument):
        return answer
    said: list[tuple[str, str]] = []
    meanings: list[tuple[str, str]] = []
    notes: list[str] = []
    problems: list[str] = []
    for name, spec in _harmless(profile):
        try:
            reply = instrument.ask(name)
        except (InstrumentError, TimedOut, UnexpectedReply) as fault:
            if spec.needed:
                problems.append(f"{name}: {fault}")
            else:
                notes.append(
                    f"{name}: {fault} The role can do without: say 'lacks: [{name}]' in the profile if it has none."
                )
            continue
        except InstrumentFault as fault:
            problems.append(f"{name}: {fault}")
            continue
        said.append((name, reply))
        try:
            meanings.append((name, meaning_of(profile, name, reply)))
        except ValueError as error:
            problems.append(
                f"{name}: the profile {profile.profile!r} cannot fit, for {reply!r} came: {error}. {habit_of(reply, '')}".rstrip()
            )
    try:
        problems += [f"error queue: {entry}" for entry in instrument.read_errors()]
    except InstrumentFault as fault:
        problems.append(f"error queue: {fault}")
    return replace(
        answer, answers=tuple(said), meanings=tuple(meanings), notes=tuple(notes), problems=tuple(problems)
    )


def _harmless(profile: Profile) -> Iterator[tuple[str, CommandSpec]]:
    for name, spec in commands_of(profile.role).items():
        if spec.harmless and name in profile.commands and name not in ("identity", "error"):
            yield name, spec
