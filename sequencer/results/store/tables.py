"""The store's tables: one schema for SQLite and PostgreSQL.

Whoever changes a table here raises `SCHEMA_VERSION` (``schema.py``) and adds the migration to it
(``sequencer/results/store/migrations/versions``); a test holds the migrated schema against this one.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
)

from sequencer.results.line import LINE_COLUMNS
from sequencer.results.model import COLUMNS
from sequencer.results.store.schema import STAMP

metadata = MetaData()
stamp_metadata = MetaData()

_Id = BigInteger().with_variant(Integer, "sqlite")  # SQLite numbers rows by itself in a plain INTEGER only
_Number = Float(53)

stamps = Table(
    STAMP,
    stamp_metadata,
    Column("version_num", String(32), nullable=False),
    PrimaryKeyConstraint("version_num", name="alembic_version_pkc"),
)


def _line_columns() -> list[Column[object]]:
    """Return the columns of `LineFacts`: what older rows do not say is empty."""
    return [
        Column(name, Integer, nullable=False, server_default="0")
        if name == "attempt"
        else Column(name, String, nullable=False, server_default="")
        for name in LINE_COLUMNS
    ]


units = Table(
    "unit",
    metadata,
    Column("serial", String, primary_key=True),
    Column("model", String, nullable=False),  # as it was last named
    Column("first_utc_s", _Number, nullable=False),
    Column("last_utc_s", _Number, nullable=False),
)

runs = Table(
    "run",
    metadata,
    Column("run", String, primary_key=True),
    Column("time", String, nullable=False),
    Column("serial", String, ForeignKey("unit.serial", name="run_of_unit"), nullable=False),
    Column("model", String, nullable=False),
    Column("sequence", String, nullable=False),
    Column("sequence_hash", String, nullable=False),
    Column("bench", String, nullable=False),
    Column("bench_hash", String, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("outcome", String, nullable=False),
    Column("bench_safe", Boolean),
    Column("bench_s", _Number),
    Column(
        "part", Text, nullable=False, server_default=""
    ),  # checks chosen with --only; empty for the whole sequence
    Column(
        "again", String, nullable=False, server_default=""
    ),  # the first run, if this one repeats checks of it
    Column("reason", Text, nullable=False, server_default=""),  # why they are repeated
    Column("model_hash", String, nullable=False, server_default=""),  # of the model file; empty without one
    Column(
        "resumed", Text, nullable=False, server_default="[]"
    ),  # JSON as text: when it was carried on after it was cut short
    Column("asked", Text, nullable=False, server_default=""),  # JSON as text; empty where it was not kept
    # the run whose readings were judged anew, and what it was made from; empty for what was measured
    *(
        Column(name, String, nullable=False, server_default="")
        for name in ("evaluated_from", "from_time", "from_sequence_hash", "from_bench_hash")
    ),
    Column("status", Integer),  # the exit status; empty in runs of before it was kept
    *_line_columns(),
    Column("utc_s", _Number, nullable=False),  # the same moment as "time", in order also across time zones
    Index("run_by_unit", "serial", "utc_s"),
    Index("run_by_batch", "batch", "utc_s"),
    Index("run_by_time", "utc_s"),
    Index("run_by_again", "again"),
)

_NUMBERS = (
    *("value", "uncertainty", "lower_limit", "upper_limit", "frequency_hz"),
    *("target", "slope", "axis_value", "nominal", "supply_v"),
    *("temperature_c", "air_c", "sensor_c", "soaked_s"),
)
_ADDED_TEXTS = (
    *(
        "target_unit",
        "axis",
        "axis_unit",
        "stage",
        "model_hash",
        "limit_from",
        "bound",
        "read_by",
        "document",
    ),
)


def _result_column(name: str) -> Column[object]:
    if name in _NUMBERS:
        return Column(name, _Number)
    if name in _ADDED_TEXTS:
        return Column(name, String, nullable=False, server_default="")
    return Column(name, {"channel": Integer, "simulated": Boolean}.get(name, String))


results = Table(
    "result",
    metadata,
    Column("id", _Id, primary_key=True),
    Column("run", String, ForeignKey("run.run"), nullable=False),
    Column("check_index", Integer, nullable=False),
    *(_result_column(name) for name in COLUMNS if name not in ("run", *LINE_COLUMNS)),
    *_line_columns(),
    Column(
        "budget", Text, nullable=False
    ),  # JSON as text: it may hold Infinity, which PostgreSQL's JSON refuses
    Column("settings", Text, nullable=False),  # JSON as text
    Column("fault", Text, nullable=False, server_default="null"),  # JSON as text
    Column(
        "confirmations", Text, nullable=False, server_default="[]"
    ),  # JSON as text: all before it; of a "confirm" the last is its own
    Column("replaced_by", String, nullable=False, server_default=""),  # the run whose repeat counts instead
    Column("utc_s", _Number, nullable=False),
    Index("result_by_run", "run"),
    Index("result_by_unit", "serial", "check", "utc_s"),
    Index("result_by_check", "check", "utc_s"),
    Index("result_by_decision", "decision", "utc_s"),
    Index("result_by_time", "utc_s"),
)

readings = Table(
    "reading",
    metadata,
    Column("result", _Id, ForeignKey("result.id"), primary_key=True, autoincrement=False),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("level_db", _Number),
    Column("reading", _Number),
    Column("state", String, nullable=False),
    Column("reading_s", _Number),
    Column("at_s", _Number),
    Column("frequency_hz", _Number),  # of a point of a trace; empty for every other
    sqlite_with_rowid=False,  # the readings of a result stand beside each other
)

instruments = Table(
    "instrument",
    metadata,
    Column("run", String, ForeignKey("run.run"), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("name", String, nullable=False),
    Column("role", String, nullable=False),
    Column("maker", String, nullable=False),
    Column("model", String, nullable=False),
    Column("serial", String, nullable=False),
    Column("firmware", String, nullable=False),
    Column("certificate", String, nullable=False),
    Column("due", String, nullable=False),  # ISO 8601 date; empty where the bench file names none
    Index("instrument_by_serial", "serial", "model"),
)

batches = Table(
    "batch",
    metadata,
    Column("batch", String, primary_key=True),
    Column("sequence", String, nullable=False),
    Column("sequence_hash", String, nullable=False),
    Column("model", String, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("target", Integer),
    Column("rules", Text, nullable=False),  # JSON as text: what its file says; empty without one
    Column("opened", String, nullable=False),  # ISO 8601 with offset, as all times are
    Column("closed", String, nullable=False),  # empty as long as it is open
    Column("closed_by", String, nullable=False),  # "rule" or "hand"; empty as long as it is open
    Column("stopped", Text, nullable=False),
    Column("went_on", String, nullable=False),  # when it was opened again last; empty where it never was
    Column("stopped_at", String, nullable=False),  # when a rule stopped it; empty once a person has opened it
    Column("utc_s", _Number, nullable=False),  # the same moment as "opened"
)

seconds = Table(
    "check_time",
    metadata,
    Column("run", String, ForeignKey("run.run"), primary_key=True),
    Column("check_index", Integer, primary_key=True, autoincrement=False),
    *(Column(name, _Number, nullable=False) for name in ("bench_s", "settling_s", "resting_s", "person_s")),
)

exchanges = Table(
    "exchange",
    metadata,
    Column("id", _Id, primary_key=True),
    Column("run", String, ForeignKey("run.run"), nullable=False),
    Column("check_index", Integer, nullable=False),
    Column("time_s", _Number, nullable=False),
    Column("instrument", String, nullable=False),
    Column("direction", String, nullable=False),
    Column("content", LargeBinary, nullable=False),
    Column("fault", Text, nullable=False),
    Column("facts", Text, nullable=False, server_default=""),  # JSON as text: the fault as data
    Index("exchange_by_check", "run", "check_index"),
)

cleared = Table(
    "trace_cleared",
    metadata,
    Column("run", String, ForeignKey("run.run"), primary_key=True),
    Column("time", String, nullable=False),  # ISO 8601 with offset, as all times are
    Column("messages", Integer, nullable=False),  # how many there were
)

files = Table(
    "input_file",
    metadata,
    Column("sha256", String, primary_key=True),
    Column("content", LargeBinary, nullable=False),
)

run_files = Table(
    "run_file",
    metadata,
    Column("run", String, ForeignKey("run.run"), primary_key=True),
    Column("place", String, primary_key=True),
    Column("kind", String, nullable=False),
    Column("sha256", String, ForeignKey("input_file.sha256"), nullable=False),
)

benches_now = Table(
    "bench_now",
    metadata,
    Column("id", String, primary_key=True),
    Column("bench", String, nullable=False),
    Column("machine", String, nullable=False),
    Column("process", Integer, nullable=False),
    Column("station", String, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("ended", Integer, nullable=False),
    Column("says", Text, nullable=False),  # JSON as text: `sequencer.results.bench_now.Doing`
    Column(
        "beat_utc_s", _Number, nullable=False
    ),  # by the clock of the server, or of the machine with the file
)

SCHEMA_1 = frozenset({"run", "result", "exchange"})
"""The tables of schema 1, which was known by SQLite's ``user_version`` alone."""
