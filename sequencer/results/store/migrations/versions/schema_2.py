"""Schema 2: units, readings, confirmations and instruments in tables of their own; settings; moments that sort across time zones."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "2"
down_revision = "1"

_Id = sa.BigInteger().with_variant(sa.Integer, "sqlite")
_Number = sa.Float(53)
_BATCH = 1000
_IDENTITY = re.compile(
    r"(?:(?P<maker>.*) )?(?P<model>\S+), serial (?P<serial>.*), firmware (?P<firmware>.*)", re.DOTALL
)

_run = sa.table(
    "run",
    *map(sa.column, ("run", "time", "serial", "model", "instruments", "utc_s")),
)
_result = sa.table(
    "result",
    *map(
        sa.column,
        ("id", "run", "time", "check", "quantity", "value", "note", "points", "utc_s", "settings"),
    ),
)


def upgrade() -> None:
    """Make the new tables, fill them from the old columns, and only then take those away."""
    unit, reading, confirmation, instrument = _tables()
    for table, name in (("run", "utc_s"), ("result", "utc_s")):
        op.add_column(table, sa.Column(name, _Number))
    op.add_column("result", sa.Column("settings", sa.Text))
    connection = op.get_bind()
    _fill_runs(connection, unit, instrument)
    _fill_results(connection, reading, confirmation)
    op.drop_index("result_by_unit", "result")
    with op.batch_alter_table("run") as run:
        run.drop_column("instruments")
        run.alter_column("utc_s", existing_type=_Number, nullable=False)
        run.create_foreign_key("run_of_unit", "unit", ["serial"], ["serial"])
    with op.batch_alter_table("result") as result:
        result.drop_column("points")
        result.alter_column("utc_s", existing_type=_Number, nullable=False)
        result.alter_column("settings", existing_type=sa.Text, nullable=False)
    op.create_index("run_by_unit", "run", ["serial", "utc_s"])
    op.create_index("run_by_time", "run", ["utc_s"])
    op.create_index("result_by_unit", "result", ["serial", "check", "utc_s"])
    op.create_index("result_by_check", "result", ["check", "utc_s"])
    op.create_index("result_by_decision", "result", ["decision", "utc_s"])
    op.create_index("result_by_time", "result", ["utc_s"])


def _tables() -> tuple[sa.Table, sa.Table, sa.Table, sa.Table]:
    unit = op.create_table(
        "unit",
        sa.Column("serial", sa.String, primary_key=True),
        sa.Column("model", sa.String, nullable=False),
        sa.Column("first_utc_s", _Number, nullable=False),
        sa.Column("last_utc_s", _Number, nullable=False),
    )
    reading = op.create_table(
        "reading",
        sa.Column("result", _Id, sa.ForeignKey("result.id"), primary_key=True, autoincrement=False),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("level_db", _Number),
        sa.Column("reading", _Number),
        sa.Column("state", sa.String, nullable=False),
        sa.Column("reading_s", _Number),
        sa.Column("at_s", _Number),
        sqlite_with_rowid=False,
    )
    confirmation = op.create_table(
        "confirmation",
        sa.Column("result", _Id, sa.ForeignKey("result.id"), primary_key=True, autoincrement=False),
        sa.Column("run", sa.String, sa.ForeignKey("run.run"), nullable=False),
        sa.Column("asked", sa.Text, nullable=False),
        sa.Column("confirmed", sa.Boolean, nullable=False),
        sa.Column("how", sa.Text, nullable=False),
    )
    op.create_index("confirmation_by_run", "confirmation", ["run"])
    names = ("name", "role", "maker", "model", "serial", "firmware", "certificate", "due")
    instrument = op.create_table(
        "instrument",
        sa.Column("run", sa.String, sa.ForeignKey("run.run"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        *(sa.Column(name, sa.String, nullable=False) for name in names),
    )
    op.create_index("instrument_by_serial", "instrument", ["serial", "model"])
    return unit, reading, confirmation, instrument


def _fill_runs(connection: sa.Connection, unit: sa.Table, instrument: sa.Table) -> None:
    units: dict[str, dict[str, Any]] = {}
    rows = connection.execute(
        sa.select(*(_run.c[name] for name in ("run", "time", "serial", "model", "instruments")))
    ).all()
    for row in sorted(rows, key=lambda row: _utc_s(row.time)):
        at_s = _utc_s(row.time)
        known = units.setdefault(
            row.serial, {"serial": row.serial, "model": "", "first_utc_s": at_s, "last_utc_s": at_s}
        )
        known |= {"model": row.model or known["model"], "last_utc_s": at_s}
        connection.execute(sa.update(_run).where(_run.c.run == row.run).values(utc_s=at_s))
        if named := list(_instruments(row.run, json.loads(row.instruments))):
            connection.execute(sa.insert(instrument), named)
    if units:
        connection.execute(sa.insert(unit), list(units.values()))


def _instruments(run: str, named: dict[str, str]) -> Iterator[dict[str, Any]]:
    """Yield the records of what a run's row named; maker and model, put together with a space, are the old text again."""
    for number, (name, text) in enumerate(named.items()):
        found = _IDENTITY.fullmatch(text)
        known = {"maker": text} if found is None else found.groupdict(default="")
        empty = dict.fromkeys(("maker", "model", "serial", "firmware", "role", "certificate", "due"), "")
        yield {**empty, **known, "run": run, "number": number, "name": name}


def _fill_results(connection: sa.Connection, reading: sa.Table, confirmation: sa.Table) -> None:
    names = ("id", "run", "time", "check", "quantity", "value", "note", "points")
    wanted = [_result.c[name] for name in names]
    moment = (
        sa.update(_result)
        .where(_result.c.id == sa.bindparam("of"))
        .values(utc_s=sa.bindparam("at_s", type_=_Number), settings="null")
    )
    last = 0
    while rows := connection.execute(
        sa.select(*wanted).where(_result.c.id > last).order_by(_result.c.id).limit(_BATCH)
    ).all():
        last = rows[-1].id
        connection.execute(moment, [{"of": row.id, "at_s": _utc_s(row.time)} for row in rows])
        if points := [one for row in rows for one in _readings(row.id, row.points)]:
            connection.execute(sa.insert(reading), points)
        if confirmed := [_confirmation(row) for row in rows if row.check == "confirm"]:
            connection.execute(sa.insert(confirmation), confirmed)


def _readings(result: int, points: str) -> Iterator[dict[str, Any]]:
    for number, point in enumerate(json.loads(points)):
        yield {**point, "result": result, "number": number}


def _confirmation(row: Any) -> dict[str, Any]:
    note = row.note or ""
    how = (
        note.removeprefix("not confirmed (").removesuffix(")") if note.startswith("not confirmed (") else note
    )
    return {
        "result": row.id,
        "run": row.run,
        "asked": row.quantity.removeprefix("confirmed: "),
        "confirmed": row.value == 1.0,
        "how": how,
    }


def _utc_s(time: str) -> float:
    moment = datetime.fromisoformat(time)
    return (moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)).timestamp()
