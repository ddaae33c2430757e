"""The number of the store's schema, apart from its tables: who only asks for it need not import what describes them."""

from __future__ import annotations

SCHEMA_VERSION = 14
"""The schema of the tables in ``tables.py``. A store with a higher one was written by a newer sequencer and is refused."""
STAMP = "alembic_version"
"""The table that says which schema a store has; as Alembic itself makes it."""
