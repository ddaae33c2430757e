"""Schema 5: a result says on which side of an adjusting it was found; what an older store holds was not adjusted."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "5"
down_revision = "4"


def upgrade() -> None:
    """Add the column."""
    op.add_column("result", sa.Column("stage", sa.String, nullable=False, server_default=""))
