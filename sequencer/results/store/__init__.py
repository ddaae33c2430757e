"""The store: SQLite or PostgreSQL, one schema for both.

Imports results, and alone SQLAlchemy.
"""
