"""`resume`: carries a run on that was cut short, from its journal, and says beforehand what is measured again and why."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from sequencer.cli.common.bench import is_terminal
from sequencer.cli.common.options import check_serial
from sequencer.cli.ended import ended_as_plain, status_of
from sequencer.cli.run import Asked, Prepared, execute
from sequencer.cli.run_told import tell
from sequencer.cli.screens.operator import Chosen, People, nobody_to_operate
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.load_both import load_both
from sequencer.planning.plan import OrderAsked, Plan, make_plan
from sequencer.problems import FileProblems, about_file, nearest, printable
from sequencer.results.journal import Head, JournalRead, read_head, read_journal, refuse_names
from sequencer.results.store.place import StorePlace, find_place
from sequencer.run.bench_health.bench_state import doubts_now
from sequencer.run.facts import Again
from sequencer.run.interrupt import stoppable
from sequencer.run.keeping.journals import Glance, glance, is_held, journals
from sequencer.run.resuming.left_bench import LeftBench, make_safe
from sequencer.run.resuming.resume import Left, changed_inputs, changes, what_is_left
from sequencer.run.resuming.taken_up import bring_up_to_date
from sequencer.run.series.book import number_in_series
from sequencer.run.status import ExitStatus


@stoppable()
def resume_command(
    run_name: str,
    *,
    serial: str,
    confirmed: bool,
    entered: tuple[str, ...],
    folder: Path,
    store: str,
    as_json: bool,
) -> int:
    """Carry a run on; returns its exit status."""
    path = _find(run_name, folder)
    head = read_head(path)
    if head.record.evaluated_from:
        raise _re_evaluation(path, head)
    if is_held(path):
        raise about_file(
            path,
            f"run {head.record.run} goes on: another process writes its journal",
            allowed="a run that was cut short",
            hint="wait until it has ended, or end it; it leaves the bench safe",
        )
    read = _read(path)
    bench = LeftBench() if _left_it_safe(read) else make_safe(head)
    for line in bench.said:
        click.echo(line, err=True)
    if bench.is_interrupted or not bench.is_safe:
        click.echo(f"Nothing of run {printable(head.record.run)} is carried on.", err=True)
        status = ExitStatus.INTERRUPTED
        if not bench.is_safe:
            status = ExitStatus.BENCH_FAILED
            _say_why_else(read, serial, folder, store)
        click.echo(bench.last_line, err=True)
        return int(status)
    try:
        if isinstance(read, FileProblems):
            raise read
        return _carried_on(
            read,
            serial=serial,
            confirmed=confirmed,
            entered=entered,
            folder=folder,
            store=store,
            as_json=as_json,
        )
    except FileProblems as problems:
        click.echo(str(problems), err=True)
        if bench.last_line:
            click.echo(bench.last_line, err=True)
        return int(ExitStatus.INPUT_WRONG)


def _carried_on(
    read: JournalRead,
    *,
    serial: str,
    confirmed: bool,
    entered: tuple[str, ...],
    folder: Path,
    store: str,
    as_json: bool,
) -> int:
    """Carry a run on whose bench is safe. Raises FileProblems where that cannot be."""
    if read.lost:
        click.echo(f"{read.path}: {read.lost}.", err=True)
    place = _store_of(read, folder, store)
    try:
        left = _what_is_left(read, serial=check_serial(serial) if serial else "")
        prepared = (
            None if left.is_nothing else _prepared(read, left, place, confirmed, entered, folder, store)
        )
    except FileProblems:
        # Nothing more is measured, but nothing that was measured may be lost.
        if not read.lines.altered:  # table and store hold more than what still counts of it
            _say_taken_in(read, place)
        raise
    name = printable(read.head.record.run)
    if prepared is None:
        click.echo(f"Run {name} has ended ({read.outcome}): there is nothing left to measure.", err=True)
        _say_taken_in(read, place)
        if as_json:
            click.echo(json.dumps(ended_as_plain(read), ensure_ascii=False, indent=2))
        return int(status_of(read))
    ran = execute(prepared, said=(f"Run {name} is carried on.", *_of_series(read), *left.said))
    return tell(ran, as_json=as_json)


def _of_series(read: JournalRead) -> tuple[str, ...]:
    """Return of which series the run is, and what makes the rest of it; nothing where it is of none that was cut short."""
    number = number_in_series(read.path.parent, read.head.record.run)
    if number is None:
        return ()
    return (
        f"It was run {number} of a series: the command that began it, given again, makes what is left of it.",
    )


def prepare_rest(
    path: Path, *, confirmed: bool, folder: Path, store: str
) -> tuple[Prepared, tuple[str, ...]]:
    """Return what is left of the run whose journal is at ``path``, ready to be made, and what is measured again and why.

    For a bench that is open and was made safe. Raises FileProblems where nothing is left, or it cannot be carried on.
    """
    read = _read(path)
    if isinstance(read, FileProblems):
        raise read
    place = _store_of(read, folder, store)
    left = _what_is_left(read, serial="")
    if left.is_nothing:
        raise about_file(
            path, "there is nothing left of the run to measure", allowed="its unit, measured from the start"
        )
    return _prepared(read, left, place, confirmed, (), folder, store), left.said


def _read(path: Path) -> JournalRead | FileProblems:
    """Return the journal, or what is wrong with it: the bench is made safe in any case."""
    try:
        read = read_journal(path)
        refuse_names(path, read.head)
    except FileProblems as problems:
        return problems
    return read


def _left_it_safe(read: JournalRead | FileProblems) -> bool:
    """Say whether the journal's last word is that the run is done and its bench was left safe."""
    return (
        isinstance(read, JournalRead)
        and read.outcome == "done"
        and read.kept.bench_safe is True
        and not read.lost
    )


def _say_why_else(read: JournalRead | FileProblems, serial: str, folder: Path, store: str) -> None:
    """Say what else keeps the run from being carried on, beside its bench; what it measured is kept all the same."""
    try:
        if isinstance(read, FileProblems):
            raise read
        if not read.lines.altered:
            _say_taken_in(read, _store_of(read, folder, store))
        _what_is_left(read, serial=serial)
    except FileProblems as problems:
        click.echo(str(problems), err=True)


def _re_evaluation(path: Path, head: Head) -> FileProblems:
    return about_file(
        path,
        f"run {head.record.run} is a re-evaluation of run {head.record.evaluated_from}: it had no bench, and there is nothing to carry on",
        allowed="a run that was measured",
        hint="'sequencer replay' with --sequence makes the re-evaluation anew",
    )


def _find(name: str, folder: Path) -> Path:
    """Return the journal of the run that is named, or of the newest that has not ended. Raises InputError."""
    if name in ("", "last"):
        return _newest(folder)
    looked = [found for path in journals(folder) if (found := glance(path)) is not None]
    alike = [one for one in looked if one.run.startswith(name)]
    exact = [one for one in alike if one.run == name] or alike
    if len(exact) == 1:
        return exact[0].path
    raise _not_found(name, folder, looked, alike)


def _newest(folder: Path) -> Path:
    """Return the journal of the newest run that is not done, else of the newest; what is no journal is passed by, and said to be."""
    done: Path | None = None
    for path in journals(folder):
        try:
            head = read_head(path)
        except FileProblems as problems:
            if done is None:
                click.echo(
                    f"{printable(path.name)} is passed by: {problems.complaints[0].message}.", err=True
                )
            continue
        found = glance(path)
        if found is None or head.record.evaluated_from:
            continue
        if found.outcome != "done":
            return path
        done = done or path  # cut short just at its end it has ended, and its store may not know it
    if done is not None:
        return done
    raise about_file(
        folder,
        "there is no journal of a run here that could be carried on",
        allowed="the folder of the run that was cut short, with --folder; or its name",
        hint="'sequencer results' lists the runs",
    )


def _not_found(name: str, folder: Path, looked: Sequence[Glance], alike: Sequence[Glance]) -> FileProblems:
    if alike:
        return about_file(
            folder,
            f"several runs begin with {printable(name)!r}: {', '.join(one.run for one in alike[:4])}",
            allowed="more of the name of one of them",
        )
    close = nearest(name, [one.run for one in looked])
    return about_file(
        folder,
        f"no journal of a run {printable(name)[:60]!r} in this folder",
        allowed="a run whose table and journal lie here; without a name the newest that was cut short",
        hint=f"did you mean {close[0]}?" if close else "",
    )


def _store_of(read: JournalRead, folder: Path, store: str) -> StorePlace:
    """Return the run's own store. Raises InputError where another is named, or a server's address is to be given again."""
    head, own = read.head, Path(read.head.store_file)
    if head.store_file and own.parent == Path(head.folder):  # with its folder it may have been moved
        own = read.path.parent / own.name
    if not store and head.store_file:
        if own.parent != read.path.parent and not os.path.isfile(own):  # noqa: PTH113 - raises nothing
            raise about_file(
                "--store",
                f"the store of run {head.record.run} is not there any more",
                found=printable(str(own)),
                allowed="its path once more, with --store: it is made anew there",
            )
        return StorePlace(path=own)
    place = find_place(folder, store)
    if not store:
        raise about_file(
            "--store",
            f"run {head.record.run} writes to a server, whose address is not in its journal because of the password",
            allowed=f"the address of {printable(head.store_address)}, with --store or SEQUENCER_STORE",
        )
    was = head.store_address or str(own.absolute())
    if was != (str(place) if place.path is None else str(place.path.absolute())):
        raise about_file(
            "--store",
            f"run {head.record.run} writes to another store",
            found=str(place),
            allowed=printable(was),
        )
    return place


def _what_is_left(read: JournalRead, *, serial: str) -> Left:
    """Load the files that the run began with, and return what is left of it. Raises FileProblems for what has changed since."""
    head, run = read.head, read.head.record
    if read.lines.altered:
        raise about_file(
            read.path,
            f"the journal was altered, so that nobody can say what was finished: {read.lost}",
            hint="what table and store hold stands there; begin a new run",
        )
    for file in (head.sequence_file, head.bench_file):
        if not os.path.isfile(file):  # noqa: PTH113 - of a name that no file can have it says False
            raise _gone(read, Path(file))
    sequence, bench = load_both(
        head.sequence_file, head.bench_file, serial=run.serial, model=head.model_named
    )
    if complaints := changes(read, sequence, bench, serial=serial):
        raise FileProblems(complaints)
    order: OrderAsked = "quickest" if head.order == "quickest" else "written"
    plan = make_plan(
        sequence, bench, serial=run.serial, only=head.only, order=order, share_key=head.share_key
    )
    if complaints := changed_inputs(read, plan):
        raise FileProblems(complaints)
    return what_is_left(read, plan)


def _gone(read: JournalRead, file: Path) -> FileProblems:
    if read.head.steps and all(step.check == "adjust" for step in read.head.steps):
        return about_file(
            file,
            "this run adjusted presets, and an adjusting is not carried on: what it had turned is as it was left",
            allowed="'sequencer adjust' anew",
            hint=" ".join(line for one in read.adjusting for line in one.said),
        )
    return about_file(
        file,
        f"the file that run {read.head.record.run} began with is not there any more",
        allowed="the file as it was",
    )


def _prepared(
    read: JournalRead,
    left: Left,
    place: StorePlace,
    confirmed: bool,
    entered: tuple[str, ...],
    folder: Path,
    store: str,
) -> Prepared:
    head, run = read.head, read.kept
    simulated = head.dry_run or left.plan.bench.bench.simulated
    people = People(left.plan, confirmed=confirmed, simulated=simulated, terminal=is_terminal(sys.stdin))
    people.take_beforehand((*_entered_before(read, left.plan), *entered))
    by_hand = _by_hand(left.plan.bench) if not head.dry_run else []
    if by_hand and not people.terminal:
        raise nobody_to_operate(left.plan, by_hand)
    doubts_now(left.plan, place, bench_name=run.bench, simulated=simulated)  # refused beforehand, if it is
    return Prepared(
        asked=Asked(
            sequence_name=head.sequence_file,
            bench_name=head.bench_file,
            serial=run.serial,
            model=head.model_named,
            confirmed=confirmed,
            dry_run=head.dry_run,
            folder=folder,
            store=store if place.path is None else str(place.path),
            chosen=Chosen(only=head.only),
        ),
        plan=left.plan,
        people=people,
        model=run.model,
        simulated=simulated,
        by_hand=bool(by_hand),
        again=Again(run=run.again, reason=run.reason) if run.again else None,
        carried=left.carried,
    )


def _entered_before(read: JournalRead, plan: Plan) -> tuple[str, ...]:
    """Return what a person had entered for checks that are still to end, as --entered has it."""
    due = {step.index for step in plan.steps if step.check.name == "enter_reading"}
    found = {one.check_index: f"{one.name}={one.text}" for one in read.entered if one.check_index in due}
    return tuple(found[index] for index in sorted(found))


def _by_hand(bench: LoadedBench) -> list[str]:
    return [name for name, entry in bench.bench.instruments.items() if entry.manual]


def _say_taken_in(read: JournalRead, place: StorePlace) -> None:
    """Bring table and store to what the journal has, and say what they lacked."""
    for line in bring_up_to_date(read, place):
        click.echo(line, err=True)
