"""Schema 14: at which temperature a unit stood, and what a document says of a result. Until then conditions and note said so in words."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "14"
down_revision = "13"

_BATCH = 1000
_NUMBERS = ("temperature_c", "air_c", "sensor_c", "soaked_s")
_TEXTS = ("read_by", "document")
# How schema 13 worded them
_CHAMBER = re.compile(r"chamber (-?[\d.]+) °C \(([^)]*)\)")
_AIR, _SENSOR = re.compile(r"air read (-?[\d.]+) °C"), re.compile(r"sensor on the unit (-?[\d.]+) °C")
_SOAKED = re.compile(r"soaked (\d+) (s|min)\b")
_OF_A_DOCUMENT = ("limit of ", "measured with ", "U is ")

_result = sa.table("result", *map(sa.column, ("id", "conditions", "note", *_NUMBERS, *_TEXTS)))


def upgrade() -> None:
    """Add the columns, and fill them from the words."""
    for name in _NUMBERS:
        op.add_column("result", sa.Column(name, sa.Float(53)))
    for name in _TEXTS:
        op.add_column("result", sa.Column(name, sa.String, nullable=False, server_default=""))
    connection = op.get_bind()
    filled = (
        sa.update(_result)
        .where(_result.c.id == sa.bindparam("of"))
        .values(
            **{name: sa.bindparam(f"new_{name}", type_=sa.Float(53)) for name in _NUMBERS},
            **{name: sa.bindparam(f"new_{name}") for name in _TEXTS},
        )
    )
    for rows in _batches(connection):
        connection.execute(filled, rows)


def _batches(connection: sa.Connection) -> Iterator[list[dict[str, Any]]]:
    """Yield what is filled in, of the results whose words may say something of it."""
    words = [
        _result.c.conditions.like("%chamber %"),
        *(_result.c.note.like(f"%{one}%") for one in _OF_A_DOCUMENT),
    ]
    query = sa.select(_result.c.id, _result.c.conditions, _result.c.note).where(sa.or_(*words))
    last = 0
    while rows := connection.execute(
        query.where(_result.c.id > last).order_by(_result.c.id).limit(_BATCH)
    ).all():
        last = rows[-1].id
        yield [_filled(row.id, row.conditions or "", row.note or "") for row in rows]


def _filled(of: int, conditions: str, note: str) -> dict[str, Any]:
    found = _CHAMBER.search(conditions)
    read = "" if found is None else found[2]
    soaked = _SOAKED.search(read)
    return {
        "of": of,
        "new_temperature_c": None if found is None else float(found[1]),
        "new_air_c": _number(_AIR, read),
        "new_sensor_c": _number(_SENSOR, read),
        "new_soaked_s": None if soaked is None else float(soaked[1]) * (60.0 if soaked[2] == "min" else 1.0),
        "new_read_by": "a person" if "by the word of a person" in read else "",
        "new_document": "\n".join(part for part in note.split("; ") if part.startswith(_OF_A_DOCUMENT)),
    }


def _number(pattern: re.Pattern[str], text: str) -> float | None:
    found = pattern.search(text)
    return None if found is None else float(found[1])
