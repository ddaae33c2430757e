"""Try what only reads against a copy that follows the server (PostgreSQL's streaming replication), and cut the tables of runs into parts.

Run: ``python -m tests.benchmarks.try_replica``. A server is filled with four runs, copied by pg_basebackup, and the copy follows it.
Commands and pages that only read are sent to the copy while a fifth run is written to the server; what writes is sent there too. Then each
table's key is tried as one of partitions.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import psycopg
from click.testing import CliRunner

from sequencer.cli.main import main as program
from sequencer.results.store.place import find_place
from sequencer.results.store.tables import metadata
from tests.support.postgres_server import PostgresServer
from tests.support.watching import served

READS = (
    ("results",),
    ("results", "--check", "sensitivity"),
    ("batch", "trial"),
    ("compare",),
    ("history", "--serial", "M40-0007"),
    ("trace", "last"),
    ("store", "clear-traces", "--older-than", "1"),
)
WRITES = (("jobs", "set-up"),)
PAGES = ("/", "/runs", "/run?run=last", "/trace?run=last", "/units", "/batch?batch=trial", "/queue")


def _sequencer(address: str, *words: str) -> str:
    done = CliRunner().invoke(program, [*words, "--store", address], env={"NO_COLOR": "1", "COLUMNS": "100"})
    lines = done.output.strip().splitlines()
    return f"status {done.exit_code}, {len(lines)} lines{'' if done.exit_code in (0, 1) else ': ' + ' '.join(lines)[:260]}"


def _measure(address: str, serial: str, *, last: bool = False) -> str:
    with tempfile.TemporaryDirectory() as folder:
        words = (
            "run",
            "quick-check",
            "--bench",
            "bench",
            "--serial",
            serial,
            "--confirmed",
            "--batch",
            "trial",
        )
        if not last:
            return _sequencer(address, *words, "--folder", folder)
        done = CliRunner().invoke(
            program, [*words, "--folder", folder, "--store", address], env={"NO_COLOR": "1"}
        )
        return f"status {done.exit_code}: {' '.join(' '.join(done.output.split())[-420:].split())}"


def _copied(server: PostgresServer) -> PostgresServer:
    """Begin a copy that follows the server."""
    folder = Path(tempfile.mkdtemp(prefix="pr"))
    server.chown(folder)
    server.do("pg_basebackup", "-D", f"{folder}/d", "-R", "-h", str(server.folder), "-U", "bench")
    return PostgresServer(folder=folder)


def _parts(server: PostgresServer, schema: str) -> None:
    """Say of each table whether its key lets it be cut by the names of runs, which begin with their date."""
    with server.connect() as connection:
        for table in metadata.sorted_tables:
            if "run" not in table.c and table.name != "reading":
                continue
            by = "run" if "run" in table.c else "result"
            text = f"create table {schema}.cut_{table.name} (like {schema}.{table.name} including all) partition by range ({by})"
            try:
                connection.execute(text)
                said = f"can be cut by {by} as it is"
            except psycopg.Error as error:
                said = f"cannot: {str(error).splitlines()[0]}"
            print(f"  {table.name}: {said}")


def main() -> None:
    """Try both."""
    server = PostgresServer()
    copy = None
    try:
        address = server.address(schema="")
        for serial in ("M40-0007", "M40-0011", "M40-0012", "M40-0013"):
            print(f"measured into the server: {_measure(address, serial)}")
        copy = _copied(server)
        there = address.replace(str(server.folder), str(copy.folder))
        for words in (*READS, *WRITES):
            print(f"{' '.join(words)} at the copy: {_sequencer(there, *words)}", flush=True)
        print(f"a run into the copy: {_measure(there, 'M40-0015', last=True)}")
        with served(find_place(Path(), there)) as page:
            found = [page.ask(path) for path in PAGES]
            print("pages at the copy:", {path: one.status for path, one in zip(PAGES, found, strict=True)})
            _measure(address, "M40-0014")
            until_s = time.monotonic() + 10.0
            while "M40-0014" not in page.ask("/runs").text and time.monotonic() < until_s:
                time.sleep(0.1)
            print("a run of the server's appears there:", "M40-0014" in page.ask("/runs").text)
        print("partitions:")
        _parts(server, f"s{server._count}")
    finally:
        if copy is not None:
            copy.close()
        server.close()


if __name__ == "__main__":
    main()
