"""`jobs add`: units and a sequence into the queue, proved as far as that goes without a bench, and held against what benches can."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path

import click

from sequencer.cli.common.line_options import LineAsked
from sequencer.cli.common.options import check_model, check_serial
from sequencer.files.ordinary import is_ordinary
from sequencer.fleet.needs import lacking, lacks_unit, needs_of
from sequencer.inputs.lists.unit_list import read_unit_list
from sequencer.inputs.names.serial import SERIAL_ALLOWED, looks_like_formula
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import Wanted
from sequencer.problems import Complaint, InputError, listed, option_problem, printable
from sequencer.results.queue import statements
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.queue.jobs import NewJob, add_jobs
from sequencer.results.queue.set_up import set_up
from sequencer.results.store.place import find_place
from sequencer.results.store.problems import Doing
from sequencer.run.series.until import parse_until
from sequencer.units.format import counted

MOST_NAMED = 10


def add_command(
    sequence_name: str,
    *,
    serials: Sequence[str],
    units: Path | None,
    model: str,
    due: str,
    priority: int,
    no_bench_yet: bool,
    line: LineAsked,
    store: str,
    as_json: bool,
) -> int:
    """Add a job for each unit; returns the exit status."""
    if line.batch.endswith((".yaml", ".yml")):
        raise option_problem(
            "--batch",
            "a job names its batch, and no file of this machine",
            found=line.batch[:40],
            allowed="a batch's name",
            hint="'sequencer run … --batch FILE' or 'sequencer line' with the file opens the batch; then name it here",
        )
    wanted = _units(serials, units, check_model(model))
    due_at = parse_until(due, datetime.now().astimezone(), option="--due") if due else None
    jobs = [
        _job(sequence_name, serial, of_model, due=due_at, priority=priority, line=line)
        for serial, of_model in wanted
    ]
    found, made = set_up(find_place(Path(), store))
    if not no_bench_yet:
        refuse_what_no_bench_can(found, sequence_name, jobs)
    numbers = add_jobs(found, jobs)
    if as_json:
        click.echo(json.dumps([{"job": n, "serial": j.serial} for n, j in zip(numbers, jobs, strict=True)]))
        return 0
    if made:
        click.echo("The queue's tables were made.", err=True)
    named = ", ".join(
        f"{number} ({printable(job.serial)})"
        for number, job in list(zip(numbers, jobs, strict=True))[:MOST_NAMED]
    )
    more = f" and {len(numbers) - MOST_NAMED} more" if len(numbers) > MOST_NAMED else ""
    click.echo(f"{counted(len(numbers), 'job')} added: {named}{more}.")
    return 0


def _units(serials: Sequence[str], units: Path | None, model: str) -> list[tuple[str, str]]:
    found = [(_serial(one), model) for one in serials]
    if units is not None:
        found += [(one.serial, one.model or model) for one in read_unit_list(units)]
    if not found:
        raise option_problem(
            "--serial", "no unit is named", allowed="--serial, more than once if need be, or --units LIST"
        )
    return found


def _serial(given: str) -> str:
    """Return the serial if it can name a file and a row, and no spreadsheet runs it. Raises InputError."""
    serial = check_serial(given)
    if looks_like_formula(serial):
        raise option_problem(
            "--serial",
            "the serial begins as a spreadsheet's formula does",
            found=serial[:40],
            allowed=SERIAL_ALLOWED + ", nor with = + - @",
            hint="take it from the unit's type plate, such as M40-0007",
        )
    return serial


def _job(
    name: str, serial: str, model: str, *, due: datetime | None, priority: int, line: LineAsked
) -> NewJob:
    """Return the job of a unit. Raises InputError where the sequence cannot be read, or lacks a model."""
    loaded = load_sequence(name, Wanted(name=model, serial=serial))
    # a path is another machine's too only where it is whole; a shipped name is
    named = name if not is_ordinary(name) else str(loaded.path.resolve())
    return NewJob(
        serial=serial,
        model=model,
        sequence=named,
        sequence_hash=loaded.hash,
        needs=needs_of(loaded),
        due=due,
        priority=priority,
        batch=line.batch,
        operator=line.operator,
        lot=line.lot,
    )


def refuse_what_no_bench_can(found: QueuePlace, sequence: str, jobs: Sequence[NewJob]) -> None:
    """Raise InputError where benches have registered and none can do one of the jobs, with what each lacks."""
    with Doing(str(found.place), "read"), closing(found.connect()) as connection:
        benches = {bench: can for bench, can, _ in connection.execute(statements.CAN).fetchall()}
    complaints: dict[Complaint, None] = {}
    for job in jobs:
        lacks = {
            bench: [*lacking(job.needs, can), *filter(None, (lacks_unit(job.serial, can),))]
            for bench, can in benches.items()
        }
        if lacks and all(lacks.values()):
            complaints |= dict.fromkeys(_complaints(sequence, job.serial, lacks))
    if complaints:
        raise InputError(complaints)


def _complaints(sequence: str, serial: str, lacks: Mapping[str, Sequence[str]]) -> Iterator[Complaint]:
    yield Complaint(
        file="SEQUENCE",
        message=f"none of the benches that have registered can do {printable(sequence)} on {printable(serial)}",
        allowed="a sequence and a unit that one of them can do",
        hint="--no-bench-yet adds the job all the same, for a bench that registers later",
    )
    for bench, why in lacks.items():
        yield Complaint(file=f"bench {printable(bench)}", message=printable(listed(why)))
