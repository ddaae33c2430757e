"""A plain TCP proxy that writes down what passes: an observer of the wire that shares no code with the project."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from dataclasses import dataclass, field


@dataclass(slots=True)
class Passed:
    """What passed on one connection, each way."""

    to_instrument: bytearray = field(default_factory=bytearray)
    from_instrument: bytearray = field(default_factory=bytearray)


class RecordingProxy:
    """Stands before one port of this machine; ``connections`` is what passed, a connection each."""

    def __init__(self, target: tuple[str, int]) -> None:
        self._target = target
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.connections: list[Passed] = []
        self._sockets = [self._listener]
        self._threads: list[threading.Thread] = []
        self._start(self._accept)

    def close(self) -> None:
        """Take no more connections, and end those there are."""
        for one in self._sockets:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(5.0)
        for one in self._sockets:
            one.close()

    def _start(self, work: object, *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments, daemon=True)  # type: ignore[arg-type]
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
                server = socket.create_connection(self._target)
            except OSError:
                return
            for one in (client, server):
                one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._sockets += (client, server)
            passed = Passed()
            self.connections.append(passed)
            self._start(_pass_on, client, server, passed.to_instrument)
            self._start(_pass_on, server, client, passed.from_instrument)


def _pass_on(source: socket.socket, sink: socket.socket, kept: bytearray) -> None:
    with suppress(OSError):
        while content := source.recv(65536):
            kept += content
            sink.sendall(content)
    with suppress(OSError):
        sink.shutdown(socket.SHUT_WR)
