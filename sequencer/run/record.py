"""What a run leaves behind: its journal, its results table (CSV) and its rows in the store, a check at a time."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from drivers.roles import Identity
from drivers.trace import Exchange
from sequencer import __version__
from sequencer.analysis.own_history import OwnHistory
from sequencer.checks.finding import KeptFile
from sequencer.files.write import write_beside
from sequencer.inputs.bench_parts.instrument_roles import Instrument
from sequencer.planning.doubts.calibration import Doubt
from sequencer.results.csv_table import ResultsTable
from sequencer.results.journal import JournalRead, exchange_cells
from sequencer.results.journal_lines import as_plain
from sequencer.results.line import CheckSeconds
from sequencer.results.model import BenchInstrument, Result
from sequencer.results.store.commands import resume_command
from sequencer.results.store.fence import Fence
from sequencer.results.store.place import STORE_NAME, StorePlace, find_place
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.spill import KeptInput
from sequencer.results.store.transaction import is_measured_anew
from sequencer.results.store.writer import StoreWriter
from sequencer.run.bench_health.bench_state import changed_since, measured_since
from sequencer.run.bench_health.history import find_history
from sequencer.run.events import Event
from sequencer.run.facts import Again, RunFacts
from sequencer.run.keeping.folder import make_folder, remove_if_empty, unwritable, why_not
from sequencer.run.keeping.inputs import inputs_of
from sequencer.run.keeping.journal import ENDING, Journal
from sequencer.run.keeping.journal_head import head_of, run_record
from sequencer.run.keeping.kept import Kept
from sequencer.run.keeping.store_queue import StoreQueue
from sequencer.run.resuming.taken_up import import_into, table_of, taken_up, unended
from sequencer.run.status import ExitStatus
from sequencer.safety.remembered.announced import Announced

__all__ = ["STORE_NAME", "Again", "Record", "RunFacts"]


class Record:
    """Journal, table and store of one run.

    What the store cannot take at once (another process holds it, it is away) stands in the journal, and is written at the next check.
    ``problems`` says what one of the three could not keep, and at the end what stands where, as it was read back from there.
    """

    def __init__(self, folder: Path, facts: RunFacts, *, store: str = "", fence: Fence | None = None) -> None:
        """Create the folder, the table, the journal and the store's row, or go on with those of a run that is carried on.

        Raises FileProblems, and leaves nothing new behind, if one cannot be; a store that is only away, held, full or protected is waited
        for, and ``at_start`` says so. ``store`` names another than the file in
        ``folder``: a path, or PostgreSQL by its address. ``fence`` lets the run write there.
        """
        self.facts = facts
        self.at_start = ""
        self.problems: list[str] = []
        self._instruments: tuple[BenchInstrument, ...] = ()
        self.kept: Kept | None = None
        """What stands where, read back at the end."""
        self._known = 0
        self._results: list[tuple[int, Result]] = []
        self._in_table: list[int] = []
        self._table_changed = ""
        self._table_failed = False
        self._catches_up = facts.carried is not None
        self.began = datetime.now().astimezone()
        # a simulated run can be had again: waiting for the disk was a fifth of a dry run's time
        self._power_safe = not facts.simulated
        with ExitStack() as undo:
            try:
                place = self._place = find_place(folder, store)
                self._store = StoreQueue(place, power_safe=self._power_safe, fence=fence)
                undo.callback(self._store.close)
                if facts.carried is None:
                    self._begin(folder, place, undo)
                else:
                    self._take_up(facts.carried.read, undo)
                    self.note("resumed", program=__version__, at=self.began)
            except OSError as error:
                raise unwritable(folder, error) from error
            except StoreProblem as problem:
                raise problem.as_file_problem() from problem
            undo.pop_all()

    def _take_up(self, read: JournalRead, undo: ExitStack) -> None:
        self.journal = taken_up(read, power_safe=self._power_safe)
        undo.callback(self.journal.close)
        self.table, self._in_table, self._table_changed = table_of(read, power_safe=self._power_safe)
        undo.callback(self.table.close)

    def _begin(self, folder: Path, place: StorePlace, undo: ExitStack) -> None:
        facts, run, inputs = self.facts, run_record(self.facts), inputs_of(self.facts.plan)
        make_folder(folder, undo)
        stem = facts.plan.sequence.path.stem
        self.table = ResultsTable.begin(
            folder, time=facts.time, serial=facts.serial, sequence=stem, power_safe=self._power_safe
        )
        undo.callback(self.table.path.unlink)
        undo.callback(self.table.close)
        self.journal = Journal.create(
            self.table.path.with_suffix(ENDING),
            power_safe=self._power_safe,
            begins=as_plain(head_of(facts, run, self.table.path, place)),
        )
        undo.callback(self.journal.path.unlink)
        undo.callback(self.journal.close)
        self.journal.write("inputs", durable=False, inputs=list(map(KeptInput.of, inputs)))
        if facts.batch is not None:
            self.journal.write("batch_opened", durable=False, batch_opened=facts.batch)
        # The store last: another process may be writing to it by now, so that nobody may take it away again.
        if place.path is not None and not place.path.exists():
            undo.callback(remove_if_empty, place.path)
        problem = self._store.write(
            lambda writer, again: writer.write_run(
                run, inputs, batch=facts.batch, seen=facts.seen_runs, again=again
            )
        )
        if problem is not None and not problem.may_pass:
            raise problem
        if problem is not None:
            self.at_start = (
                f"{problem} The run goes on; all that it leaves stands in {self.journal.path} meanwhile."
            )

    @property
    def waits_for_store(self) -> bool:
        """Whether the store lacks something that the journal has."""
        return self._store.waits

    @property
    def store(self) -> StoreWriter:
        """The store. Raises StoreProblem as long as it could not be opened."""
        return self._store.opened()

    def catch_up(self) -> None:
        """Bring table and store of a run that is carried on to what its journal has; what cannot be waits, and is told at the end."""
        if not self._catches_up or (carried := self.facts.carried) is None:
            return
        self._catches_up = False
        read = carried.read
        self._results = [(check.check_index, one) for check in read.kept.checks for one in check.results]
        self.at_start = self._table_changed
        self._write_table(())
        kept = replace(read.kept, resumed=(*read.resumed, self.began))

        def bring_in(writer: StoreWriter, again: bool) -> None:
            import_into(writer, unended(kept))
            self._known = writer.count_rows(
                self.facts.run
            )  # it may hold more than a journal that could not be written

        self._store.write(bring_in)

    def keep_instruments(self, identities: dict[str, Identity]) -> None:
        """Write who answered on the bench."""
        on_bench = self.facts.plan.bench.bench.instruments
        found = [_on_bench(name, one, on_bench.get(name)) for name, one in identities.items()]
        self.note("instruments", instruments=found)
        self._instruments = tuple(found)
        self._store.write(lambda writer, again: writer.write_instruments(self.facts.run, found))

    def find_earlier(self, serial: str, check: str) -> OwnHistory:
        """Return what the store holds of ``serial`` on this bench, of one check or (empty) of all, without this run."""
        try:
            self.store.look_whether_there()  # a new file in its place would be made a store by reading it
        except StoreProblem as problem:
            return OwnHistory(now=self._instruments, simulated=self.facts.simulated, unreadable=str(problem))
        return find_history(self._place, self.facts, self._instruments, serial=serial, check=check)

    def find_measured_since(self) -> str:
        """Return which units were measured on this bench since its last check that passed, as a sentence; empty where none was."""
        return measured_since(
            self.facts.plan,
            self._place,
            bench_name=self.facts.bench_name,
            simulated=self.facts.simulated,
            run=self.facts.run,
        )

    def find_changes(self) -> list[Doubt]:
        """Return which instruments are others than in the run before on this bench, or have another firmware."""
        try:
            run, before = self.store.read_instruments_before(self.facts.run, self.facts.bench_name)
        except StoreProblem:  # told of where it is written to
            return []
        return changed_since(run, before, self._instruments)

    def mark_simulated(self) -> None:
        """Mark the run, and all that it will keep, as simulated: the instruments have said that they are."""
        self.facts = replace(self.facts, simulated=True, bench_name=f"{self.facts.bench_name} (simulated)")
        bench = self.facts.bench_name
        self.note("simulated", bench=bench)
        self._store.write(lambda writer, again: writer.write_simulated(self.facts.run, bench))

    def note(self, event: str, **facts: Any) -> None:
        """Write into the journal what is about to happen, or has been answered."""
        self.journal.write(event, **facts)

    def listen(self, event: Event) -> None:
        """Write into the journal what the run tells its listeners."""
        self.journal.listen(event)

    def announce(self, event: Announced) -> None:
        """Write into the journal what is about to be done to the bench."""
        self.journal.announce(event)

    def keep(
        self,
        index: int,
        results: Sequence[Result],
        said: Sequence[Exchange],
        *,
        on_unit: Sequence[bool] = (),
        whole: bool = True,
        seconds: CheckSeconds | None = None,
    ) -> None:
        """Write what a check left; on return it is durable, or ``problems`` says where it is not.

        ``on_unit`` says of each result whether what is missing is the unit's doing; ``whole`` is false of a check that was cut short.
        """
        self.catch_up()
        self.note(
            "check ended",
            check_index=index,
            results=results,
            on_unit=on_unit or (False,) * len(results),
            whole=whole,
            seconds=seconds,
            exchanges=list(exchange_cells(said)),
        )
        # of a run that is carried on the store may hold what the journal has not
        before = self.facts.carried is not None or any(before == index for before, _ in self._results)
        anew = is_measured_anew(results) and before
        self._results += [(index, one) for one in results]
        self._in_table += [index] * len(results)
        self._write_table(results)
        repeats = self.facts.again.run if self.facts.again is not None else ""

        def write(writer: StoreWriter, again: bool) -> None:
            known = self._known if again else None
            writer.write_check(
                self.facts.run, index, results, said, seconds=seconds, known=known, repeats=repeats, anew=anew
            )
            self._known += len(results) + len(said)

        self._store.write(write)

    def keep_file(self, index: int, name: str, content: bytes) -> KeptFile:
        """Write a file beside the table, onto the disk: the table's name, the check's number, ``name``. Overwrites none. OSError."""
        named = Path(name)
        wanted = self.table.path.with_name(f"{self.table.path.stem}_{index:02}_{named.stem}{named.suffix}")
        try:
            path = write_beside(wanted, content)
        except OSError as error:
            self._note_problem(f"cannot keep {wanted}: {why_not(error)}")
            raise
        self.note("file kept", check_index=index, file=path.name)
        return KeptFile(path=path, sha256=hashlib.sha256(content).hexdigest())

    def end(self, *, outcome: str, bench_safe: bool, bench_s: float, status: int = 0) -> None:
        """Write how the run ended."""
        self.catch_up()
        how: dict[str, Any] = {"outcome": outcome, "bench_safe": bench_safe, "bench_s": bench_s}
        self.note("ended", **how, status=status)
        problem = self._store.write(
            lambda writer, again: writer.write_end(self.facts.run, **how, status=status)
        )
        self._write_table(())
        self.journal.try_again()
        if changed := self.journal.mend():
            self._note_problem(changed)
        self.kept = self._read_back()
        if (error := self.journal.problem) is not None:
            carries = resume_command(self.facts.run, self.table.path.parent, self._place)
            self._note_problem(
                f"cannot write the journal {self.journal.path}: {why_not(error)} {self.journal.lacks} of its lines are missing: if the run "
                f"is carried on ({carries}), what they tell of is measured again."
            )
        if problem is not None:
            self._note_problem(f"{problem} {self.kept.said()}")
        elif self._table_failed or not self.kept.whole:
            self._note_problem(self.kept.said())
        self._arrange_table()
        if (
            self.problems and status < ExitStatus.BENCH_FAILED
        ):  # what is not kept whole is no verdict there either
            self._store.write(
                lambda writer, again: writer.write_end(
                    self.facts.run, **how, status=int(ExitStatus.BENCH_FAILED)
                )
            )

    def _write_table(self, results: Sequence[Result]) -> None:
        """Write results to the table, after what did not fit there before; there may be room now."""
        try:
            self.table.write(results)
        except OSError as error:
            self._table_failed = True
            self._note_problem(f"cannot write the results table {self.table.path}: {why_not(error)}")

    def _arrange_table(self) -> None:
        """Put the table into the order of the sequence file, where the checks were made in another and every row stands there."""
        numbers = self._in_table
        if self.kept is None or numbers == sorted(numbers) or self.kept.in_table < len(self._results):
            return
        try:
            self.table.arrange(sorted(range(len(numbers)), key=numbers.__getitem__))
        except OSError as error:
            self._note_problem(
                f"the results table {self.table.path} could not be put into the order of the sequence file and stands as it was "
                f"measured: {why_not(error)}"
            )
        self.kept = replace(self.kept, in_table=self.table.count_kept())

    def _read_back(self) -> Kept:
        in_store = self._store.count_kept(self.facts.run, self._results)
        lags = in_store < len(self._results) or self._store.waits
        return Kept(
            results=tuple(one for _, one in self._results),
            table=self.table.path,
            in_table=self.table.count_kept(),
            store=self._store.where,
            in_store=in_store,
            beside=self.journal.path if lags and self.journal.holds_all() else None,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.catch_up()
        with suppress(OSError):  # a full disk has been told of when it was written to
            self.table.close()
        self._store.close()
        self.journal.close()

    def _note_problem(self, text: str) -> None:
        if text not in self.problems:
            self.problems.append(text)


def _on_bench(name: str, identity: Identity, entry: Instrument | None) -> BenchInstrument:
    calibration = entry.calibration if entry is not None else None
    return BenchInstrument(
        name=name,
        role=entry.role if entry is not None else "",
        maker=identity.maker,
        model=identity.model,
        serial=identity.serial,
        firmware=identity.firmware,
        certificate=calibration.certificate if calibration is not None else "",
        due=calibration.due.isoformat() if calibration is not None and calibration.due is not None else "",
    )
