"""What every row of a run says alike, how the run was asked for, and what it brings along where it is carried on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from datetime import datetime

from sequencer.frozen import dataclass
from sequencer.planning.doubts.calibration import Doubt
from sequencer.planning.plan import Plan
from sequencer.results.at_point import AtPoint
from sequencer.results.journal import JournalRead
from sequencer.results.line import BatchRecord, LineFacts
from sequencer.results.model import Result


@dataclass(frozen=True, slots=True, kw_only=True)
class Again:
    """Why checks of an earlier run are repeated: ``run`` is the first of those that repeat each other."""

    run: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluated:
    """The run whose readings a re-evaluation judges anew, when it was (ISO 8601), and the hashes of its files."""

    run: str
    time: str
    sequence_hash: str
    bench_hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished:
    """A check that was finished before its run was cut short.

    ``on_unit`` says of each result whether what is missing is the unit's doing.
    """

    index: int
    results: tuple[Result, ...]
    on_unit: tuple[bool, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """What a run that is carried on brings along: its journal, what was finished, and what the results still to come say in their notes."""

    read: JournalRead
    finished: tuple[Finished, ...] = ()
    notes: Mapping[int, str] = field(default_factory=dict)
    """By the number of the check."""
    found_notes: Mapping[int, str] = field(default_factory=dict)
    """What only results as found say: what was found, and stood, before an adjusting that was cut short."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """What every row of a run says alike; ``model_named`` is what was given with --model, ``doubts`` speak against the bench.

    ``refused`` says why nothing may be measured on the bench, as its file asks; empty where it may. ``line`` says under what the unit
    is tested; ``batch`` is its batch as it is opened, None where it is not of one, and ``seen_runs`` how many runs of the unit that had,
    None where nobody could look. ``said_then`` is what results of a run that was carried on say of it, by the number of the check, where it
    is gone through again.
    """

    run: str
    time: datetime
    serial: str
    model: str
    simulated: bool
    bench_name: str
    plan: Plan
    again: Again | None = None
    dry_run: bool = False
    model_named: str = ""
    evaluated: Evaluated | None = None
    doubts: tuple[Doubt, ...] = ()
    refused: str = ""
    carried: Carried | None = None
    said_then: Mapping[int, str] = field(default_factory=dict)
    line: LineFacts = LineFacts()
    batch: BatchRecord | None = None
    seen_runs: int | None = None

    @property
    def carried_c(self) -> tuple[float, ...]:
        """At which temperatures the part of the run measured that was cut short, °C; empty where none was."""
        finished = self.carried.finished if self.carried is not None else ()
        measured = (one for done in finished for one in done.results if one.value is not None)
        points = (AtPoint.of(one.settings) for one in measured)
        found = (one.temperature_c for one in points if one is not None and one.temperature_c is not None)
        return tuple(dict.fromkeys(found))
