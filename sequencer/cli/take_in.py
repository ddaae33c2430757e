"""Reads a run that was kept beside its table (`sequencer.results.store.spill`), and takes it into the store."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Self

import click
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from drivers.trace import Direction, Exchange
from sequencer.problems import Complaint, FileProblems, about_file, printable
from sequencer.results.model import Confirmation, FaultFacts, Point, Result
from sequencer.results.store.kept_before import KeptBefore
from sequencer.results.store.place import find_place
from sequencer.results.store.rows import BenchInstrument
from sequencer.results.store.store import Store
from sequencer.results.store.take_in import KeptCheck, KeptRun, NotTheSame, Taken
from sequencer.uncertainty.decision import Decision

_ALLOWED = "the JSON file that a run leaves beside its results table when the store cannot be written"
_MOST_COMPLAINTS = 5


def take_in_command(
    files: Sequence[Path], *, folder: Path, store_name: str = "", as_json: bool = False
) -> int:
    """Take kept runs into the store; what it has of them stays as it is. Returns the exit status."""
    place = find_place(folder, store_name)
    kept = [(file, read_kept(file)) for file in files]
    # Each file first, the store afterwards: what is wrong with one is said before anything is written.
    taken: list[Taken] = []
    with Store.open(place) as store:
        # A repeat is taken in after what it repeats, so that the order on the command line does not matter.
        for file, run in sorted(kept, key=lambda one: datetime.fromisoformat(one[1].run["time"]).timestamp()):
            try:
                taken.append(store.take_in(run))
            except NotTheSame as wrong:
                raise _complaint(file, str(wrong), hint="nothing of it was taken in") from wrong
            if not as_json:
                click.echo(f"{printable(str(file))}: {printable(_told(taken[-1], run, str(place)))}")
    if as_json:
        click.echo(json.dumps([asdict(one) for one in taken], ensure_ascii=False, indent=2))
    return 0


def _told(taken: Taken, kept: KeptRun, place: str) -> str:
    if taken.nothing:
        return f"run {taken.run} is in the store already, all {taken.before} results of it; nothing added"
    before = f"; {taken.before} results were there already" if taken.before else ""
    ended = f" Outcome: {kept.run['outcome']}."
    return (
        f"run {taken.run}: {taken.results} results and {taken.exchanges} messages of {taken.checks} checks added to {place}"
        f"{before}.{ended}"
    )


def read_kept(file: Path) -> KeptRun:
    """Read a kept run. Raises FileProblems that says what is wrong with the file."""
    try:
        content = file.read_bytes()
    except OSError as error:
        raise _complaint(file, f"cannot be read: {error.strerror or error}") from error
    try:
        plain = _without_surrogates(json.loads(content.decode("utf-8")))
    except (ValueError, RecursionError) as error:  # a file cut short, or no text at all
        raise _complaint(
            file,
            f"is no whole JSON file ({printable(str(error))[:80]})",
            hint="the results table (CSV) of the same name holds the run's results",
        ) from error
    try:
        return _Run.model_validate(plain).as_kept()
    except ValidationError as error:
        raise FileProblems(_complaints(file, error)) from error


def _checked_time(text: str) -> str:
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("a time without an offset")
    return text


def _checked_bytes(text: str) -> str:
    if any(ord(one) > 255 for one in text):
        raise ValueError("a character that is no byte")
    return text


_Time = Annotated[str, AfterValidator(_checked_time)]
_Name = Annotated[str, Field(min_length=1)]
_Index = Annotated[int, Field(ge=0, lt=2**31)]
_Whole = Annotated[int, Field(ge=-(2**31), lt=2**31)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _Point(_Strict):
    level_db: float
    reading: float | None
    state: str
    reading_s: float
    at_s: float


class _Confirmation(_Strict):
    text: str
    confirmed: bool
    how: str
    when: _Time
    who: str
    knob: str


class _Fault(_Strict):
    kind: str
    what: str
    instrument: str
    address: str
    command: str
    reply: str
    next_move: str


class _Result(_Strict):
    time: _Time
    run: str
    serial: str
    model: str
    sequence: str
    sequence_hash: str
    bench: str
    bench_hash: str
    simulated: bool
    check: str
    channel: _Whole | None
    frequency_hz: float | None
    mode: str
    quantity: str
    value: float | None
    unit: str
    uncertainty: float | None
    lower_limit: float | None
    upper_limit: float | None
    decision: Annotated[Decision, Field(strict=False)]
    rule: str
    conditions: str
    note: str
    points: list[_Point]
    budget: dict[str, Any] | None
    settings: dict[str, Any] | None
    target: float | None = None
    target_unit: str = ""
    slope: float | None = None
    axis: str = ""
    axis_value: float | None = None
    axis_unit: str = ""
    nominal: float | None = None
    supply_v: float | None = None
    fault: _Fault | None = None
    confirmations: list[_Confirmation] | None = None
    """None in a run that was kept before there were such records."""

    def as_result(self) -> Result:
        facts: dict[str, Any] = {name: getattr(self, name) for name in type(self).model_fields}
        facts["time"] = datetime.fromisoformat(self.time)
        facts["fault"] = None if self.fault is None else FaultFacts(**dict(self.fault))
        facts["confirmations"] = tuple(Confirmation.from_plain(dict(one)) for one in self.confirmations or ())
        facts["points"] = tuple(Point(**dict(point)) for point in self.points)
        return Result(**facts)


class _Exchange(_Strict):
    time_s: float
    instrument: str
    direction: Annotated[Direction, Field(strict=False)]
    content: Annotated[str, AfterValidator(_checked_bytes)]
    fault: str

    def as_exchange(self) -> Exchange:
        return Exchange(**{**dict(self), "content": self.content.encode("latin-1")})


class _Check(_Strict):
    check_index: _Index
    results: list[_Result]
    exchanges: list[_Exchange]


class _Instrument(_Strict):
    name: str
    role: str
    maker: str
    model: str
    serial: str
    firmware: str
    certificate: str = ""
    due: str = ""


class _Run(_Strict):
    run: _Name
    time: _Time
    serial: _Name
    model: str
    sequence: str
    sequence_hash: str
    bench: str
    bench_hash: str
    simulated: bool
    outcome: _Name
    bench_safe: bool | None = None
    bench_s: float | None = None
    part: str = ""
    again: str = ""
    reason: str = ""
    instruments: list[_Instrument]
    checks: list[_Check]

    @model_validator(mode="after")
    def _is_one_run(self) -> Self:
        others = {one.run for check in self.checks for one in check.results} - {self.run}
        if others:
            raise ValueError(f"there are results of another run: {', '.join(sorted(others))}"[:200])
        return self

    def as_kept(self) -> KeptRun:
        row = {name: getattr(self, name) for name in type(self).model_fields}
        del row["instruments"], row["checks"]
        old = KeptBefore()
        return KeptRun(
            run=row,
            instruments=[BenchInstrument(**dict(one)) for one in self.instruments],
            checks=[
                KeptCheck(
                    check_index=one.check_index,
                    results=[
                        old.as_now(result.as_result(), result.confirmations is None) for result in one.results
                    ],
                    exchanges=[exchange.as_exchange() for exchange in one.exchanges],
                )
                for one in self.checks
            ],
        )


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
    said = [
        f"is no kept run: {'.'.join(map(str, one['loc'])) or 'the whole'}: {one['msg'][:1].lower() + one['msg'][1:]}"
        for one in found
    ]
    more = [f"… and {len(said) - _MOST_COMPLAINTS} more"] if len(said) > _MOST_COMPLAINTS else []
    return [
        Complaint(
            file=str(file),
            line=0,
            column=0,
            message=text,
            allowed=_ALLOWED if at == 0 else "",
        )
        for at, text in enumerate([*said[:_MOST_COMPLAINTS], *more])
    ]


def _complaint(file: Path, message: str, *, hint: str = "") -> FileProblems:
    return about_file(file, message, allowed=_ALLOWED, hint=hint)
