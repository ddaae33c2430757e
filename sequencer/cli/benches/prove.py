"""Sees before the first process is started that each bench of a list can do what stands beside it, and that no two are one bench."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from sequencer.bench.aliases import names_of
from sequencer.cli.benches.lane import Lane
from sequencer.cli.common.bench import bench_title
from sequencer.cli.run import Asked
from sequencer.cli.screens.operator import (
    nobody_at_the_cables,
    nobody_to_ask,
    nobody_to_operate,
    nobody_to_read,
)
from sequencer.files.ordinary import is_ordinary
from sequencer.inputs.lists.bench_list import ListedBench
from sequencer.inputs.lists.list_text import at_line
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import Wanted
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import Complaint, FileProblems, InputError, printable
from sequencer.run.people.entered import given_beforehand, not_given


def proved_lanes(path: Path, listed: tuple[ListedBench, ...], asked: Asked, *, terminal: bool) -> list[Lane]:
    """Return a lane for each bench of the list. Raises InputError with the complaints of all; nothing was started then."""
    complaints: dict[Complaint, None] = {}
    benches: dict[int, LoadedBench] = {}
    for one in listed:
        try:
            benches[one.line] = load_bench(one.bench)
        except InputError as problem:
            complaints |= dict.fromkeys(_placed(path, one, problem))
    complaints |= dict.fromkeys(_twice(path, listed, benches))
    lanes = []
    for one in listed:
        if (bench := benches.get(one.line)) is not None:
            try:
                _see_plans(path, one, bench, asked, terminal=terminal)
            except InputError as problem:
                complaints |= dict.fromkeys(_placed(path, one, problem))
            lanes.append(_lane(one, bench, asked, terminal=terminal))
    if complaints:
        raise InputError(sorted(complaints, key=lambda one: (one.file != str(path), one.line)))
    return lanes


def proved_stations(
    path: Path, listed: tuple[ListedBench, ...], asked: Asked
) -> list[tuple[str, tuple[str, ...]]]:
    """Return of each station of the list the bench's name and the words of its `line`. Raises InputError with the complaints of all."""
    complaints: dict[Complaint, None] = {}
    benches: dict[int, LoadedBench] = {}
    for one in listed:
        try:
            benches[one.line] = load_bench(one.bench)
            load_sequence(_sequence_of(path, one, asked))
        except InputError as problem:
            complaints |= dict.fromkeys(_placed(path, one, problem))
    complaints |= dict.fromkeys(_twice(path, listed, benches))
    if complaints:
        raise InputError(sorted(complaints, key=lambda one: (one.file != str(path), one.line)))
    return [
        (
            benches[one.line].bench.bench,
            (
                *("line", *list(_words(one, asked))[1:], "--linked"),
                *(("--units", one.list_of_units) if one.list_of_units else ()),
            ),
        )
        for one in listed
    ]


def _sequence_of(path: Path, one: ListedBench, asked: Asked) -> str:
    """Return the sequence of a bench. Raises InputError where neither the list nor the command line names one."""
    if name := one.sequence or asked.sequence_name:
        return name
    said = at_line(
        path,
        one.line,
        "no sequence stands here",
        allowed="a sequence in the list's column, or --sequence for all",
    )
    raise FileProblems([said])


def _lane(one: ListedBench, bench: LoadedBench, asked: Asked, *, terminal: bool) -> Lane:
    simulated = asked.dry_run or bench.bench.visa == "sim"
    return Lane(
        name=bench.bench.bench,
        line=one.line,
        words=(*_words(one, asked), "--linked", "person" if terminal else "alone"),
        units=deque(one.units),
        manual=not simulated,
    )


def _words(one: ListedBench, asked: Asked) -> Iterator[str]:
    yield from ("run", one.sequence or asked.sequence_name, "--bench", one.bench)
    yield from ("--folder", str(asked.folder))
    for option, given in (("--store", asked.store), ("--order", asked.chosen.order)):
        if given:
            yield from (option, given)
    for name in ("batch", "station", "operator", "lot", "fixture"):
        if text := getattr(asked.line, name):
            yield from (f"--{name}", text)
    for check in asked.chosen.only:
        yield from ("--only", check)
    yield from ["--confirmed"] * asked.confirmed
    yield from ["--dry-run"] * asked.dry_run


def _see_plans(path: Path, one: ListedBench, bench: LoadedBench, asked: Asked, *, terminal: bool) -> None:
    """See that each unit can be planned on its bench, and that whoever is needed is there. Raises InputError."""
    name = _sequence_of(path, one, asked)
    folder = Path(one.bench).parent if is_ordinary(one.bench) else Path()  # as `run` has it
    for unit in one.units:
        sequence = load_sequence(name, Wanted(name=unit.model, serial=unit.serial, bench_folder=folder))
        plan = make_plan(
            sequence, bench, serial=unit.serial, only=asked.chosen.only, order=asked.chosen.order
        )
        if not terminal:
            _see_people(plan, bench, asked)
    if len(one.units) > 1 and not terminal and not (asked.dry_run or bench.bench.visa == "sim"):
        said = f"somebody connects each of the {len(one.units)} units to this bench, and there is no terminal to ask at"
        raise FileProblems(
            [at_line(path, one.line, said, allowed="a terminal, a simulated bench, or one unit")]
        )


def _see_people(plan: Plan, bench: LoadedBench, asked: Asked) -> None:
    by_hand = [name for name, entry in bench.bench.instruments.items() if entry.manual and not asked.dry_run]
    simulated = asked.dry_run or bench.bench.simulated
    if by_hand:
        raise nobody_to_operate(plan, by_hand)
    if plan.confirmations and not asked.confirmed:
        raise nobody_to_ask(plan)
    if plan.by_hand and not (asked.confirmed and simulated):
        raise nobody_at_the_cables(plan, simulated=simulated)
    if missing := not_given(given_beforehand((), plan.to_enter), plan.to_enter):
        raise nobody_to_read(plan, missing)


def _twice(
    path: Path, listed: tuple[ListedBench, ...], benches: dict[int, LoadedBench]
) -> Iterator[Complaint]:
    """Yield a complaint for each bench that is, or shares an instrument with, one that stands above it."""
    seen: dict[str, tuple[ListedBench, str]] = {}
    for one in listed:
        if (bench := benches.get(one.line)) is None:
            continue
        is_sim = bench.bench.visa == "sim"  # its instruments are in its own process's memory
        names = {
            f"file {bench.path.resolve()}": "the bench file",
            f"title {bench.bench.bench}": f"a bench called '{bench.bench.bench}'",
        }
        addresses = {
            alike: f"the instrument at {entry.address}"
            for entry in bench.bench.instruments.values()
            if not entry.manual and not is_sim
            for alike in names_of(entry.address)
        }
        for key, what in (names | addresses).items():
            earlier, _ = seen.setdefault(key, (one, what))
            if earlier is not one:
                yield at_line(
                    path,
                    one.line,
                    f"{printable(what)} is that of line {earlier.line} ({printable(earlier.bench)}) too: "
                    f"two processes never drive one bench ({bench_title(bench)})",
                    allowed="each bench, and each instrument, once",
                )
                break


def _placed(path: Path, one: ListedBench, problem: InputError) -> Iterator[Complaint]:
    """Yield complaints; one that names no file is about the bench's line in the list."""
    for complaint in problem.complaints:
        named = complaint.line or Path(complaint.file).suffix in (".yaml", ".yml", ".csv")
        yield complaint if named else replace(complaint, file=str(path), line=one.line, column=1)
