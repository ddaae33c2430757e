"""A line between a client and the tests' own PostgreSQL server that can be cut, held up, and made slow."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from tests.support.postgres_server import PostgresServer


class CutLine:
    """Forwards what comes to a port of this machine to the server's socket, both ways, while it is whole."""

    def __init__(self, server: PostgresServer) -> None:
        self._to = str(Path(server.folder) / ".s.PGSQL.5432")
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._ends: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._whole = threading.Event()
        self._whole.set()
        self.is_cut = False
        self.delay_s = 0.0
        self._start(self._accept)

    def address(self, store: str) -> str:
        """Return the address of ``store`` by this line."""
        before, _, options = store.partition("&options=")
        return f"{before.partition('@')[0]}@127.0.0.1:{self._listening.getsockname()[1]}/postgres?options={options}"

    def cut(self) -> None:
        """End every connection, and take no other: both ends see it."""
        self.is_cut = True
        for pair in self._pairs:
            for end in pair:
                with suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)
        self._pairs.clear()

    def hold_up(self) -> None:
        """Let nothing through: no end sees anything."""
        self._whole.clear()

    def mend(self) -> None:
        """Let everything through again."""
        self.is_cut = False
        self._whole.set()

    def close(self) -> None:
        """End it."""
        self.cut()
        self._whole.set()
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        for one in self._threads:
            one.join(timeout=10)
        for end in self._ends:
            end.close()

    def _start(self, target: Callable[..., None], *words: socket.socket) -> None:
        self._threads.append(threading.Thread(target=target, args=words, daemon=True))
        self._threads[-1].start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listening.accept()
            except OSError:
                return
            if self.is_cut:
                client.close()
                continue
            server = socket.socket(socket.AF_UNIX)
            try:
                server.connect(self._to)
            except OSError:
                client.close()
                server.close()
                continue
            self._pairs.append((client, server))
            self._ends += (client, server)
            for one, other in ((client, server), (server, client)):
                self._start(self._forward, one, other)

    def _forward(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            while content := one.recv(65536):
                if self.delay_s:
                    time.sleep(self.delay_s)
                self._whole.wait()
                other.sendall(content)
        for end in (one, other):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
