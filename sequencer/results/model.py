"""What a check leaves: rows of a results table, and the readings a search used."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, fields
from datetime import datetime
from operator import attrgetter
from typing import Any, Literal, Self

from drivers.faults import InstrumentFault
from sequencer.frozen import dataclass
from sequencer.results.settings import Settings
from sequencer.results.stored_budget import StoredBudget
from sequencer.uncertainty.decision import Bound, Decision

OF_SPECTRUM = "of a spectrum"
"""The state of a point that belongs to a trace of a spectrum."""

AGAINST_TIME = "against time"
"""The state of a point that shows a figure against time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading a search used: the level asked for, what was read there, and for how long.

    A point of a trace (``state`` is `OF_SPECTRUM`) has no level that was asked for (NaN); ``frequency_hz`` says where it lies, in a trace
    about a channel counted from the channel's frequency, and its reading is the level shown there, dBm at the antenna connector. Of
    every other point ``frequency_hz`` is None. A point against time (`AGAINST_TIME`) has no level either: ``at_s`` is its moment,
    counted from the one that the check names, and its reading the figure, in the unit that the quantity's trace has.
    """

    level_db: float
    reading: float | None
    state: str
    reading_s: float
    at_s: float
    frequency_hz: float | None = None

    @classmethod
    def of_trace(cls, frequency_hz: float, level_dbm: float) -> Self:
        """Return a point of a trace."""
        return cls(
            level_db=math.nan,
            reading=level_dbm,
            state=OF_SPECTRUM,
            reading_s=0.0,
            at_s=0.0,
            frequency_hz=frequency_hz,
        )

    @classmethod
    def of_time(cls, at_s: float, reading: float) -> Self:
        """Return a point against time."""
        return cls(level_db=math.nan, reading=reading, state=AGAINST_TIME, reading_s=0.0, at_s=at_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmation:
    """What a person was asked to see to, and what came back.

    ``text`` was asked of ``who`` (empty: not known) at ``when``, a moment with its offset; ``how`` says in which way it was
    answered; ``knob`` is the control of the unit that it is about, empty where it names none.
    """

    text: str
    confirmed: bool
    how: str
    when: datetime
    who: str = ""
    knob: str = ""

    def as_plain(self) -> dict[str, Any]:
        """Return it for JSON; the moment is ISO 8601."""
        return {**asdict(self), "when": self.when.isoformat(timespec="milliseconds")}

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Self:
        """Return what `as_plain` was made of."""
        return cls(**{**plain, "when": datetime.fromisoformat(plain["when"])})

    def __str__(self) -> str:
        said = self.how if not self.who else f"{self.how}, {self.who}"
        return f"{self.text} ({said})" if self.confirmed else f"{self.text} (not confirmed: {said})"


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultFacts:
    """What a fault of an instrument said of itself. ``kind`` is the name of its class in `drivers.faults`."""

    kind: str
    what: str
    instrument: str
    address: str
    command: str = ""
    reply: str = ""
    next_move: str = ""

    @classmethod
    def of(cls, fault: InstrumentFault) -> Self:
        """Return the facts of a fault."""
        return cls(
            kind=type(fault).__name__,
            what=fault.what,
            instrument=fault.instrument,
            address=fault.address,
            command=fault.command,
            reply=fault.reply,
            next_move=fault.next_move,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """A run as it is written and read: of which unit, by which sequence, on which bench, and how it ended.

    ``outcome`` says how it ended; ``bench_safe`` and ``bench_s`` are None until it has. ``part`` names the checks chosen,
    empty for the whole sequence. A repeat names in ``again`` the first run that holds its checks, and in ``reason`` why they were repeated.
    ``model_hash`` is that of the model file it was planned with; empty where there was none. ``resumed`` says when it was carried on
    after it had been cut short. ``asked`` is what was asked for beside the files, as JSON (`order`, `model`); empty in runs of
    before that was kept.

    A re-evaluation, in which nothing was measured, names in ``evaluated_from`` the run whose readings it judges anew, and of that run
    the time and the hashes of its files.

    ``status`` is the exit status that it ended with; None until it has, and in runs of before that was kept. Under which batch, at which
    station and as which attempt it was made stands in the fields of `sequencer.results.line.LineFacts`.
    """

    run: str
    time: datetime
    serial: str
    model: str
    sequence: str
    sequence_hash: str
    bench: str
    bench_hash: str
    simulated: bool
    outcome: str
    bench_safe: bool | None = None
    bench_s: float | None = None
    part: str = ""
    again: str = ""
    reason: str = ""
    model_hash: str = ""
    resumed: tuple[datetime, ...] = ()
    asked: str = ""
    evaluated_from: str = ""
    from_time: str = ""
    from_sequence_hash: str = ""
    from_bench_hash: str = ""
    status: int | None = None
    batch: str = ""
    station: str = ""
    operator: str = ""
    lot: str = ""
    fixture: str = ""
    attempt: int = 0
    retest_reason: str = ""

    @property
    def was_interrupted(self) -> bool:
        """Whether a person, or the system, stopped it."""
        return is_interrupted(self.outcome)

    @property
    def was_left_unsafe(self) -> bool:
        """Whether something may have been on when it ended: not where nothing had been sent to the bench, of which nothing is known."""
        return self.bench_safe is False and not was_nothing_sent(self.outcome)

    @property
    def was_left_as_it_stood(self) -> bool:
        """Whether it ended before it sent anything to the bench."""
        return self.bench_safe is False and was_nothing_sent(self.outcome)


NOTHING_SENT = ", before anything was sent to the bench"
"""How the outcome of a run ends that left its bench as it stood. Its status does not tell: before this was written, it was that of a run
that was interrupted and left something on, too.
"""


def nothing_sent(outcome: str) -> str:
    """Return the outcome of a run that ended so before it sent anything."""
    return f"{outcome}{NOTHING_SENT}"


def was_nothing_sent(outcome: str) -> bool:
    """Say whether a run that ended so had sent nothing to its bench."""
    return outcome.endswith(NOTHING_SENT)


INTERRUPTED = "interrupted"
"""How the outcome of a run begins that a person, or the system, has stopped: the store's own word, written and read here alone."""


def interrupted_by(what: str) -> str:
    """Return the outcome of a run that was stopped by ``what``: a signal's name, or what asked for it."""
    return f"{INTERRUPTED} ({what})"


def is_interrupted(outcome: str) -> bool:
    """Say whether an outcome is one of `interrupted_by`."""
    return outcome.startswith(INTERRUPTED)


NOT_ENDED = "not ended"
"""The outcome of a run that goes on, or was cut short without a word."""
RUN_COLUMNS = tuple(f.name for f in fields(RunRecord))
"""The columns of a run, in order; the store and what is kept beside a table carry the same."""
_run_cells = attrgetter(*RUN_COLUMNS)


def run_cells(run: RunRecord) -> dict[str, Any]:
    """Return a run as plain values under `RUN_COLUMNS`; its times are ISO 8601 with offset."""
    row = dict(zip(RUN_COLUMNS, _run_cells(run), strict=True))
    row["time"] = run.time.isoformat(timespec="milliseconds")
    row["resumed"] = [one.isoformat(timespec="milliseconds") for one in run.resumed]
    return row


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInput:
    """A file that a run was made from, whole: ``place`` is where it stood beside the others, ``kind`` what it was to the run.

    Kinds are "sequence", "bench", "plan", "model", "table", "profile" and "list".
    """

    place: str
    kind: str
    content: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchInstrument:
    """An instrument as it stood on the bench of one run: its name there, who it said it is, and its calibration.

    ``due`` is a date (ISO 8601); both are empty where the bench file names no certificate.
    """

    name: str
    role: str
    maker: str
    model: str
    serial: str
    firmware: str
    certificate: str = ""
    due: str = ""


Stage = Literal["", "as found", "as left"]
"""When a result was found, of what is adjusted: before (as found), after (as left); empty where nothing was adjusted by it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One row of the results table.

    ``value``, ``uncertainty`` (expanded, about 95 %) and the limits are in ``unit``; ``value`` is None when nothing could be
    measured, and then ``note`` says why. ``settings`` are the check's own: what it was told to do, without
    limits. ``decision`` is one of the words of `sequencer.uncertainty.decision.Decision`.

    ``target``, in ``target_unit``, is what a search looked for, as it was read (12, "dB SINAD"); ``slope`` is the reading's change per
    dB of level there. ``axis`` names what the result stands along beside others ("audio frequency", "supply", "meter mark"), at
    ``axis_value`` in ``axis_unit``. ``nominal``, in ``unit``, is the value that should be. None or empty where there is no such thing.

    It was found at ``supply_v`` and under ``confirmations``, every one of the run so far; of a `confirm` the last is its own.
    ``conditions`` is the same in words. ``fault`` is what an instrument did that left nothing to measure. ``stage`` says of a unit that
    was adjusted on which side of the adjusting it was found. ``bound`` says of a value that it is no measured one:
    the true one is "at most" or "at least" so much, and ``note`` says what hides the rest; empty for every other.

    At ``temperature_c`` the unit was to stand in a chamber; there ``air_c`` and, at the unit, ``sensor_c`` were read, °C, after it had
    soaked ``soaked_s``: None where nobody asked for one, or nobody read it. ``read_by`` says whose word that is where a person read it.
    ``document`` is what is to be said of the published document that it is held against, a statement a line; ``note`` has it too.

    ``batch`` to ``retest_reason`` are those of its run (`sequencer.results.line.LineFacts`).

    ``model_hash`` is that of the model file the run was planned with. ``limit_from`` says where the limits stand: file and line
    (`m40.yaml:18`), or the check's name where it brings them itself; both are empty where there is no such thing.
    """

    time: datetime
    run: str
    serial: str
    model: str
    sequence: str
    sequence_hash: str
    bench: str
    bench_hash: str
    simulated: bool
    check: str
    channel: int | None
    frequency_hz: float | None
    mode: str
    quantity: str
    value: float | None
    unit: str
    uncertainty: float | None
    lower_limit: float | None
    upper_limit: float | None
    decision: Decision
    rule: str
    conditions: str = ""
    note: str = ""
    points: tuple[Point, ...] = ()
    budget: StoredBudget | None = None
    settings: Settings | None = None
    target: float | None = None
    target_unit: str = ""
    slope: float | None = None
    axis: str = ""
    axis_value: float | None = None
    axis_unit: str = ""
    nominal: float | None = None
    supply_v: float | None = None
    stage: Stage = ""
    fault: FaultFacts | None = None
    confirmations: tuple[Confirmation, ...] = ()
    model_hash: str = ""
    limit_from: str = ""
    bound: Bound = ""
    temperature_c: float | None = None
    air_c: float | None = None
    sensor_c: float | None = None
    soaked_s: float | None = None
    read_by: str = ""
    document: str = ""
    batch: str = ""
    station: str = ""
    operator: str = ""
    lot: str = ""
    fixture: str = ""
    attempt: int = 0
    retest_reason: str = ""

    @property
    def has_spectrum(self) -> bool:
        """Whether its points are a trace of a spectrum."""
        return bool(self.points) and self.points[0].state == OF_SPECTRUM

    @property
    def has_timeline(self) -> bool:
        """Whether its points show a figure against time."""
        return bool(self.points) and self.points[0].state == AGAINST_TIME

    @property
    def is_measured(self) -> bool:
        """Whether it has a value that was measured: a bound has one that was not, and no statistics take it."""
        return self.value is not None and not self.bound

    @property
    def counts(self) -> bool:
        """Whether no repeat has replaced it."""
        return True


METER_MARK = "meter mark"
"""The axis of a signal meter's marks: how far each stands over S9 on the scale, dB."""
BENCH_HEALTH = "bench_health"
"""The check under which stands what speaks against a bench: facts of the day of a run, which no step of it measured."""
NESTED = ("points", "budget", "settings", "fault", "confirmations")
"""What is no single cell of a table."""
COLUMNS = tuple(f.name for f in fields(Result) if f.name not in NESTED)
"""The results table's columns, in order; the CSV and the store carry the same."""
_cells = attrgetter(*COLUMNS)


def row_of(result: Result) -> dict[str, str | float | int | bool | None]:
    """Return the result as plain values under the results table's columns; times are ISO 8601 with offset."""
    row = dict(zip(COLUMNS, _cells(result), strict=True))
    row["time"] = result.time.isoformat(timespec="milliseconds")
    row["decision"] = result.decision.value
    return row


def facts_of(result: Result) -> dict[str, Any]:
    """Return `row_of` with the fault and the confirmations as records, for JSON."""
    return {**row_of(result), **nested_as_plain(result)}


def nested_as_plain(result: Result) -> dict[str, Any]:
    """Return the fault and the confirmations as records, for JSON."""
    return {
        "fault": None if result.fault is None else asdict(result.fault),
        "confirmations": [one.as_plain() for one in result.confirmations],
    }
