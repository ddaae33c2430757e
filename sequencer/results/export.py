"""Results for other programs: CSV, JSON Lines, Parquet, and JUnit XML for a build server.

Every format but JUnit carries the columns of `COLUMNS`, in that order; `columns_table` is their documentation. A file is written
beside its name and put in place when it is whole, so that a reader never meets half of one.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict
from io import StringIO
from itertools import chain, islice
from operator import attrgetter
from pathlib import Path
from typing import Any

from sequencer.files.write import FileMark, whole_file
from sequencer.frozen import dataclass
from sequencer.problems import FileProblems, about_file
from sequencer.results.csv_table import spreadsheet_safe
from sequencer.results.junit import write_junit
from sequencer.results.stored import StoredResult, StoredRun, points_as_plain
from sequencer.results.stored_budget import budget_as_plain

_BATCH = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportColumn:
    """One column: its name, what stands in it, and how that is read from a result.

    Its type is "text", "number", "whole number", "yes or no", "list" or "record".
    """

    name: str
    kind: str
    meaning: str
    read: Callable[[StoredResult], Any]


_READ: dict[str, Callable[[StoredResult], Any]] = {
    "time": lambda row: row.time.isoformat(timespec="milliseconds"),
    "decision": lambda row: row.decision.value,
    "points": lambda row: points_as_plain(row.points),
    "budget": lambda row: None if row.budget is None else budget_as_plain(row.budget),
    "fault": lambda row: None if row.fault is None else asdict(row.fault),
    "confirmations": lambda row: [one.as_plain() for one in row.confirmations],
}
"""What is not the result's own field as it stands there."""


def _column(name: str, kind: str, meaning: str) -> ExportColumn:
    return ExportColumn(name=name, kind=kind, meaning=meaning, read=_READ.get(name, attrgetter(name)))


COLUMNS: tuple[ExportColumn, ...] = (
    _column("time", "text", "When the result was found: ISO 8601 with offset"),
    _column("run", "text", "Name of the run, unique"),
    _column(
        "check_index",
        "whole number",
        "Number of the check in its run, counted from 0; `trace --step` takes it",
    ),
    _column("serial", "text", "Serial of the unit"),
    _column("model", "text", "Model of the unit; may be empty"),
    _column("sequence", "text", "Name of the sequence"),
    _column("sequence_hash", "text", "Hash of the sequence as it was run"),
    _column("bench", "text", "Name of the bench"),
    _column("bench_hash", "text", "Hash of the bench file as it was used"),
    _column(
        "simulated", "yes or no", "Whether the bench was simulated: then it is no measurement of a real unit"
    ),
    _column("check", "text", "Which check found it"),
    _column("channel", "whole number", "Channel; empty where the check has none"),
    _column("frequency_hz", "number", "Frequency of the channel, Hz; empty where there is none"),
    _column("mode", "text", "Emission: FM, AM, USB, LSB, CW"),
    _column("quantity", "text", "What was measured"),
    _column("value", "number", "The value, in `unit`; empty if nothing could be measured"),
    _column("unit", "text", "Unit of value, uncertainty and limits; empty for yes (1) or no (0)"),
    _column(
        "uncertainty",
        "number",
        "Expanded uncertainty, about 95 %, in `unit` (dB for dBm); empty if not stated (in JSON also if unbounded)",
    ),
    _column("lower_limit", "number", "Lowest value that conforms; empty if there is none"),
    _column("upper_limit", "number", "Highest value that conforms; empty if there is none"),
    _column("decision", "text", "pass, conditional pass, conditional fail, fail, no limit, not measured"),
    _column("rule", "text", "Decision rule, with its guard band w"),
    _column("conditions", "text", "Supply and confirmations under which it was found"),
    _column("note", "text", "What a reader must be told beside the number"),
    _column("counts", "yes or no", "Whether it counts: no if the check was repeated since"),
    _column("replaced_by", "text", "Run of the repeat that counts instead; empty if it counts"),
    _column(
        "points",
        "list",
        "Readings that the value rests on: level_db (of a trace: frequency_hz), reading, state, reading_s, at_s (not in CSV)",
    ),
    _column(
        "budget",
        "record",
        "Uncertainty budget: contributions, coverage factor, expanded (not in CSV; JSON text in Parquet)",
    ),
    _column(
        "target", "number", "What a search looked for, in `target_unit`; empty where nothing was searched"
    ),
    _column("target_unit", "text", "Unit of the target"),
    _column(
        "slope", "number", "Change of the reading per dB of level at the target, in `target_unit` per dB"
    ),
    _column("axis", "text", "What the result stands along beside others, such as supply; empty if nothing"),
    _column("axis_value", "number", "Where it stands there, in `axis_unit`"),
    _column("axis_unit", "text", "Unit of the axis"),
    _column("nominal", "number", "The value that should be, in `unit`; empty where none is stated"),
    _column("supply_v", "number", "Supply of the unit, V; empty where the sequence sets none"),
    _column("stage", "text", "Of what was adjusted: as found or as left; empty where nothing was"),
    _column(
        "fault",
        "record",
        "What an instrument did that left nothing to measure: kind, what, instrument, address, command, reply, next_move "
        "(not in CSV; JSON text in Parquet)",
    ),
    _column(
        "confirmations",
        "record",
        "What was confirmed before: text, confirmed, how, when, who, knob (not in CSV; JSON text in Parquet)",
    ),
    _column("model_hash", "text", "Hash of the model file as it was used; empty where there was none"),
    _column(
        "limit_from",
        "text",
        "File and line of the limits, such as m40.yaml:18, or shipped m40.yaml:18 of a shipped model; the check's name where it "
        "brings them itself; empty without limits",
    ),
    _column(
        "bound",
        "text",
        "Of a value that is a bound only: at most or at least; empty where it was measured",
    ),
    _column("temperature_c", "number", "Temperature that the unit was to stand at, °C; empty where none was"),
    _column("air_c", "number", "What the chamber's air read, °C; empty where nobody read it"),
    _column("sensor_c", "number", "What a sensor on the unit read, °C; empty where there is none"),
    _column("soaked_s", "number", "How long the unit stood there before, s"),
    _column("read_by", "text", "Of temperatures that a person read: a person; empty where instruments did"),
    _column(
        "document",
        "text",
        "What is to be said of the published document that it is held against, a statement a line; the note has it too",
    ),
    _column("batch", "text", "Batch in which the unit was tested; empty outside of one"),
    _column("station", "text", "Station where it was tested; empty where nobody said"),
    _column("operator", "text", "Who tested it; empty where nobody said"),
    _column("lot", "text", "Lot that the unit is of; empty where nobody said"),
    _column("fixture", "text", "Fixture that held it; empty where nobody said"),
    _column(
        "attempt",
        "whole number",
        "How often the unit had been judged in its batch by the end of this run: 1 is the first pass; 0 outside of a batch",
    ),
    _column("retest_reason", "text", "Why the unit was tested again; empty where nobody said, and at first"),
)
"""What is exported, in order. The one place where it is documented."""

NESTED = ("points", "budget", "fault", "confirmations")
FORMATS = ("csv", "jsonl", "parquet", "junit")


ENDINGS = {".csv": "csv", ".jsonl": "jsonl", ".ndjson": "jsonl", ".parquet": "parquet", ".xml": "junit"}
"""Which format a file's name asks for by its ending."""


def format_of(path: Path, asked: str = "") -> str:
    """Return the format that the ending of ``path`` asks for; ``asked`` where the ending names none.

    Raises InputError where neither says, or where they contradict each other.
    """
    by_ending = ENDINGS.get(path.suffix.lower(), "")
    allowed = ", ".join(f"{ending} ({kind})" for ending, kind in ENDINGS.items())
    if by_ending and asked and asked != by_ending:
        raise about_file(
            path,
            f"its name asks for {by_ending}, and --format for {asked}; nothing was written",
            allowed=allowed,
        )
    if not (by_ending or asked):
        raise about_file(
            path,
            "its name does not end in a format that can be written; nothing was written",
            allowed=allowed,
            hint="or say the format with --format",
        )
    return by_ending or asked


def columns_table() -> str:
    """Return the documentation of the columns as a Markdown table."""
    lines = ["| column | type | meaning |", "|---|---|---|"]
    lines += [f"| `{column.name}` | {column.kind} | {column.meaning} |" for column in COLUMNS]
    return "\n".join(lines) + "\n"


def export(runs: Iterable[StoredRun], path: Path, kind: str, *, over: FileMark | None = None) -> int:
    """Write runs, each with its ``results``, as one of `FORMATS`; return how many results were written.

    ``over`` is the one file that may be written over: any other that stands at ``path`` by then stays, and is a complaint.
    Raises FileProblems if the file cannot be written or a format needs a package that is not there; ValueError for an unknown format.
    """
    if kind == "junit":
        return write_junit(runs, path, over=over)
    return export_rows((row for run in runs for row in run.results), path, kind, over=over)


def export_rows(rows: Iterable[StoredResult], path: Path, kind: str, *, over: FileMark | None = None) -> int:
    """Write results as "csv", "jsonl" or "parquet"; return how many. Takes them one at a time, so a million are no burden."""
    writers: dict[str, Callable[[Iterable[StoredResult], Path], int]] = {
        "csv": _write_csv,
        "jsonl": _write_json_lines,
        "parquet": _write_parquet,
    }
    if kind not in writers:
        raise ValueError(f"{kind!r} is not an export format; there are {', '.join(FORMATS)}")
    with whole_file(path, over=over) as beside:
        return writers[kind](rows, beside)


def needs_extra(path: Path, package: str, extra: str) -> FileProblems:
    """Return the complaint that a format needs a package of an extra."""
    return about_file(
        path,
        f"this format needs the package {package}, which is not installed",
        allowed=f"an installation with the extra '{extra}': pip install 'radio-bench-sequencer[{extra}]'",
    )


def csv_lines(rows: Iterable[StoredResult]) -> Iterator[str]:
    """Yield the lines of a CSV file (RFC 4180), the names of the columns first."""
    columns = [column for column in COLUMNS if column.name not in NESTED]
    line = StringIO(newline="")
    writer = csv.writer(line)
    cells_of_rows = ([spreadsheet_safe(column.read(row)) for column in columns] for row in rows)
    table: Iterable[list[Any]] = chain([[column.name for column in columns]], cells_of_rows)
    for cells in table:
        writer.writerow(cells)
        yield line.getvalue()
        line.seek(0)
        line.truncate()


def _write_csv(rows: Iterable[StoredResult], path: Path) -> int:
    count = -1  # the first line names the columns
    with path.open("w", newline="", encoding="utf-8") as file:
        for line in csv_lines(rows):
            file.write(line)
            count += 1
    return count


def _write_json_lines(rows: Iterable[StoredResult], path: Path) -> int:
    count = 0
    with path.open("w", encoding="utf-8") as file:
        for row in rows:
            record = {column.name: _json_cell(column, row) for column in COLUMNS}
            file.write(json.dumps(record, ensure_ascii=False, allow_nan=False) + "\n")
            count += 1
    return count


def _write_parquet(rows: Iterable[StoredResult], path: Path) -> int:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise needs_extra(path, "pyarrow", "export") from error
    point = pa.struct(
        {
            "level_db": pa.float64(),
            "reading": pa.float64(),
            "state": pa.string(),
            "reading_s": pa.float64(),
            "at_s": pa.float64(),
            "frequency_hz": pa.float64(),
        }
    )
    kinds = {
        "text": pa.string(),
        "number": pa.float64(),
        "whole number": pa.int64(),
        "yes or no": pa.bool_(),
        "list": pa.list_(point),
        "record": pa.string(),
    }
    schema = pa.schema([(column.name, kinds[column.kind]) for column in COLUMNS])
    count, source = 0, iter(rows)
    with pq.ParquetWriter(path, schema) as writer:
        while batch := list(islice(source, _BATCH)):
            writer.write_table(pa.Table.from_pylist([_parquet_row(row) for row in batch], schema=schema))
            count += len(batch)
    return count


def _parquet_row(row: StoredResult) -> dict[str, Any]:
    return {column.name: _parquet_cell(column, row) for column in COLUMNS}


def _parquet_cell(column: ExportColumn, row: StoredResult) -> Any:
    cell = column.read(row)
    if column.kind != "record":
        return cell
    return json.dumps(cell, allow_nan=False) if cell else None


def _json_cell(column: ExportColumn, row: StoredResult) -> Any:
    """Return None for an unbounded uncertainty: JSON has no infinity."""
    cell = column.read(row)
    return None if isinstance(cell, float) and not math.isfinite(cell) else cell
