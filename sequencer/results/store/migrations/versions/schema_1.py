"""Schema 1: runs, results and exchanged bytes, as the first stores had them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "1"
down_revision = None

_Id = sa.BigInteger().with_variant(sa.Integer, "sqlite")
_TEXTS = ("time", "serial", "model", "sequence", "sequence_hash", "bench", "bench_hash")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "run",
        sa.Column("run", sa.String, primary_key=True),
        *(sa.Column(name, sa.String, nullable=False) for name in _TEXTS),
        sa.Column("simulated", sa.Boolean, nullable=False),
        sa.Column("instruments", sa.Text, nullable=False),
        sa.Column("outcome", sa.String, nullable=False),
        sa.Column("bench_safe", sa.Boolean),
        sa.Column("bench_s", sa.Float),
    )
    op.create_table(
        "result",
        sa.Column("id", _Id, primary_key=True),
        sa.Column("run", sa.String, sa.ForeignKey("run.run"), nullable=False),
        sa.Column("check_index", sa.Integer, nullable=False),
        *(sa.Column(name, sa.String) for name in _TEXTS),
        sa.Column("simulated", sa.Boolean),
        sa.Column("check", sa.String),
        sa.Column("channel", sa.Integer),
        sa.Column("frequency_hz", sa.Float),
        sa.Column("mode", sa.String),
        sa.Column("quantity", sa.String),
        sa.Column("value", sa.Float),
        sa.Column("unit", sa.String),
        sa.Column("uncertainty", sa.Float),
        sa.Column("lower_limit", sa.Float),
        sa.Column("upper_limit", sa.Float),
        *(sa.Column(name, sa.String) for name in ("decision", "rule", "conditions", "note")),
        sa.Column("points", sa.Text, nullable=False),
        sa.Column("budget", sa.Text, nullable=False),
    )
    op.create_index("result_by_unit", "result", ["serial", "time"])
    op.create_index("result_by_run", "result", ["run"])
    op.create_table(
        "exchange",
        sa.Column("id", _Id, primary_key=True),
        sa.Column("run", sa.String, sa.ForeignKey("run.run"), nullable=False),
        sa.Column("check_index", sa.Integer, nullable=False),
        sa.Column("time_s", sa.Float, nullable=False),
        sa.Column("instrument", sa.String, nullable=False),
        sa.Column("direction", sa.String, nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
        sa.Column("fault", sa.Text, nullable=False),
    )
    op.create_index("exchange_by_check", "exchange", ["run", "check_index"])
