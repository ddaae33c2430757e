"""Schema 4: target, slope, axis, nominal, supply, fault and confirmations are fields of a result; budgets say what results share.

The table of confirmations goes: each result carries those it was found under, and that of a `confirm` its own, so that it held nothing
that is not there.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "4"
down_revision = "3"

_BATCH = 1000
_NUMBERS = ("target", "slope", "axis_value", "nominal", "supply_v")
_TEXTS = ("target_unit", "axis", "axis_unit")
_SUPPLY = re.compile(r"supply ([-+0-9.e]+) V(?:; |$)")
# How schema 3 told what results share: by the words of a contribution's source
_SHARED_WORDS = ("accuracy", "reference", "path", "loss", "calibration", "certificate", "cable", "pad,")
_OWN_WORDS = ("repeatability", "search", "resolution", "scatter", "noise", "drift", "reading's")
_MISMATCH = "mismatch"

_result = sa.table(
    "result",
    *map(sa.column, ("id", "run", "time", "check", "conditions", "budget", "supply_v", "confirmations")),
)
_confirmation = sa.table("confirmation", *map(sa.column, ("result", "run", "asked", "confirmed", "how")))


def upgrade() -> None:
    """Add the columns, and fill those whose facts an older store holds."""
    for name in _NUMBERS:
        op.add_column("result", sa.Column(name, sa.Float(53)))
    for name in _TEXTS:
        op.add_column("result", sa.Column(name, sa.String, nullable=False, server_default=""))
    op.add_column("result", sa.Column("fault", sa.Text, nullable=False, server_default="null"))
    op.add_column("result", sa.Column("confirmations", sa.Text, nullable=False, server_default="[]"))
    connection = op.get_bind()
    _fill_results(connection, _confirmed(connection))
    op.drop_table("confirmation")


def _confirmed(connection: sa.Connection) -> dict[str, list[tuple[int, dict[str, Any]]]]:
    """Return the confirmations by run, each with the number of its result; it was confirmed when that was found."""
    found: dict[str, list[tuple[int, dict[str, Any]]]] = {}
    both = sa.select(
        _confirmation.c.result,
        _confirmation.c.run,
        _confirmation.c.asked,
        _confirmation.c.confirmed,
        _confirmation.c.how,
        _result.c.time,
    ).join(_result, _result.c.id == _confirmation.c.result)
    for row in connection.execute(both.order_by(_confirmation.c.result)):
        record = {
            "text": row.asked,
            "confirmed": bool(row.confirmed),
            "how": row.how,
            "when": row.time,
            "who": "",
            "knob": "",
        }
        found.setdefault(row.run, []).append((row.result, record))
    return found


def _fill_results(connection: sa.Connection, confirmed: dict[str, list[tuple[int, dict[str, Any]]]]) -> None:
    filled = (
        sa.update(_result)
        .where(_result.c.id == sa.bindparam("of"))
        .values(
            budget=sa.bindparam("shares"),
            supply_v=sa.bindparam("volts", type_=sa.Float(53)),
            confirmations=sa.bindparam("under"),
        )
    )
    for rows in _batches(connection):
        connection.execute(
            filled,
            [
                {
                    "of": row.id,
                    "shares": _with_common(row.budget),
                    "volts": _supply_v(row.conditions),
                    "under": json.dumps(_under(row.id, confirmed.get(row.run, ()))),
                }
                for row in rows
            ],
        )


def _batches(connection: sa.Connection) -> Iterator[Any]:
    names = ("id", "run", "conditions", "budget")
    last = 0
    query = sa.select(*(_result.c[name] for name in names)).order_by(_result.c.id).limit(_BATCH)
    while rows := connection.execute(query.where(_result.c.id > last)).all():
        last = rows[-1].id
        yield rows


def _under(result: int, confirmed: Any) -> list[dict[str, Any]]:
    """Return what had been confirmed when a result was found, and what it asked itself, confirmed or not."""
    return [record for at, record in confirmed if at == result or (at < result and record["confirmed"])]


def _supply_v(conditions: str | None) -> float | None:
    found = _SUPPLY.match(conditions or "")
    return None if found is None else float(found[1])


def _with_common(text: str) -> str:
    budget = json.loads(text)
    if not budget:
        return text
    for part in budget["contributions"]:
        part.setdefault("common", _common(part))
    return json.dumps(budget)


def _common(part: dict[str, Any]) -> str:
    source = part["source"].lower()
    mismatch = source.startswith(_MISMATCH)
    if "shared" in part:
        return ("unit" if mismatch else "bench") if part["shared"] else "none"
    if part["degrees_of_freedom"] is not None or any(word in source for word in _OWN_WORDS):
        return "none"
    if mismatch:
        return "unit"
    return "bench" if any(word in source for word in _SHARED_WORDS) else "none"
