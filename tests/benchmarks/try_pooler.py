"""Try a store and its queue through PgBouncer, in session and in transaction mode: what works, and what is said where it does not.

Run: ``python -m tests.benchmarks.try_pooler`` (Debian: package pgbouncer). Four runs at once write to the store over two connections of the
server, then everything that a worker asks of one is tried: settings in the connection's options, a lock as long as a connection, a wake-up.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import psycopg

from tests.support.forked_commands import ROOT
from tests.support.pooler import IGNORE, Pooler
from tests.support.postgres_server import PostgresServer


def _command(*words: str) -> subprocess.Popen[str]:
    code = f"import sys; sys.path.insert(0, {str(ROOT)!r}); from sequencer.cli.main import main; main()"
    return subprocess.Popen(
        [sys.executable, "-c", code, *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )


def _runs(address: str, count: int = 4) -> str:
    """Measure so many units at once; return how many are whole in the store, and the first complaint."""
    with tempfile.TemporaryDirectory() as folder:
        begun = []
        for number in range(count):
            bench = Path(folder) / f"bench{number}.yaml"
            text = (ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8")
            text = text.replace("Demonstration bench", f"Bench {number}")
            bench.write_text(text.replace("unit: units", f"unit: {ROOT / 'sim' / 'units'}"), encoding="utf-8")
            words = (
                "run",
                "fm-mobile-acceptance",
                "--bench",
                str(bench),
                "--serial",
                "M40-0007",
                "--confirmed",
            )
            begun.append(_command(*words, "--folder", folder, "--store", address))
        said = [one.communicate()[0] for one in begun]
        whole = sum("Not all could be kept" not in one and "All limits met" in one for one in said)
    words = ("cannot ", "kept in", "unsupported")
    wrong = [line for one in said for line in one.splitlines() if any(word in line for word in words)]
    return f"{whole} of {count} runs kept whole{'; ' + wrong[0][:200] if wrong else ''}"


def _said(done: Callable[[], object]) -> str:
    try:
        return str(done())
    except psycopg.Error as error:
        return f"refused: {str(error).splitlines()[-1][:160]}"


def _lock(pooler: Pooler, database: str) -> str:
    """Whether a second client is kept out of a lock that the first holds, while others use the pool."""
    with pooler.connect(database) as first, pooler.connect(database) as second:
        ours = first.execute("select pg_try_advisory_lock(7)").fetchone()[0]
        theirs = second.execute("select pg_try_advisory_lock(7)").fetchone()[0]
    return f"first {'has' if ours else 'has not'} it, second {'HAS IT TOO' if theirs else 'is kept out'}"


def _wake_up(pooler: Pooler, database: str) -> str:
    """How many of three notifications arrive."""
    with pooler.connect(database) as hears, pooler.connect(database) as tells:
        hears.execute("listen jobs")
        for _ in range(3):
            tells.execute("notify jobs")
        return f"{len(list(hears.notifies(timeout=1.0, stop_after=3)))} of 3"


def _options(pooler: Pooler, database: str) -> str:
    """Whether settings in the options of a connection hold."""
    with pooler.connect(database, options="-csearch_path=queue") as one:
        return one.execute("show search_path").fetchone()[0]


def main() -> None:
    """Try each mode."""
    server = PostgresServer()
    try:
        server.execute("CREATE DATABASE straight")
        straight = f"postgresql+psycopg://bench@/straight?host={server.folder}"
        print(f"straight to the server: {_runs(straight)}")
        for mode in ("session", "transaction"):
            for more, holds in (("", False), (IGNORE, False), (IGNORE, True)):
                database = f"{mode}_{'ignoring' if more else 'strict'}{'_holding' if holds else ''}"
                server.execute(f"CREATE DATABASE {database}")
                if holds:
                    server.execute(f"ALTER DATABASE {database} SET lock_timeout = '5s'")
                pooler = Pooler(server, mode, more, size=8 if mode == "session" else 2)
                try:
                    with_it = "; the database has lock_timeout by itself" if holds else ""
                    print(f"{mode} mode{', ' + more if more else ''}{with_it}:")
                    print(f"  store: {_runs(pooler.address(database))}")
                    print(f"  options: {_said(lambda: _options(pooler, database))}")  # noqa: B023
                    print(f"  lock: {_said(lambda: _lock(pooler, database))}")  # noqa: B023
                    print(f"  wake-up: {_said(lambda: _wake_up(pooler, database))}")  # noqa: B023
                    queue = _command("jobs", "set-up", "--store", pooler.address(database)).communicate()[0]
                    print(f"  jobs set-up: {' '.join(queue.split())[:220]}", flush=True)
                finally:
                    pooler.close()
    finally:
        server.close()


if __name__ == "__main__":
    main()
