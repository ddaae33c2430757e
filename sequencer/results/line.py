"""Under what a unit was tested where many are tested alike: batch, station, operator, lot, fixture and attempt; and the batch itself."""

from __future__ import annotations

from dataclasses import asdict, fields
from datetime import datetime
from typing import Any, Self

from sequencer.frozen import dataclass

MOST_ATTEMPTS = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFacts:
    """What was said of a run beside its unit: each text is empty where nothing was.

    ``attempt`` is 1 for the first pass of a unit in its batch, and one more than its earlier runs there that gave a verdict (how one that
    was broken off goes on is the same attempt); 0 outside of a batch.
    ``retest_reason`` says why a unit that had a verdict was tested again, where somebody said so.
    """

    batch: str = ""
    station: str = ""
    operator: str = ""
    lot: str = ""
    fixture: str = ""
    attempt: int = 0
    retest_reason: str = ""

    @classmethod
    def of(cls, run: Any) -> Self:
        """Return what a run or a result carries of it."""
        return cls(**{name: getattr(run, name) for name in LINE_COLUMNS})

    def as_plain(self) -> dict[str, Any]:
        """Return it under the names of `LINE_COLUMNS`."""
        return asdict(self)


LINE_COLUMNS = tuple(one.name for one in fields(LineFacts))
"""What runs and results carry of it, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchRecord:
    """A batch as the store has it: units tested for one purpose, with one sequence as its checksum names it.

    ``target`` is how many units it is to have; None where nobody said. ``rules`` is its file's content as JSON
    (`sequencer.inputs.batch.BatchFile`), empty where it was opened by its name alone. ``closed`` is None as long as it is open, and
    ``stopped`` says why it stopped before its end; empty where it did not. ``went_on`` is when it was last opened again, None where it
    never was: its rules count from there.
    """

    batch: str
    sequence: str
    sequence_hash: str
    model: str = ""
    simulated: bool = False
    target: int | None = None
    rules: str = ""
    opened: datetime
    closed: datetime | None = None
    stopped: str = ""
    went_on: datetime | None = None


BATCH_COLUMNS = tuple(one.name for one in fields(BatchRecord))


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSeconds:
    """Where the bench time of one check went, seconds. What is not named is measuring: setting, reading and searching.

    ``bench_s`` is all of it; ``settling_s`` was waited for the unit or an instrument to settle, ``resting_s`` for the transmitter to rest,
    ``person_s`` for a person.
    """

    bench_s: float
    settling_s: float = 0.0
    resting_s: float = 0.0
    person_s: float = 0.0


def opened_again(stopped: str, now: datetime, why: str) -> str:
    """Return what is kept of a batch that goes on after it had stopped: why it had, when and why it goes on; the newest 2000 characters."""
    before = f"{stopped}; " if stopped else ""
    return f"{before}opened again {now.isoformat(timespec='milliseconds')}: {why}"[-2000:]
