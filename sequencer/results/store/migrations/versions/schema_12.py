"""Schema 12: of which runs the trace was cleared, when, and how many messages it had."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "12"
down_revision = "11"


def upgrade() -> None:
    """Add the table, empty: until then no trace was cleared."""
    op.create_table(
        "trace_cleared",
        sa.Column("run", sa.String, sa.ForeignKey("run.run"), primary_key=True),
        sa.Column("time", sa.String, nullable=False),
        sa.Column("messages", sa.Integer, nullable=False),
    )
