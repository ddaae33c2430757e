"""Schema 11: where a point of a trace lies in a column of its own. Until then its frequency stood in the level's place."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "11"
down_revision = "10"
_OF_SPECTRUM = "of a spectrum"


def upgrade() -> None:
    """Add the column, and move the frequencies there; every other reading has none."""
    op.add_column("reading", sa.Column("frequency_hz", sa.Float(53)))
    reading = sa.table("reading", sa.column("level_db"), sa.column("state"), sa.column("frequency_hz"))
    op.execute(
        sa.update(reading)
        .where(reading.c.state == _OF_SPECTRUM)
        .values(frequency_hz=reading.c.level_db, level_db=None)
    )
