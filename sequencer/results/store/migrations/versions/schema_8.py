"""Schema 8: what a replay needs. A run keeps the files it was made from and how it was asked for, a message its fault as data;
a re-evaluation names the run whose readings it judges anew.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "8"
down_revision = "7"


def upgrade() -> None:
    """Add columns and tables, empty: what earlier sequencers did not keep cannot be had again."""
    op.add_column("run", sa.Column("asked", sa.Text, nullable=False, server_default=""))
    for name in ("evaluated_from", "from_time", "from_sequence_hash", "from_bench_hash"):
        op.add_column("run", sa.Column(name, sa.String, nullable=False, server_default=""))
    op.add_column("exchange", sa.Column("facts", sa.Text, nullable=False, server_default=""))
    op.create_table(
        "input_file",
        sa.Column("sha256", sa.String, primary_key=True),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "run_file",
        sa.Column("run", sa.String, sa.ForeignKey("run.run"), primary_key=True),
        sa.Column("place", sa.String, primary_key=True),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("sha256", sa.String, sa.ForeignKey("input_file.sha256"), nullable=False),
    )
