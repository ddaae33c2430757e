"""A PostgreSQL server whose disk is full: the run goes on, stands beside its table, and is taken in once there is room."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store, StoreProblem
from tests.support.postgres_server import PostgresServer
from tests.support.stored_results import RUN, a_result, an_exchange

QUICK = """\
sequence: quick
channels: cept-40
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, limit: {max: 4 W}}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
"""
REFUSES = """
    CREATE FUNCTION {schema}.no_room() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE 'could not extend file: No space left on device' USING ERRCODE = '53100'; END $$
"""


def _call(*words: str) -> Any:
    return CliRunner().invoke(main, list(words))


@pytest.fixture
def small_disk(postgres: PostgresServer) -> Iterator[str]:
    """A tablespace of the server on a disk of 2 MB of its own: a real file system that can be filled."""
    folder = postgres.folder / "small"
    folder.mkdir(exist_ok=True)
    owner = (postgres.folder / "d").stat()
    rights = [] if os.geteuid() == 0 else ["sudo", "-n"]
    options = f"size=2m,mode=700,uid={owner.st_uid},gid={owner.st_gid}"
    try:
        made = subprocess.run(
            [*rights, "mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)],
            capture_output=True,
            text=True,
            timeout=20,
            check=False,
        )
        said = made.stderr.strip() if made.returncode else ""
    except FileNotFoundError as error:
        said = str(error)
    if said:
        reason = f"no disk of 2 MB can be mounted here, which takes root or sudo: {said}"
        if os.environ.get("SEQUENCER_TEST_ALL"):
            pytest.fail(reason)
        pytest.skip(reason)
    name = f"small_{folder.stat().st_dev}"
    try:
        postgres.execute(f"CREATE TABLESPACE {name} LOCATION '{folder}'")
        yield name
    finally:
        # Tables that stand there would keep it in use; the server's own folder goes with the server
        with postgres.connect() as connection:
            where = "SELECT schemaname, tablename FROM pg_tables WHERE tablespace = %s"
            for schema, table in connection.execute(where, [name]).fetchall():
                connection.execute(f"DROP TABLE {schema}.{table} CASCADE")
            connection.execute(f"DROP TABLESPACE IF EXISTS {name}")
        subprocess.run([*rights, "umount", "-l", str(folder)], check=True, timeout=20)


def test_a_disk_that_is_full_refuses_a_check_whole(postgres: PostgresServer, small_disk: str) -> None:
    """The server's own ENOSPC (53100, PostgreSQL manual, appendix A) says where to make room; with room, writing goes on."""
    place = find_place(Path("unused"), postgres.address())
    with Store.open(place) as store:
        store.write_run(RUN)
        schema = f"s{postgres._count}"
        postgres.execute(f"ALTER TABLE {schema}.exchange SET TABLESPACE {small_disk}")
        store.write_check("r1", 0, [a_result()], [an_exchange()])
        # random, so that the server cannot compress them; 4 MB do not fit
        much = [an_exchange(os.urandom(100_000)) for _ in range(40)]
        with pytest.raises(StoreProblem, match="No space left on device") as caught:
            store.write_check("r1", 1, [a_result()], much)
        assert "Make room on the server's disk" in caught.value.next_move
        assert (len(store.read_results("r1")), len(store.read_exchanges("r1"))) == (1, 1)
        store.write_check("r1", 1, [a_result()], [an_exchange()])
        assert (len(store.read_results("r1")), len(store.read_exchanges("r1"))) == (2, 2)


def test_a_run_on_a_full_disk_is_kept_and_taken_in_when_there_is_room(
    postgres: PostgresServer, tmp_path: Path
) -> None:
    """The command says what is wrong, where the results stand and what takes them in; afterwards `results` shows the run.

    The server raises the error it raises when its disk is full (SQLSTATE 53100) for every row of a result.
    """
    address = postgres.address()
    schema = f"s{postgres._count}"
    Store.open(find_place(tmp_path, address)).close()
    postgres.execute(
        REFUSES.format(schema=schema),
        f"CREATE TRIGGER full_disk BEFORE INSERT ON {schema}.result EXECUTE FUNCTION {schema}.no_room()",
    )
    (tmp_path / "quick.yaml").write_text(QUICK, encoding="utf-8")
    where = ["--folder", str(tmp_path / "results"), "--store", address]
    began = datetime.now(UTC)
    done = _call(
        "run", str(tmp_path / "quick.yaml"), "--bench", "sim/bench.yaml", "--serial", "M40-0007", *where
    )
    assert done.exit_code == 3
    assert "Make room on the server's disk" in done.stderr
    assert "sequencer import-kept" in done.stderr
    (kept,) = (tmp_path / "results").glob("*.journal")
    assert str(kept) in done.stderr
    still = _call("import-kept", str(kept), *where)
    assert still.exit_code == 2
    assert "No space left on device" in still.stderr
    postgres.execute(f"DROP TRIGGER full_disk ON {schema}.result")
    taken = _call("import-kept", str(kept), *where)
    assert taken.exit_code == 0, taken.output
    assert "2 results" in taken.stdout
    shown = _call("results", "last", *where)
    assert "carrier power" in shown.stdout
    assert "outcome: done" in shown.stdout
    with Store.open_to_read(find_place(tmp_path, address)) as store:
        (run,) = store.read_runs()
        assert run.time.timestamp() >= began.timestamp() - 1
