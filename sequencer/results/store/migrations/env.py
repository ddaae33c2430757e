"""Run by Alembic: migrates on the connection that `sequencer.results.store.upgrade` hands over, inside its transaction."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
