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


BY_RULE, BY_HAND = "rule", "hand"
"""What closes a batch."""
OPENED_AGAIN = "opened again"


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchRecord:
    """A batch as the store has it: units tested for one purpose, with one sequence as its checksum names it.

    ``target`` is how many units it is to have; None where nobody said. ``rules`` is its file's content as JSON
    (`sequencer.inputs.batch.BatchFile`), empty where it was opened by its name alone. ``closed`` is None as long as it is open;
    ``closed_by`` says what closed it, `BY_RULE` or `BY_HAND`, and is empty of one that is open. ``stopped`` are the reasons, oldest first:
    why it stopped or was closed, and why it went on; empty where it never was. ``went_on`` is when it was last opened again, None where
    it never was: its rules count from there. ``stopped_at`` is when a rule stopped it last: each bench that had tested for it must be
    found in order since then; None where none did, or a person has opened it since.
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
    closed_by: str = ""
    stopped: str = ""
    went_on: datetime | None = None
    stopped_at: datetime | None = None

    @property
    def stopped_itself(self) -> bool:
        """Say whether it is closed because one of its rules stopped it; what a person closed waits for a person's word."""
        return self.closed is not None and self.closed_by == BY_RULE

    def state(self) -> str:
        """Return in words whether it is open, or what closed it and when."""
        if self.closed is None:
            return "open"
        how = {BY_RULE: "stopped by its rules", BY_HAND: "closed by hand"}.get(self.closed_by, "closed")
        return f"{how} on {self.closed:%Y-%m-%d %H:%M}"


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


def with_reason(stopped: str, what: str, now: datetime, why: str) -> str:
    """Return a batch's reasons with one more: ``what`` was done (`stopped`, `closed by hand`, `opened again`), when and why.

    The first that closed it stands by itself, for the batch has its day. The newest 2000 characters.
    """
    if not stopped and what != OPENED_AGAIN:
        return why[-2000:]
    before = f"{stopped}; " if stopped else ""
    return f"{before}{what} {now.isoformat(timespec='milliseconds')}: {why}"[-2000:]
