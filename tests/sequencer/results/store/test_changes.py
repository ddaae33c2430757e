"""A store is watched by connections that cannot write, and each write of somebody else is seen once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.results.store.changes import StoreChanges
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import EmptyStore, StoreProblem
from sequencer.results.store.store import Store
from tests.support.stored_results import RUN, a_result


def test_each_write_is_seen_once(place: StorePlace) -> None:
    """After a write the next question says so, and the one after it does not."""
    with Store.open(place) as store, StoreChanges(place) as changes:
        assert changes.seen()
        assert not changes.seen()
        store.write_run(RUN)
        assert changes.seen()
        assert not changes.seen()
        store.write_check("r1", 0, [a_result()], [])
        assert changes.seen()
        assert not changes.seen()


def test_nothing_can_be_written_by_whoever_watches(place: StorePlace) -> None:
    """Rows are read as they are written, and no way leads to the store: by its own methods, nor by SQL."""
    with Store.open(place) as store, Store.open_to_watch(place) as watched:
        store.write_run(RUN)
        assert [one.run for one in watched.read_runs()] == ["r1"]
        with pytest.raises(StoreProblem, match=r"readonly|read-only"):
            watched.write_run(replace(RUN, run="r2"))
        with pytest.raises(Exception, match=r"readonly|read-only"), watched._engine.begin() as connection:
            connection.exec_driver_sql("DELETE FROM run")
        store.write_run(replace(RUN, run="r3"))
        assert {one.run for one in watched.read_runs()} == {"r1", "r3"}


def test_a_store_of_another_schema_is_left_as_it_is(tmp_path: Path) -> None:
    """The page upgrades nothing: it names the command that does; a file that is no store yet is said to be empty."""
    old = Path(__file__).parents[3] / "data" / "store-schema-9.sqlite"
    path = tmp_path / "results.sqlite"
    path.write_bytes(old.read_bytes())
    with pytest.raises(StoreProblem, match=r"schema 9, .* changes nothing"):
        Store.open_to_watch(StorePlace(path=path))
    assert path.read_bytes() == old.read_bytes()
    path.write_bytes(b"")
    with pytest.raises(EmptyStore):
        Store.open_to_watch(StorePlace(path=path))
    path.unlink()
    with pytest.raises(StoreProblem, match="no store here"):
        Store.open_to_watch(StorePlace(path=path))
    assert not path.exists()
