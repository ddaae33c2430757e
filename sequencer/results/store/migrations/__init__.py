"""Alembic's migrations of the store, one a schema. They ship with the package and run by themselves when an older store is opened."""
