"""`gauge STUDY`: makes a gauge study, one measurement after another in the order drawn, and goes on with one that was cut short."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import click

from sequencer.bench.simulation import specimen_for
from sequencer.cli.common.bench import bench_title
from sequencer.cli.run import Asked, Prepared, Ran, execute, new_run, prepare, tell_beforehand
from sequencer.cli.screens.operator import TerminalPerson
from sequencer.cli.statistics.gauge import show_record
from sequencer.cli.statistics.gauge_kept import begun_log, kept_so_far, only_here
from sequencer.cli.statistics.gauge_state import damaged_lines
from sequencer.frozen import dataclass
from sequencer.inputs.gauge_file import Cell, LoadedGauge, load_gauge, planned_cells
from sequencer.problems import Complaint, FileProblems, about_file, option_problem, printable
from sequencer.results.gauge_log import (
    GaugeHead,
    GaugeLog,
    GaugeReading,
    GaugeRecord,
    KeptCell,
    gauge_path,
    read_gauge,
    readings_of,
    unkept,
)
from sequencer.results.model import NOT_ENDED
from sequencer.results.store.place import find_place
from sequencer.run.interrupt import Interrupted, Stopper, stoppable
from sequencer.run.status import ExitStatus
from sequencer.units.format import counted


def gauge_command(study: Path, asked: Asked, *, unasked: bool, as_json: bool) -> int:
    """Make what is left of the study, and show it; returns the exit status."""
    with stoppable() as stopper:
        loaded = load_gauge(study)
        runs = _prepared(loaded, asked)
        first = next(iter(runs.values()))
        _refuse_unasked(first, unasked=unasked, study=study)
        path = gauge_path(asked.folder, loaded.file.gauge)
        with only_here(path):
            head = _head(loaded, first)
            record = kept_so_far(path, head)
            tell_beforehand(first)
            with closing(begun_log(path, record, head)) as log:
                making = _Making(log=log, runs=runs, stopper=stopper, asks=not unasked, record=record)
                status = making.go(planned_cells(loaded.file, making.seed))
        shown = show_record(path, asked.store, as_json=as_json)
        return max(int(status), shown)


def _prepared(loaded: LoadedGauge, asked: Asked) -> dict[str, Prepared]:
    """Prepare a run of each unit. Raises FileProblems with what is wrong with any of them."""
    found: dict[str, Prepared] = {}
    complaints: dict[Complaint, None] = {}
    chosen = replace(asked.chosen, only=loaded.file.checks)
    for serial in loaded.file.units:
        one = replace(asked, sequence_name=str(loaded.sequence), serial=serial, chosen=chosen)
        try:
            prepared = prepare(one)
            if _lies_there_by_itself(prepared):
                specimen_for(prepared.plan.bench, serial, dry_run=one.dry_run)
        except FileProblems as problems:
            complaints |= {_of_unit(complaint, serial): None for complaint in problems.complaints}
            continue
        found[serial] = prepared
    if complaints:
        raise FileProblems(complaints)
    return found


def _of_unit(complaint: Complaint, serial: str) -> Complaint:
    if not complaint.file.startswith("--"):
        return complaint
    return replace(complaint, message=f"unit {printable(serial)}: {complaint.message}")


def _lies_there_by_itself(prepared: Prepared) -> bool:
    return prepared.asked.dry_run or prepared.plan.bench.bench.visa == "sim"


def _refuse_unasked(prepared: Prepared, *, unasked: bool, study: Path) -> None:
    if unasked and not _lies_there_by_itself(prepared):
        raise option_problem(
            "--unasked",
            "somebody connects each unit to this bench, and must say which it is",
            allowed="a simulated bench, or --dry-run",
        )
    if not unasked and not prepared.people.terminal:
        raise about_file(
            study,
            "the study asks for units and operators, and there is no terminal to ask at",
            allowed="a terminal with somebody at the bench; or --unasked on a simulated bench",
        )


def _head(loaded: LoadedGauge, prepared: Prepared) -> GaugeHead:
    file, plan = loaded.file, prepared.plan
    return GaugeHead(
        gauge=file.gauge,
        units=file.units,
        operators=file.operators,
        trials=file.trials,
        order=file.order,
        seed=secrets.randbelow(1_000_000) if file.seed is None else file.seed,
        checks=file.checks,
        sequence=plan.sequence.sequence.sequence,
        sequence_hash=plan.sequence.hash,
        bench=bench_title(plan.bench, dry_run=prepared.simulated),
        bench_hash=plan.bench.hash,
        simulated=prepared.simulated,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """What a store knows of a measurement whose end was not written down: its readings, or why it counts for nothing."""

    readings: tuple[GaugeReading, ...] = ()
    why_not: str = ""


class _Making:
    """The making of one study."""

    def __init__(
        self,
        *,
        log: GaugeLog,
        runs: dict[str, Prepared],
        stopper: Stopper,
        asks: bool,
        record: GaugeRecord | None,
    ) -> None:
        self._log = log
        self._runs = runs
        self._stopper = stopper
        self._asks = asks
        self._record = read_gauge(log.path) if record is None else record
        self._operator = ""
        self._supply_off = False
        self.seed = self._record.head.seed
        """What the order was drawn with when it began."""

    def go(self, cells: tuple[Cell, ...]) -> ExitStatus:
        """Make what is left; returns how it ended."""
        try:
            done = {number for number, cell in self._record.cells.items() if cell.is_whole}
            done |= set(self._taken_up(cells))
            due = [cell for cell in cells if cell.number not in done]
            self._say_where(len(cells), len(due))
            for cell in due:
                if (status := self._made(cell, len(cells))) is not None:
                    return status
        except Interrupted:
            self._say_stopped()
            return ExitStatus.INTERRUPTED
        except OSError as error:
            raise unkept(self._log.path, error) from error
        return ExitStatus.PASSED

    def _taken_up(self, cells: tuple[Cell, ...]) -> Iterator[int]:
        """Keep the measurements that were over but not written down, when the power went, or on a damaged line; give their numbers."""
        for number, run in self._record.begun:
            cell = next((one for one in cells if one.number == number), None)
            if cell is not None and self._took_up(cell, run):
                yield number

    def _took_up(self, cell: Cell, run: str) -> bool:
        number = cell.number
        found = self._looked_up(cell, run)
        if found.why_not:
            self._log.leave(number, found.why_not)
            _say(
                f"Measurement {number} ({cell.unit} by {cell.operator}) counts for nothing: {found.why_not}."
            )
            return False
        self._log.keep(_kept_cell(cell, run, found.readings))
        _say(
            f"Measurement {number} ({cell.unit} by {cell.operator}) was over, and is taken from the store: run {run}."
        )
        return True

    def _looked_up(self, cell: Cell, run: str) -> _Found:
        from sequencer.results.store.store import Store, StoreProblem

        asked = self._runs[cell.unit].asked
        try:
            with Store.open_to_read(find_place(asked.folder, asked.store)) as store:
                stored = store.read_run(run)
                if stored is None or stored.outcome == NOT_ENDED:
                    return _Found(why_not=f"its run {run} was cut short")
                if stored.serial != cell.unit or stored.operator not in ("", cell.operator):
                    return _Found(why_not=f"its run {run} was of another unit or operator")
                results = [one for one in store.read_results(run, points=False) if one.counts]
        except StoreProblem as problem:
            return _Found(why_not=f"the store does not tell of its run {run} ({problem})")
        readings = readings_of(results, self._record.head.checks)
        if not readings or any(one.value is None for one in readings):
            return _Found(why_not=f"its run {run} did not measure it")
        return _Found(readings=readings)

    def _made(self, cell: Cell, of: int) -> ExitStatus | None:
        """Make one measurement; return how the study ends with it, None where it goes on."""
        if self._asks and not self._ready(cell, of):
            self._say_stopped()
            return ExitStatus.INTERRUPTED
        self._stopper.check()
        prepared = self._runs[cell.unit]
        run = new_run(prepared.simulated)
        self._log.begins(cell.number, run)
        with self._stopper.as_before():
            ran = execute(
                _connected_anew(_named_run(prepared, cell, run), cell.number),
                head=f"measurement {cell.number} of {of}",
            )
        return self._kept(cell, of, ran)

    def _kept(self, cell: Cell, of: int, ran: Ran) -> ExitStatus | None:
        outcome = ran.outcome
        self._supply_off = outcome.safe_state.confirmed
        made = _kept_cell(cell, ran.facts.run, readings_of(outcome.results, self._record.head.checks))
        stopped = ran.status is ExitStatus.INTERRUPTED or bool(self._stopper.requests)
        if made.is_whole:
            self._log.keep(made)
            _say(f"{cell.number} of {of} kept.")
        elif stopped:
            self._log.leave(cell.number, "stopped")
        else:
            self._log.keep(made)
            why = next((one.note for one in made.readings if one.value is None), "no result")
            _say(f"{cell.number} of {of} was not measured: {why}. It is asked for again at the next call.")
        for problem in (*outcome.problems, *map(str, ran.hazards)):
            _say(problem)
        if not outcome.safe_state.confirmed or stopped:
            click.echo(outcome.safe_state.last_line(), err=True)
        if stopped:
            self._say_stopped()
            return ExitStatus.INTERRUPTED
        if ran.status is ExitStatus.BENCH_FAILED and (
            outcome.faults or ran.hazards or not outcome.safe_state.confirmed
        ):
            _say("The bench failed: the study stops here. The same command goes on with it.")
            return ExitStatus.BENCH_FAILED
        return None

    def _ready(self, cell: Cell, of: int) -> bool:
        """Ask for operator and unit until the right ones are there; False where somebody stops."""
        _say(
            f"\nMeasurement {cell.number} of {of}: unit {cell.unit}, measured by {cell.operator} (trial {cell.trial})."
        )
        if cell.operator != self._operator:
            if not self._named("Operator", cell.operator, "the one whose turn it is"):
                return False
            self._operator = cell.operator
        caution = (
            "" if self._supply_off else "The supply is not known to be off: look before you touch a plug. "
        )
        return self._named(
            f"{caution}Connect the unit anew, then scan or type its serial",
            cell.unit,
            "the unit whose turn it is",
        )

    def _named(self, question: str, due: str, what: str) -> bool:
        """Ask until ``due`` is named; False at the end of input, or for q."""
        while True:
            said = TerminalPerson().ask(f"{question} [q: stop here]: ")
            self._stopper.check()
            if said is None or said.strip().casefold() == "q" != due.casefold():
                return False
            given = said.strip().strip("\x02\x03\x1d\x1e\x04")
            if given.casefold() == due.casefold():
                return True
            shown = printable(given)[:64]
            _say(f"  '{shown}' is not {what}: {due} is." if shown else f"  {due} is {what}.")

    def _say_where(self, of: int, due: int) -> None:
        head = self._record.head
        for line in damaged_lines(self._log.path, self._record):
            _say(line)
        _say(
            f"{head.gauge}: {due} of {counted(of, 'measurement')} to be made, order drawn with {head.seed}; kept in {self._log.path}."
        )
        if self._asks and due:
            _say("No value is shown until the study is whole: whoever sees them measures otherwise.")
            _say("Ctrl-C or q stops it; the same command goes on with it.")

    def _say_stopped(self) -> None:
        _say("Stopped. What was measured is kept; the same command goes on with it.")


def _named_run(prepared: Prepared, cell: Cell, run: str) -> Prepared:
    """Return the run of a measurement, with its name and its operator."""
    line = replace(prepared.line, operator=cell.operator)
    return replace(prepared, asked=replace(prepared.asked, run=run), line=line)


def _connected_anew(prepared: Prepared, number: int) -> Prepared:
    """Let a simulated bench have the unit connected for the ``number``th time: noise and connection are drawn anew."""
    if not _lies_there_by_itself(prepared):
        return prepared
    loaded = prepared.plan.bench
    bench = loaded.bench.model_copy(update={"connected": number})
    return replace(prepared, plan=replace(prepared.plan, bench=replace(loaded, bench=bench)))


def _kept_cell(cell: Cell, run: str, readings: tuple[GaugeReading, ...]) -> KeptCell:
    return KeptCell(
        number=cell.number,
        unit=cell.unit,
        operator=cell.operator,
        trial=cell.trial,
        run=run,
        readings=readings,
    )


def _say(text: str) -> None:
    click.echo("\n".join(printable(line) for line in text.split("\n")), err=True)
