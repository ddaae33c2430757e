"""A run with all that it left, as it was kept beside its results table, so that what the store could not take is not lost.

`KeptRun` is the one model that reads it: out of a run's journal (`sequencer.results.journal`), and out of the JSON file that earlier
sequencers kept.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self

from pydantic import AfterValidator, ConfigDict, Field, TypeAdapter, ValidationError

from drivers.trace import Direction, Exchange
from sequencer.files.bounds import between
from sequencer.files.ordinary import read_ordinary
from sequencer.frozen import dataclass
from sequencer.problems import Complaint, FieldProblem, InputError, about_file, printable
from sequencer.results.line import MOST_ATTEMPTS, BatchRecord, CheckSeconds
from sequencer.results.model import BenchInstrument, Point, Result, RunInput, RunRecord
from sequencer.results.store.kept_before import KeptBefore, plain_as_now
from sequencer.results.stored_budget import budget_as_plain

ALLOWED_KEPT = "the journal that a run leaves beside its results table, or the JSON file that an earlier sequencer left there"
LARGEST_BYTES = 2**30
"""A kept run is no longer than that; that of an acceptance run has 0.5 MB [measured]."""
_MEND = "import the file as the run left it; the results table (CSV) of the same name holds the run's results"
_MOST_COMPLAINTS = 5
_CELLS = 2**31
"""A whole number that the store takes lies below it."""
FIGURE = between(-1e15, 1e15, "")
"""What a kept figure may be, in whatever unit: beyond the largest quantity that a file can state (3000 GHz is 3e12 Hz)."""


def _with_offset(time: datetime) -> datetime:
    if time.tzinfo is None:
        raise ValueError("a time without an offset")
    return time


def _bytes_only(text: str) -> str:
    if any(ord(one) > 255 for one in text):
        raise ValueError("a character that is not a byte")
    return text


def _storable(result: Result) -> Result:
    _with_offset(result.time)
    if not 0 <= result.attempt <= MOST_ATTEMPTS:
        raise FieldProblem("the attempt is beyond what the store takes", allowed=f"0 to {MOST_ATTEMPTS}")
    if result.channel is not None and not -_CELLS <= result.channel < _CELLS:
        raise FieldProblem("the channel is beyond what the store takes", allowed=f"below {_CELLS}")
    _refuse_figures(result, _FIGURES)
    for point in result.points:
        no_level = math.isnan(point.level_db)  # NaN: a reading at no level
        _refuse_figures(point, _POINT_FIGURES[1:] if no_level else _POINT_FIGURES)
    _refuse_not_finite("budget", None if result.budget is None else budget_as_plain(result.budget))
    _refuse_not_finite("settings", None if result.settings is None else result.settings.as_plain())
    return result


_FIGURES = (
    "frequency_hz", "value", "uncertainty", "lower_limit", "upper_limit", "target", "slope", "axis_value", "nominal", "supply_v",
    "temperature_c", "air_c", "sensor_c", "soaked_s",
)  # fmt: skip
_POINT_FIGURES = ("level_db", "reading", "reading_s", "at_s", "frequency_hz")


def _refuse_figures(of: Result | Point, names: Iterable[str]) -> None:
    for name in names:
        if (figure := getattr(of, name)) is not None:
            _refuse_figure(name, figure)


def _refuse_figure(name: str, figure: float) -> None:
    try:
        FIGURE(figure)
    except FieldProblem as problem:
        raise FieldProblem(f"{name}: {problem.message}", allowed=problem.allowed) from problem


def _refuse_not_finite(name: str, plain: Any) -> None:
    """Raise FieldProblem for a number that no JSON has; a budget's degrees of freedom may be beyond any figure."""
    if isinstance(plain, float) and not math.isfinite(plain):
        raise FieldProblem(f"{name}: {plain} is not a number", allowed="a finite number")
    if isinstance(plain, Mapping):
        for key, inner in plain.items():
            _refuse_not_finite(f"{name}.{key}", inner)
    elif isinstance(plain, list | tuple):
        for at, inner in enumerate(plain):
            _refuse_not_finite(f"{name}.{at}", inner)


_Time = Annotated[datetime, AfterValidator(_with_offset)]
_Figure = Annotated[float, AfterValidator(FIGURE)]
_Seconds = Annotated[float, AfterValidator(between(0.0, 1e9, "s"))]
_Name = Annotated[str, Field(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptExchange:
    """A message or an answer; each byte of ``content`` is the character of its number (Latin-1), so that text stays readable."""

    time_s: _Figure
    instrument: str
    direction: Direction
    content: Annotated[str, AfterValidator(_bytes_only)]
    fault: str
    facts: Mapping[str, str] | None = None

    @classmethod
    def of(cls, exchange: Exchange) -> Self:
        """Return the exchange as it is kept."""
        return cls(
            time_s=exchange.time_s,
            instrument=exchange.instrument,
            direction=exchange.direction,
            content=exchange.content.decode("latin-1"),
            fault=exchange.fault,
            facts=None if exchange.facts is None else dict(exchange.facts),
        )

    def as_exchange(self) -> Exchange:
        """Return what `of` was made of."""
        return Exchange(
            time_s=self.time_s,
            instrument=self.instrument,
            direction=self.direction,
            content=self.content.encode("latin-1"),
            fault=self.fault,
            facts=self.facts,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptInput:
    """A file that the run was made from; each byte of ``content`` is the character of its number."""

    place: Annotated[str, Field(min_length=1, max_length=400)]
    kind: Annotated[str, Field(max_length=20)]
    content: Annotated[str, AfterValidator(_bytes_only)]

    @classmethod
    def of(cls, one: RunInput) -> Self:
        """Return the file as it is kept."""
        return cls(place=one.place, kind=one.kind, content=one.content.decode("latin-1"))

    def as_input(self) -> RunInput:
        """Return what `of` was made of."""
        return RunInput(place=self.place, kind=self.kind, content=self.content.encode("latin-1"))


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSeconds(CheckSeconds):
    """Where the time of a check went, as it is read."""

    bench_s: _Seconds
    settling_s: _Seconds = 0.0
    resting_s: _Seconds = 0.0
    person_s: _Seconds = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptBatch(BatchRecord):
    """A batch as it was opened, as it is read."""

    batch: _Name
    target: Annotated[int, AfterValidator(between(1, _CELLS - 1, ""))] | None = None
    opened: _Time
    closed: _Time | None = None
    went_on: _Time | None = None
    stopped_at: _Time | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCheck:
    """What one check left."""

    check_index: Annotated[
        int, Field(ge=-3, lt=_CELLS)
    ]  # below 0: what was known of the bench before the first check (-1), and what was found of it later
    results: tuple[Annotated[Result, AfterValidator(_storable)], ...]
    exchanges: tuple[KeptExchange, ...]
    seconds: KeptSeconds | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRun(RunRecord):
    """A run with all that it left so far: the columns of its row, who stood on the bench, and its checks in order."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", strict=True)

    run: _Name
    time: _Time
    serial: _Name
    outcome: _Name
    bench_s: _Figure | None = None
    status: Annotated[int, AfterValidator(between(0, 255, ""))] | None = None
    attempt: Annotated[int, AfterValidator(between(0, MOST_ATTEMPTS, ""))] = 0
    instruments: tuple[BenchInstrument, ...] = ()
    inputs: tuple[KeptInput, ...] = ()
    batch_opened: KeptBatch | None = None
    checks: tuple[KeptCheck, ...] = ()


def read_kept(file: Path) -> KeptRun:
    """Read the JSON file that an earlier sequencer kept. Raises InputError that says what is wrong with it."""
    content = read_ordinary(file, kind=ALLOWED_KEPT, most_bytes=LARGEST_BYTES, too_large="for a kept run")
    try:
        plain = _without_surrogates(json.loads(content.decode("utf-8")))
    except (ValueError, RecursionError) as error:  # a file cut short, or no text at all
        raise unusable(
            file,
            f"is not a complete JSON file ({printable(str(error))[:80]})",
            hint="the results table (CSV) of the same name holds the run's results",
        ) from error
    return kept_of(file, plain)


def kept_of(file: Path, plain: Any) -> KeptRun:
    """Return the kept run that ``file`` holds as ``plain`` values. Raises InputError that says what is wrong with them."""
    try:
        # As JSON, which strictly read takes a text for a time and a list for a tuple; a Python value it would not.
        kept = _model().validate_json(json.dumps(plain_as_now(plain)))
    except ValidationError as error:
        raise InputError(_complaints(file, error)) from error
    if others := {one.run for check in kept.checks for one in check.results} - {kept.run}:
        raise unusable(
            file, f"is not a kept run: there are results of another run: {', '.join(sorted(others))}"[:200]
        )
    return _as_now(kept, plain)


def unusable(file: Path, message: str, *, hint: str = "") -> InputError:
    """Return the complaint about a file that is to be a kept run."""
    return about_file(file, message, allowed=ALLOWED_KEPT, hint=hint)


@cache
def _model() -> TypeAdapter[KeptRun]:
    return TypeAdapter(KeptRun)


def _as_now(kept: KeptRun, plain: Any) -> KeptRun:
    """Give results that were kept before confirmations were records theirs."""
    old = KeptBefore()
    checks = [
        replace(
            check,
            results=tuple(
                old.as_now(result, "confirmations" not in written)
                for result, written in zip(check.results, in_file["results"], strict=True)
            ),
        )
        for check, in_file in zip(kept.checks, plain["checks"], strict=True)
    ]
    return replace(kept, checks=tuple(checks))


def _without_surrogates(plain: Any) -> Any:
    """Spell out lone surrogates as the store does; NUL stays, which an exchanged byte may be."""
    if isinstance(plain, str):
        return plain if plain.isascii() else plain.encode("utf-8", "backslashreplace").decode("utf-8")
    if isinstance(plain, list):
        return [_without_surrogates(one) for one in plain]
    if isinstance(plain, dict):
        return {_without_surrogates(name): _without_surrogates(one) for name, one in plain.items()}
    return plain


def _complaints(file: Path, error: ValidationError) -> list[Complaint]:
    found = error.errors(include_url=False, include_input=False)
    said = [_complaint(file, dict(one)) for one in found[:_MOST_COMPLAINTS]]
    if (more := len(found) - _MOST_COMPLAINTS) > 0:
        said.append(Complaint(file=str(file), message=f"… and {more} more"))
    return said


def _complaint(file: Path, wrong: dict[str, Any]) -> Complaint:
    place = ".".join(map(str, wrong["loc"])) or "the whole"
    raised = wrong.get("ctx", {}).get("error")
    if isinstance(raised, FieldProblem):
        return Complaint(
            file=str(file),
            message=f"is not a kept run: {place}: {raised.message}",
            allowed=raised.allowed,
            hint=_MEND,
        )
    text = wrong["msg"][:1].lower() + wrong["msg"][1:]
    return Complaint(file=str(file), message=f"is not a kept run: {place}: {text}", allowed=ALLOWED_KEPT)
