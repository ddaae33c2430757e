"""Schema 6: a run and its results name the model file they were planned with by its hash, and a result says where its limits stand."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "6"
down_revision = "5"


def upgrade() -> None:
    """Add the columns, empty: until then there was no model file, and nobody noted where a limit stood."""
    op.add_column("run", sa.Column("model_hash", sa.String, nullable=False, server_default=""))
    for name in ("model_hash", "limit_from"):
        op.add_column("result", sa.Column(name, sa.String, nullable=False, server_default=""))
