"""Schema 3: a run may be a part of its sequence, and may repeat checks of another; a result that was repeated says by which run."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "3"
down_revision = "2"


def upgrade() -> None:
    """Add the columns, empty: until then every run was of its whole sequence, and nothing was repeated."""
    for name, kind in (("part", sa.Text), ("again", sa.String), ("reason", sa.Text)):
        op.add_column("run", sa.Column(name, kind, nullable=False, server_default=""))
    op.add_column("result", sa.Column("replaced_by", sa.String, nullable=False, server_default=""))
    op.create_index("run_by_again", "run", ["again"])
