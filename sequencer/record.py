"""What a run leaves behind: its results table (CSV) and its rows in the store, a check at a time."""

from __future__ import annotations

import errno
import json
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from drivers.roles import Identity
from drivers.trace import Exchange
from sequencer.complaint import Complaint, FileProblems
from sequencer.plan import Plan
from sequencer.results import Result
from sequencer.store import Store, StoreProblem
from sequencer.table import ResultsTable, table_path

STORE_NAME = "results.sqlite"
SERIAL_MAX = 64
MODEL_MAX = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """What every row of a run says alike."""

    run: str
    time: datetime
    serial: str
    model: str
    simulated: bool
    bench_name: str
    plan: Plan


class Record:
    """Table and store of one run.

    What the store cannot take at once (another process holds it) waits in memory and is written at the next check. ``trouble``
    says what one of the two could not keep; the other has it all the same.
    """

    def __init__(self, folder: Path, facts: RunFacts) -> None:
        """Create the folder, the table and the store's row. Raises FileProblems, and leaves nothing new behind, if one cannot be."""
        self.facts = facts
        self.trouble: list[str] = []
        self._waiting: list[Callable[[], None]] = []
        with ExitStack() as undo:
            try:
                _make_folder(folder, undo)
                store = folder / STORE_NAME
                if not store.exists():
                    undo.callback(_remove_store, store)
                # a simulated run can be had again: waiting for the disk was a fifth of a dry run's time
                power_safe = not facts.simulated
                self.store = Store.open(store, power_safe=power_safe)
                undo.callback(self.store.close)
                stem = facts.plan.sequence.path.stem
                self.table = ResultsTable(
                    table_path(folder, time=facts.time, serial=facts.serial, sequence=stem),
                    power_safe=power_safe,
                )
                undo.callback(self.table.path.unlink)
                undo.callback(self.table.close)
                self.store.write_run(_run_row(facts))
            except OSError as error:
                raise _unwritable(folder, error) from error
            except StoreProblem as problem:
                raise problem.as_file_problem() from problem
            undo.pop_all()

    def keep_instruments(self, identities: dict[str, Identity]) -> None:
        """Write who answered on the bench."""
        named = {
            name: f"{one.maker} {one.model}, serial {one.serial}, firmware {one.firmware}"
            for name, one in identities.items()
        }
        self._try(lambda: self.store.write_instruments(self.facts.run, json.dumps(named)))

    def keep(self, index: int, results: Sequence[Result], said: Sequence[Exchange]) -> None:
        """Write what a check left; on return it is durable, or ``trouble`` says where it is not."""
        try:
            self.table.write(results)
        except OSError as error:
            self._trouble(
                f"cannot write the results table {self.table.path}: {error.strerror or error}. What is missing there stands in "
                f"the store beside it. Check the free space."
            )
        self._try(lambda: self.store.write_check(self.facts.run, index, results, said))

    def end(self, *, outcome: str, bench_safe: bool, bench_s: float) -> None:
        """Write how the run ended."""
        problem = self._try(
            lambda: self.store.write_end(
                self.facts.run, outcome=outcome, bench_safe=bench_safe, bench_s=bench_s
            )
        )
        if problem is not None:
            self._trouble(f"{problem} All results stand in the table {self.table.path}.")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(OSError):  # a full disk has been told of when it was written to
            self.table.close()
        self.store.close()

    def _try(self, write: Callable[[], None]) -> StoreProblem | None:
        """Write what waits and then this, in order; what cannot be written yet goes on waiting."""
        self._waiting.append(write)
        try:
            while self._waiting:
                self._waiting[0]()
                self._waiting.pop(0)
        except StoreProblem as problem:
            return problem
        return None

    def _trouble(self, text: str) -> None:
        if text not in self.trouble:
            self.trouble.append(text)


def check_serial(serial: str) -> str:
    """Return the serial if it can name a file and a row. Raises FileProblems: where, what, what is allowed."""
    stripped = serial.strip()
    wrong = ""
    if not stripped:
        wrong = "the serial is empty"
    elif len(stripped) > SERIAL_MAX:
        wrong = f"the serial has {len(stripped)} characters"
    elif any(not character.isprintable() for character in stripped):
        wrong = "the serial holds a control character"
    elif any(character in '/\\:*?"<>|' for character in stripped) or stripped.startswith("."):
        wrong = "the serial holds a character that cannot stand in a file's name"
    if not wrong:
        return stripped
    raise FileProblems(
        [
            Complaint(
                file="--serial",
                line=0,
                column=0,
                message=wrong,
                found=stripped[:40],
                allowed=f'1 to {SERIAL_MAX} printable characters without / \\ : * ? " < > |, not beginning with a point',
                hint="take it from the unit's type plate, such as M40-0007",
            )
        ]
    )


def check_model(model: str) -> str:
    """Return the model if it can stand on a screen and in a row. Raises FileProblems."""
    stripped = model.strip()
    if len(stripped) <= MODEL_MAX and stripped.isprintable():
        return stripped
    wrong = f"has {len(stripped)} characters" if stripped.isprintable() else "holds a control character"
    raise FileProblems(
        [
            Complaint(
                file="--model",
                line=0,
                column=0,
                message=f"the model {wrong}",
                found=stripped[:40],
                allowed=f"at most {MODEL_MAX} printable characters",
            )
        ]
    )


def _make_folder(folder: Path, undo: ExitStack) -> None:
    """Create ``folder`` with all above it; ``undo`` learns to remove what was not there before."""
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    for one in reversed(missing):
        one.mkdir(exist_ok=True)
        undo.callback(_remove_empty, one)
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "this is a file, not a folder", str(folder))


def _remove_empty(folder: Path) -> None:
    with suppress(OSError):  # somebody else has put something there meanwhile
        folder.rmdir()


def _remove_store(path: Path) -> None:
    for suffix in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _run_row(facts: RunFacts) -> dict[str, object]:
    return {
        "run": facts.run,
        "time": facts.time.isoformat(timespec="milliseconds"),
        "serial": facts.serial,
        "model": facts.model,
        "sequence": facts.plan.sequence.sequence.sequence,
        "sequence_hash": facts.plan.sequence.hash,
        "bench": facts.bench_name,
        "bench_hash": facts.plan.bench.hash,
        "simulated": facts.simulated,
        "instruments": "{}",
        "outcome": "not ended",
    }


def _unwritable(folder: Path, error: OSError) -> FileProblems:
    return FileProblems(
        [
            Complaint(
                file=str(folder),
                line=0,
                column=0,
                message=f"results cannot be written here: {error.strerror or error}",
                allowed="a folder that can be written",
                hint="name another with --results",
            )
        ]
    )
