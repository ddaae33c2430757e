"""`line`: puts a station together and lets it work."""

from __future__ import annotations

import getpass
import json
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import fields, replace
from itertools import islice
from pathlib import Path

import click

from sequencer.bench.locks import BenchBusy
from sequencer.cli.common.bench import bench_title, is_terminal
from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.cli.run import Asked, Ran
from sequencer.cli.run_told import as_plain
from sequencer.cli.screens.operator import nobody_to_ask
from sequencer.cli.station.asked import StationAsked
from sequencer.cli.station.linked import LinkedOperator
from sequencer.cli.station.looked_up import Batch, LookedUp, Named
from sequencer.cli.station.measuring import Measured
from sequencer.cli.station.own_check import checked_bench
from sequencer.cli.station.person import PersonAtStation
from sequencer.cli.station.plain import ListedUnits, PlainOperator
from sequencer.cli.station.screen import WindowOperator, has_screen
from sequencer.cli.station.watched import WatchedOperator
from sequencer.files.find import named_file
from sequencer.files.ordinary import is_ordinary
from sequencer.files.read import read_utf8
from sequencer.files.yaml_tree import compose
from sequencer.inputs.lists.unit_list import ListedUnit, read_unit_list
from sequencer.inputs.load_bench import load_bench
from sequencer.problems import Complaint, InputError, option_problem, printable
from sequencer.results.store.place import find_place
from sequencer.run.interrupt import Interrupted, Stopper, stoppable
from sequencer.run.keeping.bench_now import BenchTeller
from sequencer.run.keeping.journals import Glance, glance, journals
from sequencer.run.line.scans import Affixes
from sequencer.run.line.station import Station
from sequencer.run.line.wear import Wear
from sequencer.run.line.work import Operator
from sequencer.run.status import ExitStatus
from sequencer.safety.state import SafeState
from sequencer.units.format import counted

MOST_LEFT = 20
"""Units that were left out, or scanned and not taken, that the end names."""
LOOKED_AT = 50
"""Journals that are looked at for runs that were cut short, newest first."""


@stoppable()  # from the files to the last line, which says how the bench was left
def line_command(asked: Asked, station: StationAsked, *, as_json: bool) -> int:
    """Let a station work until nobody scans any more; returns the worst exit status of its runs."""
    with stoppable() as stopper:
        return _Line(asked, station, stopper, as_json=as_json).go()


class _Line:
    """One session of the command line."""

    def __init__(self, asked: Asked, station: StationAsked, stopper: Stopper, *, as_json: bool) -> None:
        self._asked = asked
        self._station = station
        self._stopper = stopper
        self._as_json = as_json
        if station.auto and station.units is None:
            raise option_problem(
                "--auto", "it takes its units from a list, and none is given", allowed="--units LIST"
            )
        self._listed = _units(station.units) if station.units is not None else ()
        self._bench = load_bench(asked.bench_name)
        self._sequence = _named(asked.sequence_name)
        self._batch = Batch.of(asked)
        self._cut_short = self._find_cut_short()

    def go(self) -> int:
        """Open the bench, work, and say how it was left."""
        operator = self._operator()
        teller = self._teller()
        measured = self._measured(operator, teller)
        if self._station.auto:
            self._prove_all(measured)
        if self._station.check_bench and (found := self._checked_bench()) is not ExitStatus.PASSED:
            with reader_may_be_gone(sys.stderr):
                click.echo("The bench is not in order: no unit is measured.", err=True)
            return int(found)
        with teller:
            status, counts, left, state = self._session(operator, measured, teller)
        if state is not None and not state.confirmed:
            status = ExitStatus.BENCH_FAILED
        with reader_may_be_gone(sys.stderr):
            click.echo(f"The session: {counts or 'no unit'}.", err=True)
            if left:
                more = f" and {len(left) - MOST_LEFT} more" if len(left) > MOST_LEFT else ""
                named = ", ".join(printable(one)[:64] for one in left[:MOST_LEFT])
                click.echo(f"Not measured, {counted(len(left), 'unit')}: {named}{more}.", err=True)
            if state is not None:
                click.echo(state.last_line(), err=True)
        if self._station.check_bench and not self._stopper.requests:
            status = max(status, self._checked_bench())
        return int(status)

    def _checked_bench(self) -> ExitStatus:
        return checked_bench(self._asked, self._bench, self._stopper, as_json=self._as_json)

    def _session(
        self, operator: WindowOperator | PlainOperator | ListedUnits, measured: Measured, teller: BenchTeller
    ) -> tuple[ExitStatus, str, tuple[str, ...], SafeState | None]:
        """Work, and make the bench safe; return what the session came to, which units were not measured, and how the bench was left."""
        status = ExitStatus.PASSED
        counts = ""
        left: tuple[str, ...] = ()
        state = None
        try:
            with _shown(operator):
                worked = self._worked(WatchedOperator(operator, teller), measured)
            status, counts = worked.status, str(worked.counts)
            left = tuple(
                dict.fromkeys((*worked.left_out, *(one.serial for one in operator.kept() if not one.wrong)))
            )
            if isinstance(operator, WindowOperator) and operator.is_lost:
                status = max(status, ExitStatus.INTERRUPTED)
        except BenchBusy as busy:
            click.echo(str(busy), err=True)
            status = ExitStatus.BENCH_FAILED
        except Interrupted:
            status = ExitStatus.INTERRUPTED
        finally:
            with self._stopper.held():
                state = measured.close()
                if state is not None:
                    teller.tell(safe=state.confirmed, safe_why=state.last_line())
        return status, counts, left, state

    def _worked(self, operator: Operator, measured: Measured) -> Station[object]:
        safe, said, left = measured.open_first()
        wear = self._wear()
        station: Station[object] = Station(
            operator=operator,
            measuring=measured,  # type: ignore[arg-type]
            stopper=self._stopper,
            head=self._head(),
            wear=wear,
            greeting=tuple(filter(None, (left, *self._cut_short_lines(), wear.problem))),
        )
        if station.begin(safe=safe, said=said):
            station.go()
        return station

    def _operator(self) -> WindowOperator | PlainOperator | ListedUnits:
        affixes = Affixes(prefix=self._station.prefix, suffix=self._station.suffix)
        if self._station.auto:
            return ListedUnits([one.serial for one in self._listed], say=self._say)
        if self._station.linked:
            return LinkedOperator(affixes=affixes)
        if has_screen() and not self._as_json:
            return WindowOperator(affixes=affixes, sound=self._station.sound)
        return PlainOperator(say=self._say, is_terminal=is_terminal(sys.stdin), affixes=affixes)

    def _teller(self) -> BenchTeller:
        """Return who says in the store what is done here."""
        dry_run = self._asked.dry_run
        return BenchTeller(
            find_place(self._asked.folder, self._asked.store),
            bench=bench_title(self._bench, dry_run=dry_run),
            simulated=dry_run or self._bench.bench.simulated,
            program="line",
            station=self._asked.line.station,
        )

    def _measured(
        self, operator: WindowOperator | PlainOperator | ListedUnits, teller: BenchTeller
    ) -> Measured:
        person = None
        if isinstance(operator, LinkedOperator) or (
            not isinstance(operator, ListedUnits) and is_terminal(sys.stdin)
        ):
            person = PersonAtStation(operator, who=_account(), stopping=lambda: bool(self._stopper.requests))
        looked_up = LookedUp(
            self._asked,
            self._bench,
            sequence=self._sequence,
            batch=self._batch,
            listed={one.serial: one for one in self._listed} if self._listed else None,
            cut_short=self._cut_short,
        )
        return Measured(
            self._asked,
            self._bench,
            looked_up,
            stopper=self._stopper,
            person=person,
            teller=teller,
            told=self._tell,
        )

    def _head(self) -> tuple[str, ...]:
        """Return what stands over all that the station shows: sequence and bench, and where on the line it is."""
        title = bench_title(self._bench, dry_run=self._asked.dry_run)
        line = replace(self._asked.line, batch=self._batch.name)
        said = [f"{one.name} {getattr(line, one.name)}" for one in fields(line) if getattr(line, one.name)]
        return (f"{self._sequence.name} on {title}", *([" · ".join(said)] if said else []))

    def _wear(self) -> Wear:
        """Return what wears with each unit, as its bench and its batch rate it."""
        rated = self._bench.bench.connections
        if self._batch.rules is not None:
            rated = rated.and_of(self._batch.rules.connections)
        parts = {"cable": rated.cable}
        if self._asked.line.fixture or rated.fixture:
            parts[f"fixture {self._asked.line.fixture}".strip()] = rated.fixture
        simulated = self._asked.dry_run or self._bench.bench.simulated
        return Wear(self._bench.bench.bench, parts, kept=not simulated)

    def _prove_all(self, measured: Measured) -> None:
        """See before the first unit that each of the list can be planned. Raises InputError with the complaints of all."""
        complaints: dict[Complaint, None] = {}
        for one in self._listed:
            try:
                prepared = measured.prepare(one.serial, "")
                if prepared.plan.confirmations and not self._asked.confirmed:
                    raise nobody_to_ask(prepared.plan)
            except InputError as problem:
                complaints |= dict.fromkeys(self._of_line(one, problem))
        if not complaints:
            complaints |= dict.fromkeys(self._not_changed())
        if complaints:
            raise InputError(complaints)

    def _not_changed(self) -> Iterator[Complaint]:
        """Yield a complaint for each unit of a real bench in whose position another one lies: nobody would change it."""
        if self._asked.dry_run or self._bench.bench.visa == "sim":
            return
        first: dict[str, ListedUnit] = {}
        for one in self._listed:
            position = one.position or self._asked.bench_name
            if (earlier := first.setdefault(position, one)) is not one:
                yield Complaint(
                    file=str(self._station.units),
                    line=one.line,
                    column=1,
                    message=f"{printable(one.serial)} lies in the position of {printable(earlier.serial)} (line {earlier.line}), "
                    "and nobody changes the unit",
                    allowed="a position of its own for each unit of --auto (column 'position': a bench file)",
                    hint="a handler that changes units writes each serial to standard input, without --auto",
                )

    def _of_line(self, unit: ListedUnit, problem: InputError) -> Iterator[Complaint]:
        """Yield complaints about a unit of the list; one that names no file is about the unit's line."""
        for one in problem.complaints:
            if not one.file.startswith("--"):
                yield one
                continue
            message = f"{printable(unit.serial)}: {one.message}"
            yield replace(one, file=str(self._station.units), line=unit.line, column=1, message=message)

    def _find_cut_short(self) -> dict[str, Glance]:
        """Return the runs on this bench that did not end, by their units: the newest of each."""
        simulated = self._asked.dry_run or self._bench.bench.simulated
        found: dict[str, Glance] = {}
        for path in islice(journals(self._asked.folder), LOOKED_AT):
            one = glance(path)
            if one is None or one.bench_hash != self._bench.hash or one.simulated != simulated:
                continue
            if one.is_cut_short:
                found.setdefault(one.serial, one)
        return found

    def _cut_short_lines(self) -> Iterator[str]:
        for serial, one in islice(self._cut_short.items(), 3):
            yield (
                f"Run {printable(one.run)} of {printable(serial)} was cut short{f' in {one.last}' if one.last else ''}. The bench has been "
                "made safe. Scan the unit: its run is carried on, or it is measured from the start."
            )

    def _say(self, text: str) -> None:
        with suppress(OSError):
            click.echo(text, err=self._as_json)

    def _tell(self, ran: Ran) -> None:
        if self._as_json:
            with suppress(OSError):
                click.echo(json.dumps(as_plain(ran), ensure_ascii=False))


@contextmanager
def _shown(operator: WindowOperator | PlainOperator | ListedUnits) -> Iterator[None]:
    with ExitStack() as stack:
        if isinstance(operator, WindowOperator):
            stack.enter_context(operator)
        yield


def _units(path: Path) -> tuple[ListedUnit, ...]:
    """Return the units of a list; a position that is a file beside the list is that file. Raises InputError."""
    return tuple(
        replace(one, position=str(beside))
        if one.position and is_ordinary(beside := path.parent / one.position)
        else one
        for one in read_unit_list(path, positions=True)
    )


def _named(text: str) -> Named:
    """Return the sequence's file, and the name that its results carry. Raises InputError."""
    path = named_file(text, "sequence")
    source, complaints = compose(read_utf8(path), str(path))
    if source is None or complaints:
        raise InputError(complaints)
    named = source.find(("sequence",)).scalar if "sequence" in source.root.entries else ""
    return Named(path=path, name=str(named))


def _account() -> str:
    try:
        return printable(getpass.getuser())
    except (KeyError, OSError):
        return ""
