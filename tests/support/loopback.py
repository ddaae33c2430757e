"""A scripted instrument on a real loopback socket, for the tests of the transport."""

from __future__ import annotations

import contextlib
import os
import socket
import socketserver
import struct
import threading
import time
from collections.abc import Callable

IDENTITY = "Invented,Loopback,0001,1.0"


class Connection:
    """One client's connection, as a script sees it."""

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock

    def say(self, content: bytes) -> None:
        """Send bytes as they stand."""
        self.sock.sendall(content)

    def close(self) -> None:
        """End the connection in good order (FIN)."""
        self.sock.shutdown(socket.SHUT_RDWR)

    def reset(self) -> None:
        """End the connection by a reset (RST): linger on, for no time."""
        self.sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        os.close(self.sock.detach())


class _Server(socketserver.ThreadingTCPServer):
    # With the default of 5, fast reopening meets SYN retries of a second [measured].
    request_queue_size = 64
    daemon_threads = True
    block_on_close = False
    allow_reuse_address = True

    def handle_error(self, request: object, client_address: object) -> None:
        """Stay quiet: a client that hangs up is part of the tests."""


class ScriptedInstrument:
    """Answers ``*IDN?`` and ``*CLS;*IDN?``, and everything else as its script says.

    ``script(message, connection)`` is called in the connection's thread. Messages and connections are
    counted.
    """

    def __init__(
        self,
        script: Callable[[str, Connection], None],
        *,
        greeting: bytes = b"",
        on_connect: Callable[[Connection], None] = lambda connection: None,
    ) -> None:
        self.messages: list[str] = []
        self.connections = 0
        self.identity = IDENTITY
        outer = self

        class Handler(socketserver.BaseRequestHandler):
            def handle(self) -> None:
                outer.connections += 1
                # What is said is on the wire when ``say`` returns, not when the client has acknowledged what
                # came before.
                self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                connection = Connection(self.request)
                if greeting:
                    connection.say(greeting)
                with contextlib.suppress(OSError):
                    on_connect(connection)
                    for line in self.request.makefile("rb"):
                        message = line.decode("ascii").removesuffix("\n")
                        outer.messages.append(message)
                        if message.endswith("*IDN?"):
                            connection.say(outer.identity.encode() + b"\n")
                        else:
                            script(message, connection)

        self._server = _Server(("127.0.0.1", 0), Handler)
        self.port: int = self._server.server_address[1]
        self.address = f"TCPIP0::127.0.0.1::{self.port}::SOCKET"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True)
        self._thread.start()

    def __enter__(self) -> ScriptedInstrument:
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


def answer(replies: dict[str, bytes]) -> Callable[[str, Connection], None]:
    """Make a script that answers from a table, and leaves what is not in it unanswered."""

    def script(message: str, connection: Connection) -> None:
        if message in replies:
            connection.say(replies[message])

    return script


def wait_until(condition: Callable[[], bool]) -> None:
    """Wait, for five seconds at most, until another thread has come so far."""
    end_s = time.monotonic() + 5.0
    while not condition():
        assert time.monotonic() < end_s, "the other thread did not come so far"
        time.sleep(0.001)
