"""A series that was cut short: what of it is done by its book, its journals and its store, and what the same command carries on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict

import click

from sequencer.cli.run import Asked, Prepared
from sequencer.cli.unattended.options import Unattended
from sequencer.cli.unattended.words import moment
from sequencer.frozen import dataclass
from sequencer.planning.plan import Plan
from sequencer.problems import FileProblems, about_file, printable
from sequencer.results.journal import read_head, read_journal
from sequencer.results.model import is_interrupted
from sequencer.results.store.place import find_place
from sequencer.run.keeping.inputs import input_hashes
from sequencer.run.keeping.journals import Glance, glance, is_held, journals
from sequencer.run.resuming.left_bench import make_safe
from sequencer.run.series.book import ENDING, Made, SeriesBook
from sequencer.run.series.timetable import Timetable
from sequencer.run.series.turn import SeriesUnit
from sequencer.run.status import ExitStatus
from sequencer.units.format import counted

MOST_NAMED = 12
_CAME = {0: "all limits met", 1: "limits not met"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedOn:
    """What the series had come to. ``done``: the runs that are not made again, by number; ``rest``: the journals of those cut short.

    ``said`` is told as it begins, a line each.
    """

    book: SeriesBook
    done: Mapping[int, Made]
    rest: Mapping[int, Glance]
    said: tuple[str, ...] = ()

    @property
    def statuses(self) -> dict[int, ExitStatus]:
        """How the runs ended that are done, by number."""
        return {number: ExitStatus(made.status or 0) for number, made in self.done.items()}


def book_of(
    asked: Asked, series: Unattended, timetable: Timetable, plan: Plan, units: tuple[SeriesUnit, ...]
) -> SeriesBook | None:
    """Return the book of this command's series; None for one run, and for runs without an end, of which nothing is left to be made.

    Another list, sequence, bench or number of runs is another series. Raises FileProblems where it goes on.
    """
    if timetable.repeat == 1 or (timetable.repeat is None and timetable.until is None):
        return None
    is_list = series.units is not None
    # the list of an evening that --until ended goes on the next; other runs do not
    until = None if is_list or timetable.until is None else timetable.until.isoformat()
    command = {
        "inputs": dict(input_hashes(plan)),
        "hashes": [plan.sequence.hash, plan.bench.hash],
        "units": [(one.serial, one.model) for one in units],
        "is_list": is_list,
        "times": (timetable.repeat, timetable.every_s, until),
        "chosen": (asked.chosen.only, asked.chosen.order),
        "line": asdict(asked.line),
        "store": str(find_place(asked.folder, asked.store)) if asked.store else "",
        "dry_run": asked.dry_run,
        "model": asked.model,
    }
    key = hashlib.sha256(json.dumps(command, sort_keys=True).encode()).hexdigest()[:8]
    path = asked.folder / f"{plan.bench.path.stem}-{key}{ENDING}"
    return SeriesBook.take(path, is_list=is_list, anew=bool(series.anew))


def carried_on(book: SeriesBook, prepared: Prepared, timetable: Timetable, series: Unattended) -> CarriedOn:
    """Return what stands of a series by its book. Raises FileProblems where another process carries a run of it on."""
    if not book.made:
        return CarriedOn(book=book, done={}, rest={})
    folder = prepared.asked.folder
    found = {one.run: one for path in journals(folder) if (one := glance(path)) is not None}
    done: dict[int, Made] = {}
    rest: dict[int, Glance] = {}
    gone: list[Made] = []
    for number, made in sorted(book.made.items()):
        seen = found.get(made.run)
        if made.is_done:
            if seen is not None or _is_in_store(prepared, made.run):
                done[number] = made
            else:
                gone.append(made)
        elif seen is not None:
            if is_held(seen.path):
                raise _goes_on(seen)
            if (ended := _ended(seen, made)) is not None:
                done[number] = ended
            elif not seen.outcome or is_interrupted(seen.outcome):
                rest[number] = seen
    what = "run" if series.units is None else "unit"
    return CarriedOn(
        book=book, done=done, rest=rest, said=_said(book, done, rest, gone, timetable.repeat, what)
    )


def _ended(seen: Glance, made: Made) -> Made | None:
    """Return a run that had ended before the series could write that down, and needs no other try; None where it is to be made."""
    if seen.outcome != "done":
        return None
    try:
        status = read_journal(seen.path).kept.status
    except FileProblems:
        return None
    if status not in (ExitStatus.PASSED, ExitStatus.FAILED):
        return None
    return Made(run=made.run, serial=made.serial, status=int(status), is_done=True)


def _is_in_store(prepared: Prepared, run: str) -> bool:
    from sequencer.results.store.problems import StoreProblem
    from sequencer.results.store.store import Store

    try:
        with Store.open_to_read(find_place(prepared.asked.folder, prepared.asked.store)) as store:
            return store.read_run(run) is not None
    except StoreProblem:
        return False


def _goes_on(seen: Glance) -> FileProblems:
    return about_file(
        seen.path,
        f"run {seen.run} of this series goes on: another process writes its journal",
        allowed="a series of which nothing goes on",
        hint="wait until it has ended, or end it; the same command then carries on what is left",
    )


def _said(
    book: SeriesBook,
    done: Mapping[int, Made],
    rest: Mapping[int, Glance],
    gone: list[Made],
    of: int | None,
    what: str,
) -> tuple[str, ...]:
    def name(number: int, made: Made) -> str:
        return f"{made.serial if what == 'unit' else f'run {number}'} ({_CAME[made.status or 0]})"

    many = counted(len(done), what) if of is None else f"{len(done)} of {counted(of, what)}"
    are = "is" if len(done) == 1 else "are"
    named = [name(number, made) for number, made in done.items()][:MOST_NAMED]
    more = f" and {len(done) - MOST_NAMED} more" if len(done) > MOST_NAMED else ""
    stands = f"{many} {are} done and not made again: {', '.join(named)}{more}" if done else "no run is done"
    began = f", begun {moment(book.began)}" if book.began is not None else ""
    lines = [f"carries on the series of the same command{began}: {stands}. --anew begins all of it anew."]
    for number, seen in rest.items():
        at = f" in {seen.last}" if seen.last else ""
        lines.append(f"run {number}: {seen.serial} was cut short{at} and is carried on: run {seen.run}")
    for made in gone:
        lines.append(
            f"{made.serial}: run {made.run} was done and is in neither store nor folder any more; it is made again"
        )
    return tuple(map(printable, lines))


def made_safe(rest: Mapping[int, Glance]) -> ExitStatus | None:
    """Make the bench safe that a run left which was cut short, before anybody touches it; return the status where that ends it."""
    for seen in rest.values():
        if seen.outcome:  # it was stopped, and went its way out
            continue
        try:
            bench = make_safe(read_head(seen.path))
        except FileProblems:  # opening the bench for the next run makes it safe
            continue
        for line in bench.said:
            click.echo(line, err=True)
        if bench.is_interrupted or not bench.is_safe:
            click.echo(f"Nothing of the series is carried on.\n{bench.last_line}", err=True)
            return ExitStatus.BENCH_FAILED if not bench.is_safe else ExitStatus.INTERRUPTED
        if bench.last_line:
            click.echo(bench.last_line, err=True)
    return None
