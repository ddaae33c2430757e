"""Schema 10: what each bench does now, as the process that works it last said."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "10"
down_revision = "9"


def upgrade() -> None:
    """Add the table, empty: until then nobody said."""
    op.create_table(
        "bench_now",
        sa.Column("id", sa.String, primary_key=True),
        sa.Column("bench", sa.String, nullable=False),
        sa.Column("machine", sa.String, nullable=False),
        sa.Column("process", sa.Integer, nullable=False),
        sa.Column("station", sa.String, nullable=False),
        sa.Column("simulated", sa.Boolean, nullable=False),
        sa.Column("ended", sa.Integer, nullable=False),
        sa.Column("says", sa.Text, nullable=False),
        sa.Column("beat_utc_s", sa.Float(53), nullable=False),
    )
