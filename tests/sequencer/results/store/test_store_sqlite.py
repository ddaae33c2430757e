"""What is peculiar to a store in an SQLite file: its journal, its folder, its damage, a disk that is full."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.results.store.file import open_file
from sequencer.results.store.place import StorePlace, share_note
from sequencer.results.store.store import SCHEMA_VERSION, Store, StoreProblem
from tests.support.stored_results import RUN
from tests.support.stored_results import a_result as _result
from tests.support.stored_results import an_exchange as _exchange


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the store of a test stands."""
    return tmp_path / "results.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    """An open store with one run in it."""
    with Store.open(path) as opened:
        opened.write_run(RUN)
        yield opened


def test_writes_wait_for_the_disk(store: Store) -> None:
    """Write-ahead log with full synchronisation: what SQLite documents as durable across a power cut."""
    with store._writer.transaction() as transaction:
        assert transaction.run("PRAGMA journal_mode").fetchone() == ("wal",)
        assert transaction.run("PRAGMA synchronous").fetchone() == (2,)


def test_a_file_that_is_no_database_is_called_that(path: Path) -> None:
    """Text under the store's name is left as it is, and the CSV tables are pointed at."""
    path.write_bytes(b"a shopping list, long enough to be read as a header\n" * 40)
    before = path.read_bytes()
    with pytest.raises(StoreProblem, match="not a database") as caught:
        Store.open(path)
    assert "results tables (CSV) beside it" in str(caught.value)
    assert path.read_bytes() == before


def test_a_damaged_store_is_told_of_without_a_traceback(store: Store, path: Path) -> None:
    """Bytes overwritten in the middle end in a `StoreProblem`, whichever reading method meets them."""
    for index in range(30):
        store.write_check("r1", index, [_result(note="x" * 3000)], [_exchange(b"y" * 3000)])
    store.close()
    content = bytearray(path.read_bytes())
    content[9000:-5000] = os.urandom(len(content) - 14000)
    path.write_bytes(content)
    with pytest.raises(StoreProblem) as caught, Store.open(path) as damaged:  # noqa: PT012 - which of them meets it is SQLite's affair
        damaged.read_results("r1")
        damaged.read_exchanges("r1")
    assert "damaged" in caught.value.next_move


def test_a_folder_s_name_may_hold_what_an_address_may_not(tmp_path: Path) -> None:
    """Question marks, per cent and hash signs in the folder's name do not lead elsewhere."""
    folder = tmp_path / "50%? #1 é"
    folder.mkdir()
    with Store.open(folder / "results.sqlite") as opened:
        opened.write_run(RUN)
    assert (folder / "results.sqlite").is_file()
    with Store.open_to_read(folder / "results.sqlite") as opened:
        assert len(opened.read_runs()) == 1


def test_a_store_is_read_where_nothing_can_be_written(
    store: Store, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a read-only share the store is read as it stands, and no file is added beside it."""
    store.close()
    before = sorted(one.name for one in path.parent.iterdir())
    monkeypatch.setattr(
        os, "access", lambda *_: False
    )  # root may write anywhere: say what the share would say
    with Store.open_to_read(path) as opened:
        assert len(opened.read_runs()) == 1
        with pytest.raises(StoreProblem, match="readonly"):
            opened.write_run(replace(RUN, run="r2"))
    assert sorted(one.name for one in path.parent.iterdir()) == before


def test_reading_makes_no_store(path: Path) -> None:
    """A reader of a folder without a store is told so, and the folder stays as it was."""
    with pytest.raises(StoreProblem, match="there is no store here"):
        Store.open_to_read(path)
    assert not path.exists()


def test_a_full_disk_takes_nothing_in_part(store: Store, path: Path) -> None:
    """When SQLite finds no room (SQLITE_FULL, provoked by its own page limit) the check is refused whole, and said so."""
    store.write_check("r1", 0, [_result()], [_exchange()])
    with store._writer.transaction() as transaction:  # so that it is the connection the check is written on
        (pages,) = transaction.run("PRAGMA page_count").fetchone()
        transaction.run(f"PRAGMA max_page_count = {pages + 2}")
    with pytest.raises(StoreProblem, match="full") as caught:
        store.write_check("r1", 1, [_result()], [_exchange(b"x" * 100_000)])
    assert "Make room on the disk" in caught.value.next_move
    assert len(store.read_results("r1")) == 1
    assert len(store.read_exchanges("r1")) == 1


def test_a_store_of_the_first_sequencers_kind_is_refused_by_them(store: Store, path: Path) -> None:
    """The number that sequencers of schema 1 look at is above theirs, so that they leave the store alone."""
    other = sqlite3.connect(path)
    assert other.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    other.close()


def test_a_file_on_a_network_share_has_no_write_ahead_log_and_is_warned_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ "WAL does not work over a network filesystem" (SQLite, "Write-Ahead Logging", Overview); what the mounts say is handed in.

    One that was made on a disk and then moved there gives it up.
    """
    path = tmp_path / "results.sqlite"

    def mode() -> str:
        with closing(open_file(path)) as connection:
            connection.execute("CREATE TABLE IF NOT EXISTS one (two)")
            return str(connection.execute("PRAGMA journal_mode").fetchone()[0])

    assert (mode(), share_note(StorePlace(path=path))) == ("wal", "")
    for module in ("file", "place"):
        monkeypatch.setattr(f"sequencer.results.store.{module}.filesystem_of", lambda at: "nfs4")
    assert mode() == "delete"
    note = share_note(StorePlace(path=path))
    assert note.startswith(f"warning: the store stands on a network share (nfs4: {path}).")
    assert "PostgreSQL" in note
