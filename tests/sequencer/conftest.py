"""Stores for tests: the same tests run on SQLite and on PostgreSQL."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.results.store.place import StorePlace, find_place
from tests.support.postgres_server import PostgresServer


@pytest.fixture(params=["sqlite", "postgresql"])
def store_name(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """What --store would be given: a file, or the address of an empty schema."""
    if request.param == "sqlite":
        return str(tmp_path / "results.sqlite")
    server: PostgresServer = request.getfixturevalue("postgres")
    return server.address()


@pytest.fixture
def place(store_name: str) -> StorePlace:
    """Where the store of a test stands, in each kind of database."""
    return find_place(Path("unused"), store_name)
