"""PgBouncer before a server of the tests' own. It needs the program (Debian: package ``pgbouncer``), which refuses to be run by root."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import psycopg

from tests.support.postgres_server import PostgresServer

PORT = 6543
SETTINGS = """
[databases]
* = host={server}
[pgbouncer]
listen_addr =
unix_socket_dir = {folder}
listen_port = {port}
auth_type = trust
auth_file = {folder}/users
pool_mode = {mode}
default_pool_size = {size}
logfile = {folder}/log
pidfile = {folder}/pid
{more}
"""
IGNORE = "ignore_startup_parameters = options"


class NoPooler(Exception):
    """The program is not here."""


def find_pooler() -> str:
    """Return the program. Raises NoPooler."""
    found = shutil.which("pgbouncer", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if found is None:
        raise NoPooler("no pgbouncer; on Debian: apt-get install pgbouncer")
    return found


class Pooler:
    """PgBouncer before a server, in a folder of its own."""

    def __init__(self, server: PostgresServer, mode: str, more: str, size: int) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="pb"))
        self.folder.chmod(0o777)
        path = self.folder / "ini"
        path.write_text(
            SETTINGS.format(
                server=server.folder, folder=self.folder, port=PORT, mode=mode, more=more, size=size
            )
        )
        users = self.folder / "users"
        users.write_text('"bench" ""\n')
        for one in (path, users):
            one.chmod(0o644)
        who = {"user": pwd.getpwnam("postgres").pw_uid} if os.geteuid() == 0 else {}
        words = [find_pooler(), "-q", str(path)]
        self._process = subprocess.Popen(words, stderr=subprocess.DEVNULL, **who)
        socket = self.folder / f".s.PGSQL.{PORT}"
        while not socket.exists():
            time.sleep(0.02)

    def address(self, database: str) -> str:
        """The address of a store through it."""
        return f"postgresql+psycopg://bench@/{database}?host={self.folder}&port={PORT}"

    def connect(self, database: str, options: str = "") -> psycopg.Connection[Any]:
        """A connection through it."""
        more = {"options": options} if options else {}
        return psycopg.connect(
            host=str(self.folder), port=PORT, user="bench", dbname=database, autocommit=True, **more
        )

    def close(self) -> None:
        """End it."""
        self._process.terminate()
        self._process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)
