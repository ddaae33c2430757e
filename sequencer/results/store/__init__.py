"""The store: SQLite or PostgreSQL, one schema for both."""
