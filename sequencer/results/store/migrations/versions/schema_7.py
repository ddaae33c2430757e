"""Schema 7: a run says when it was resumed after it had been cut short."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "7"
down_revision = "6"


def upgrade() -> None:
    """Add the column, empty: until then no run could be carried on."""
    op.add_column("run", sa.Column("resumed", sa.Text, nullable=False, server_default="[]"))
