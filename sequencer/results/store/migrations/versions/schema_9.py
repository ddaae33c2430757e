"""Schema 9: batches. A run says under which batch, at which station, by whom and as which attempt it was made, and how it ended as a
number; a check where its time went.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "9"
down_revision = "8"
_TEXTS = ("batch", "station", "operator", "lot", "fixture", "retest_reason")
_SECONDS = ("bench_s", "settling_s", "resting_s", "person_s")


def upgrade() -> None:
    """Add columns and tables, empty: until then nobody asked for a batch."""
    for table in ("run", "result"):
        for name in _TEXTS:
            op.add_column(table, sa.Column(name, sa.String, nullable=False, server_default=""))
        op.add_column(table, sa.Column("attempt", sa.Integer, nullable=False, server_default="0"))
    op.add_column("run", sa.Column("status", sa.Integer))
    op.create_index("run_by_batch", "run", ["batch", "utc_s"])
    op.create_table(
        "batch",
        sa.Column("batch", sa.String, primary_key=True),
        sa.Column("sequence", sa.String, nullable=False),
        sa.Column("sequence_hash", sa.String, nullable=False),
        sa.Column("model", sa.String, nullable=False),
        sa.Column("simulated", sa.Boolean, nullable=False),
        sa.Column("target", sa.Integer),
        sa.Column("rules", sa.Text, nullable=False),
        sa.Column("opened", sa.String, nullable=False),
        sa.Column("closed", sa.String, nullable=False),
        sa.Column("closed_by", sa.String, nullable=False),
        sa.Column("stopped", sa.Text, nullable=False),
        sa.Column("went_on", sa.String, nullable=False),
        sa.Column("stopped_at", sa.String, nullable=False),
        sa.Column("utc_s", sa.Float(53), nullable=False),
    )
    op.create_table(
        "check_time",
        sa.Column("run", sa.String, sa.ForeignKey("run.run"), primary_key=True),
        sa.Column("check_index", sa.Integer, primary_key=True, autoincrement=False),
        *(sa.Column(name, sa.Float(53), nullable=False) for name in _SECONDS),
    )
