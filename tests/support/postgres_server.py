"""A PostgreSQL server of the tests' own: started in a temporary folder, heard on a socket there, and gone afterwards.

It needs the server's binaries (Debian: package ``postgresql``); they refuse to be run by root, so that root hands them to another user.
"""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any


class NoServer(Exception):
    """The binaries are not here, or nobody may run them; the text says what is missing."""


class PostgresServer:
    """A running server. `address` names a schema of its own to each who asks."""

    def __init__(self, *, folder: Path | None = None, settings: str = "-c shared_buffers=16MB") -> None:
        """Start one; in ``folder``, where what an earlier one kept there is taken up, or else in a new one."""
        self._binaries = _find_binaries()
        self._as_user = _who_may_run_it()
        self._settings = settings
        # short: a socket's path has 107 bytes at most (unix(7))
        self.folder = Path(tempfile.mkdtemp(prefix="pg")) if folder is None else folder
        self.folder.mkdir(parents=True, exist_ok=True)
        self._count = 0
        if (self.folder / "d" / "PG_VERSION").exists():
            self.start()
            return
        if self._as_user:
            os.chown(self.folder, self._as_user["user"], self._as_user["group"])
        try:
            self._do(
                "initdb",
                "-D",
                f"{self.folder}/d",
                "-U",
                "bench",
                "-A",
                "trust",
                "-E",
                "UTF8",
                "--no-instructions",
            )
            self.start()
        except BaseException:
            shutil.rmtree(self.folder, ignore_errors=True)
            raise

    def start(self) -> None:
        """Start it, and wait until it answers."""
        options = f"-c listen_addresses='' -k {self.folder} -c max_connections=40 {self._settings}"
        self._do("pg_ctl", "-D", f"{self.folder}/d", "-w", "-l", f"{self.folder}/log", "-o", options, "start")

    def stop(self, mode: str = "immediate") -> None:
        """Stop it; ``immediate`` is what a crash of the server is: recovery is left to the next start."""
        self._do("pg_ctl", "-D", f"{self.folder}/d", "-w", "-m", mode, "stop")

    def close(self) -> None:
        """Stop it and take it away."""
        try:
            self.stop()
        finally:
            shutil.rmtree(self.folder, ignore_errors=True)

    def address(self, *, schema: str = "", user: str = "bench") -> str:
        """Return the address of a store: a schema, new unless it is named."""
        if not schema:
            self._count += 1
            schema = f"s{self._count}"
            self.execute(f"CREATE SCHEMA {schema}")
        return f"postgresql+psycopg://{user}@/postgres?host={self.folder}&options=-csearch_path%3D{schema}"

    def guarded(self, user: str, *, password: str) -> str:
        """Return the address of a store whose ``user`` is asked for a password (SCRAM-SHA-256), in a schema of the user's own."""
        self.execute(
            f"CREATE ROLE {user} LOGIN",
            f"CREATE SCHEMA {user} AUTHORIZATION {user}",
            f"GRANT CREATE ON DATABASE postgres TO {user}",
        )
        with self.connect() as connection:
            connection.execute("SET password_encryption = 'scram-sha-256'")
            connection.execute(f"ALTER ROLE {user} PASSWORD '{password}'")
        rules = self.folder / "d" / "pg_hba.conf"
        rules.write_text(
            f"local all {user} scram-sha-256\n{rules.read_text(encoding='utf-8')}", encoding="utf-8"
        )
        self._do("pg_ctl", "-D", f"{self.folder}/d", "reload")
        while self._lets_in(user):  # until the server has read its rules
            time.sleep(0.02)
        return f"postgresql+psycopg://{user}:{password}@/postgres?host={self.folder}&options=-csearch_path%3D{user}"

    def _lets_in(self, user: str) -> bool:
        import psycopg

        try:
            psycopg.connect(host=str(self.folder), user=user, dbname="postgres").close()
        except psycopg.OperationalError:
            return False
        return True

    def execute(self, *statements: str) -> None:
        """Do something as the one who keeps the server."""
        with self.connect() as connection:
            for statement in statements:
                connection.execute(statement)

    def connect(self) -> Any:
        """Return a connection of psycopg's own, each statement a transaction."""
        import psycopg

        return psycopg.connect(host=str(self.folder), user="bench", dbname="postgres", autocommit=True)

    def chown(self, folder: Path) -> None:
        """Hand a folder to the user that the server runs as."""
        if self._as_user:
            os.chown(folder, self._as_user["user"], self._as_user["group"])

    def do(self, program: str, *words: str) -> None:
        """Call one of the server's own programs, as its user."""
        self._do(program, *words)

    def _do(self, program: str, *words: str) -> None:
        done = subprocess.run(
            [str(self._binaries / program), *words],
            cwd="/",
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE if program == "initdb" else subprocess.DEVNULL,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=60,
            check=False,
            **self._as_user,
        )
        if done.returncode:
            log = self.folder / "log"
            said = done.stdout or (log.read_text(errors="replace")[-2000:] if log.exists() else "")
            raise RuntimeError(f"{program} failed: {said}")


def _find_binaries() -> Path:
    found = [*Path("/usr/lib/postgresql").glob("*/bin/initdb"), *Path("/usr/pgsql").glob("bin/initdb")]
    if on_path := shutil.which("initdb"):
        found.append(Path(on_path))
    for one in sorted(found, reverse=True):
        if (one.parent / "postgres").exists() and (one.parent / "pg_ctl").exists():
            return one.resolve().parent
    raise NoServer(
        "no PostgreSQL server binaries (initdb, pg_ctl, postgres); on Debian: apt-get install postgresql"
    )


def _who_may_run_it() -> dict[str, Any]:
    if os.geteuid() != 0:
        return {}
    for name in ("postgres", "nobody"):
        try:
            who = pwd.getpwnam(name)
        except KeyError:
            continue
        return {"user": who.pw_uid, "group": who.pw_gid, "extra_groups": []}
    raise NoServer("PostgreSQL is not run by root, and there is no user 'postgres' or 'nobody' to run it")


def main() -> None:
    """Start one, say how long that took, and stop it: a look at whether this machine can."""
    began_s = time.perf_counter()
    server = PostgresServer()
    print(server.address(), f"{time.perf_counter() - began_s:.1f} s")
    server.close()


if __name__ == "__main__":
    main()
