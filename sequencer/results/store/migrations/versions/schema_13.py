"""Schema 13: whether a value is a bound only. Until then a note of the result said so, in the words of the checks of that time."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "13"
down_revision = "12"
_WORDS = (
    ("%at most this: %", "at most"),
    ("%at least this: %", "at least"),
    ("%: at least this ratio, no product stands out%", "at least"),
    ("%: the receiver rejects at least %", "at least"),
)


def upgrade() -> None:
    """Add the column, and fill it where the note says that the value is a bound; every other value was measured."""
    op.add_column("result", sa.Column("bound", sa.String, nullable=False, server_default=""))
    result = sa.table("result", sa.column("note"), sa.column("value"), sa.column("bound"))
    for words, bound in _WORDS:
        op.execute(
            sa.update(result)
            .where(result.c.note.like(words), result.c.value.is_not(None))
            .values(bound=bound)
        )
