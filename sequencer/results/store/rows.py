"""Between values and the store's rows."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import MISSING, asdict, fields
from datetime import datetime
from functools import cache
from typing import Any

from drivers.trace import Direction, Exchange
from sequencer.results.line import BatchRecord, CheckSeconds
from sequencer.results.model import (
    BenchInstrument,
    Confirmation,
    FaultFacts,
    Point,
    Result,
    RunInput,
    RunRecord,
    row_of,
    run_cells,
)
from sequencer.results.settings import Settings
from sequencer.results.store.problems import UnreadableRow
from sequencer.results.store.set_aside import readable, set_aside
from sequencer.results.stored import StoredExchange, StoredResult, StoredRun
from sequencer.results.stored_budget import budget_as_plain, stored_budget
from sequencer.uncertainty.decision import Decision


def utc_s_of(at: datetime) -> float:
    """Return a moment as the store orders by it, s: in whole milliseconds, as its text and the journal's are.

    Else a run that came in through its journal would differ from the same run as it was written.
    """
    return at.replace(microsecond=at.microsecond // 1000 * 1000).timestamp()


POINT_NAMES = ("level_db", "reading", "state", "reading_s", "at_s", "frequency_hz")


def run_row(run: RunRecord) -> dict[str, Any]:
    """Return the row of a run."""
    cells = run_cells(run)
    return clean({**cells, "resumed": json.dumps(cells["resumed"]), "utc_s": utc_s_of(run.time)})


def result_row(result: Result, check_index: int) -> dict[str, Any]:
    """Return the row of a result, without what it rests on."""
    row = row_of(result)
    row["check_index"] = check_index
    row["budget"] = "null" if result.budget is None else json.dumps(budget_as_plain(result.budget))
    row["settings"] = "null" if result.settings is None else json.dumps(result.settings.as_plain())
    row["fault"] = "null" if result.fault is None else json.dumps(asdict(result.fault))
    row["confirmations"] = json.dumps([one.as_plain() for one in result.confirmations])
    row["replaced_by"] = ""
    row["utc_s"] = utc_s_of(result.time)
    return clean(row)


def same_result(
    check_index: int, quantity: str, channel: int | None, value: float | None, stage: str = ""
) -> str:
    """Return what a result of a run is known by, in the store as beside it; not a number is one, too."""
    return repr((check_index, clean_text(quantity), channel, value, stage))


def reading_rows(result_id: int, result: Result) -> list[dict[str, Any]]:
    """Return the rows of the readings a result rests on."""
    return [
        {
            "result": result_id,
            "number": number,
            "level_db": point.level_db,
            "reading": point.reading,
            "state": clean_text(point.state),
            "reading_s": point.reading_s,
            "at_s": point.at_s,
            "frequency_hz": point.frequency_hz,
        }
        for number, point in enumerate(result.points)
    ]


_BATCH_TIMES = ("opened", "closed", "went_on", "stopped_at")


def time_or_empty(at: datetime | None) -> str:
    """Return a moment as the store has it; empty for none."""
    return "" if at is None else at.isoformat(timespec="milliseconds")


def batch_row(batch: BatchRecord) -> dict[str, Any]:
    """Return the row of a batch."""
    times = {name: time_or_empty(getattr(batch, name)) for name in _BATCH_TIMES}
    return clean({**asdict(batch), **times, "utc_s": utc_s_of(batch.opened)})


def batch_read(row: Mapping[str, Any]) -> BatchRecord:
    """Return a batch's row, without ``utc_s``, as a reader gets it."""
    try:
        times = {name: datetime.fromisoformat(row[name]) if row[name] else None for name in _BATCH_TIMES}
    except (ValueError, TypeError) as error:
        raise UnreadableRow(f"batch {row['batch']} cannot be read: {error}") from error
    return BatchRecord(**{**row, **times, "simulated": bool(row["simulated"])})


def seconds_row(run: str, check_index: int, seconds: CheckSeconds) -> dict[str, Any]:
    """Return the row of where the time of a check went."""
    return {"run": run, "check_index": check_index, **asdict(seconds)}


def instrument_rows(run: str, instruments: Sequence[BenchInstrument]) -> list[dict[str, Any]]:
    """Return the rows of the instruments on the bench of a run, in order."""
    return [clean({**asdict(one), "run": run, "number": at}) for at, one in enumerate(instruments)]


def exchange_row(run: str, check_index: int, exchange: Exchange) -> dict[str, Any]:
    """Return the row of one message or answer."""
    return {
        "run": run,
        "check_index": check_index,
        "time_s": exchange.time_s,
        "instrument": exchange.instrument,
        "direction": exchange.direction.value,
        "content": exchange.content,
        "fault": clean_text(exchange.fault),
        "facts": "" if exchange.facts is None else clean_text(json.dumps(dict(exchange.facts))),
    }


def file_rows(run: str, inputs: Iterable[RunInput]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return the rows of files, by their content, and those that say which of them a run was made from."""
    contents: dict[str, bytes] = {}
    places = []
    for one in inputs:
        name = hashlib.sha256(one.content).hexdigest()
        contents[name] = one.content
        places.append(clean({"run": run, "place": one.place, "kind": one.kind, "sha256": name}))
    return [{"sha256": name, "content": content} for name, content in contents.items()], places


def results_read(
    names: Sequence[str],
    rows: Iterable[Sequence[Any]],
    points: Mapping[int, tuple[Point, ...]],
) -> Iterator[StoredResult]:
    """Yield result rows as a reader gets them. ``points`` by the number of their result.

    UnreadableRow for what no sequencer wrote, but within `rows_set_aside`.
    """
    # The results of one run were found under the same, and many were told the same.
    confirmed, told = cache(_confirmations), cache(_settings)

    def read(row: Sequence[Any]) -> StoredResult:
        one = dict(zip(names, row, strict=True))
        try:
            return _result_read(one, points, confirmed, told)
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            what = f"result {one['id']} of run {one['run']} ({one['check']})"
            raise UnreadableRow(f"{what} cannot be read: {error}") from error

    return readable(read, rows)


def _result_read(
    one: dict[str, Any], points: Mapping[int, tuple[Point, ...]], confirmed: Any, told: Any
) -> StoredResult:
    one["time"] = datetime.fromisoformat(one["time"])
    one["decision"] = Decision(one["decision"])
    one["budget"] = None if one["budget"] == "null" else stored_budget(json.loads(one["budget"]))
    one["settings"] = None if one["settings"] == "null" else told(one["settings"])
    one["fault"] = None if one["fault"] == "null" else _fault(one["fault"])
    one["confirmations"] = confirmed(one["confirmations"])
    return StoredResult(**one, points=points.get(one["id"], ()))


BRIEF_NAMES = (
    *("id", "run", "check_index", "time", "serial", "check", "channel", "mode", "quantity", "value", "unit"),
    *("uncertainty", "lower_limit", "upper_limit", "decision", "axis_value", "stage", "bound", "replaced_by"),
)
"""What verdicts, yields and charts look at."""


@cache
def _brief_kind() -> tuple[type[StoredResult], Callable[..., None]]:
    """Return results whose other fields are the class's own, the same for all, and what fills the fields of `BRIEF_NAMES` into one.

    To fill fifty of each took most of the time, and to fill eighteen in a loop half as long again as one by one [measured].
    """
    defaults = {one.name: one.default for one in fields(StoredResult)}
    others = {
        name: "" if default is MISSING else default
        for name, default in defaults.items()
        if name not in BRIEF_NAMES
    }
    names: dict[str, Any] = {f"_set_{name}": getattr(StoredResult, name).__set__ for name in BRIEF_NAMES}
    body = "\n".join(f" _set_{name}(one, {name})" for name in BRIEF_NAMES)
    exec(f"def fill(one, {', '.join(BRIEF_NAMES)}):\n{body}", names)
    return type("BriefResult", (StoredResult,), {"__slots__": (), **others}), names["fill"]


def brief_read(rows: Iterable[Sequence[Any]]) -> Iterator[StoredResult]:
    """Yield rows of `BRIEF_NAMES` as results in which every other field is empty."""
    moment, decided = datetime.fromisoformat, {one.value: one for one in Decision}
    kind, fill = _brief_kind()
    made = kind.__new__
    at_time, at_decision = BRIEF_NAMES.index("time"), BRIEF_NAMES.index("decision")
    for row in rows:
        cells = list(row)
        try:
            cells[at_time], cells[at_decision] = moment(cells[at_time]), decided[cells[at_decision]]
        except (ValueError, TypeError, KeyError) as error:
            set_aside(UnreadableRow(f"result {cells[0]} of run {cells[1]} cannot be read: {error}"))
            continue
        one = made(kind)
        fill(one, *cells)
        yield one


def run_read(
    row: Mapping[str, Any],
    instruments: Sequence[BenchInstrument],
    decisions: Mapping[str, int],
    replaced: int,
    results: Sequence[StoredResult] = (),
) -> StoredRun:
    """Return a run's row, without ``utc_s``, as a reader gets it."""
    try:
        times = {"time": datetime.fromisoformat(row["time"]), "resumed": _moments(row["resumed"])}
    except (ValueError, TypeError) as error:
        raise UnreadableRow(f"run {row['run']} cannot be read: {error}") from error
    return StoredRun(
        **{**row, **times},
        instruments=tuple(instruments),
        decisions=decisions,
        replaced=replaced,
        results=tuple(results),
    )


def instrument_read(row: Mapping[str, Any]) -> BenchInstrument:
    """Return an instrument's row as a reader gets it."""
    return BenchInstrument(**{name: cell for name, cell in row.items() if name not in ("run", "number")})


def exchange_read(row: Mapping[str, Any]) -> StoredExchange:
    """Return a message's row as a reader gets it."""
    facts = row["facts"]
    try:
        read = {
            "direction": Direction(row["direction"]),
            "content": bytes(row["content"]),
            "facts": None if not facts else _texts(json.loads(facts)),
        }
    except (ValueError, TypeError) as error:
        raise UnreadableRow(f"message {row['id']} of run {row['run']} cannot be read: {error}") from error
    return StoredExchange(**{**row, **read})


def _texts(plain: Any) -> dict[str, str]:
    if not isinstance(plain, dict) or not all(isinstance(one, str) for one in plain.values()):
        raise ValueError("not the facts of a fault")
    return plain


def _moments(text: str) -> tuple[datetime, ...]:
    try:
        return tuple(map(datetime.fromisoformat, json.loads(text)))
    except TypeError as error:
        raise ValueError(f"not a list of moments: {error}") from error


def _confirmations(text: str) -> tuple[Confirmation, ...]:
    if text == "[]":
        return ()
    try:
        return tuple(Confirmation.from_plain(one) for one in json.loads(text))
    except (KeyError, TypeError) as error:
        raise ValueError(f"not a list of confirmations: {error}") from error


def _settings(text: str) -> Settings:
    try:
        return Settings.of(json.loads(text))
    except AttributeError as error:
        raise ValueError(f"not the settings of a check: {error}") from error


def _fault(text: str) -> FaultFacts:
    try:
        return FaultFacts(**json.loads(text))
    except TypeError as error:
        raise ValueError(f"not the facts of a fault: {error}") from error


def clean(row: dict[str, Any]) -> dict[str, Any]:
    """Return the row with its texts as every database takes them: no NUL (PostgreSQL), no lone surrogate (both)."""
    texts = "".join([cell for cell in row.values() if isinstance(cell, str)])
    if texts.isascii() and "\x00" not in texts:  # nearly always, and sooner said of all than of each
        return row
    return {name: clean_text(cell) if isinstance(cell, str) else cell for name, cell in row.items()}


def clean_text(text: str) -> str:
    """Return a text as every database takes it."""
    if text.isascii() and "\x00" not in text:
        return text
    return text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\x00", "\\x00")
