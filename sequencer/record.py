"""What a run leaves behind: its results table (CSV) and its rows in the store, a check at a time."""

from __future__ import annotations

import json
from collections.abc import Sequence
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
    """Table and store of one run. ``trouble`` says what could not be kept in the store; the table has it all the same."""

    def __init__(self, folder: Path, facts: RunFacts) -> None:
        """Create the folder, the table and the store's row. Raises FileProblems if the folder cannot be written."""
        self.facts = facts
        self.trouble: list[str] = []
        try:
            folder.mkdir(parents=True, exist_ok=True)
            path = table_path(
                folder, time=facts.time, serial=facts.serial, sequence=facts.plan.sequence.path.stem
            )
            self.table = ResultsTable(path)
        except OSError as error:
            raise _unwritable(folder, error) from error
        try:
            self.store = Store.open(folder / STORE_NAME)
            self.store.write_run(_run_row(facts))
        except StoreProblem as problem:
            self.table.close()
            self.table.path.unlink()
            raise FileProblems(
                [
                    Complaint(
                        file=str(folder / STORE_NAME),
                        line=0,
                        column=0,
                        message=str(problem),
                        allowed="a folder that can be written",
                    )
                ]
            ) from problem

    def keep_instruments(self, identities: dict[str, Identity]) -> None:
        """Write who answered on the bench."""
        named = {
            name: f"{one.maker} {one.model}, serial {one.serial}, firmware {one.firmware}"
            for name, one in identities.items()
        }
        self._try(lambda: self.store.write_instruments(self.facts.run, json.dumps(named)))

    def keep(self, index: int, results: Sequence[Result], said: Sequence[Exchange]) -> None:
        """Write what a check left; on return it is durable."""
        self.table.write(results)
        self._try(lambda: self.store.write_check(self.facts.run, index, results, said))

    def end(self, *, outcome: str, bench_safe: bool, bench_s: float) -> None:
        """Write how the run ended."""
        self._try(
            lambda: self.store.write_end(
                self.facts.run, outcome=outcome, bench_safe=bench_safe, bench_s=bench_s
            )
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.table.close()
        self.store.close()

    def _try(self, write: object) -> None:
        try:
            write()  # type: ignore[operator]
        except StoreProblem as problem:
            self.trouble.append(str(problem))


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
