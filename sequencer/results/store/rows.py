"""Between values and the store's rows."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from drivers.trace import Exchange
from sequencer.results.model import Result, row_of

POINT_NAMES = ("level_db", "reading", "state", "reading_s", "at_s")


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


def utc_s(time: str) -> float:
    """Return an ISO 8601 moment as seconds since 1970; without an offset it counts as UTC."""
    moment = datetime.fromisoformat(time)
    return (moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)).timestamp()


def run_row(run: Mapping[str, Any]) -> dict[str, Any]:
    """Return the row of a run that begins."""
    return clean({**run, "utc_s": utc_s(run["time"])})


def result_row(result: Result, check_index: int) -> dict[str, Any]:
    """Return the row of a result, without what it rests on."""
    row = row_of(result)
    row["check_index"] = check_index
    row["budget"] = "null" if result.budget is None else json.dumps(result.budget)
    row["settings"] = "null" if result.settings is None else json.dumps(result.settings)
    row["fault"] = "null" if result.fault is None else json.dumps(asdict(result.fault))
    row["confirmations"] = json.dumps([one.as_plain() for one in result.confirmations])
    row["replaced_by"] = ""
    row["utc_s"] = result.time.timestamp()
    return clean(row)


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
        }
        for number, point in enumerate(result.points)
    ]


def confirmation_rows(result_id: int, result: Result) -> list[dict[str, Any]]:
    """Return the row of the confirmation that a result is, if it is one: its last."""
    if result.check != "confirm":
        return []
    return [
        clean(
            {
                "result": result_id,
                "run": result.run,
                "asked": one.text,
                "confirmed": one.confirmed,
                "how": one.how,
                "who": one.who,
                "at": one.when.isoformat(timespec="milliseconds"),
                "knob": one.knob,
            }
        )
        for one in result.confirmations[-1:]
    ]


def instrument_rows(run: str, instruments: Sequence[BenchInstrument]) -> list[dict[str, Any]]:
    """Return the rows of the instruments on the bench of a run, in order."""
    return [clean({**asdict(one), "run": run, "number": at}) for at, one in enumerate(instruments)]


def instrument_record(row: Mapping[str, Any]) -> dict[str, str]:
    """Return an instrument as a reader gets it: who it is, and its calibration where there is one."""
    always = ("role", "maker", "model", "serial", "firmware")
    return {name: row[name] for name in (*always, "certificate", "due") if name in always or row[name]}


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
    }


def as_read(names: Sequence[str], rows: Iterable[Sequence[Any]]) -> list[dict[str, Any]]:
    """Return result rows as a reader gets them: budget and settings as records, ``points`` an empty list yet.

    ``counts`` says whether no repeat has replaced it.
    """
    found = []
    for row in rows:
        one = dict(zip(names, row, strict=True))
        budget, settings = one["budget"], one["settings"]
        one["points"] = []
        one["counts"] = one["replaced_by"] == ""
        one["budget"] = None if budget == "null" else json.loads(budget)
        one["settings"] = None if settings == "null" else json.loads(settings)
        one["fault"] = None if one["fault"] == "null" else json.loads(one["fault"])
        one["confirmations"] = [] if one["confirmations"] == "[]" else json.loads(one["confirmations"])
        found.append(one)
    return found


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
