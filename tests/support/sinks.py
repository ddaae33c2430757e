"""A web server and a mail server of the tests' own on loopback, which keep what they are sent; no network is left."""

from __future__ import annotations

import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class HttpSink:
    """An HTTP server that answers with ``status`` and keeps path and body of each POST; ``hangs`` answers never."""

    def __init__(self, *, status: int = 200, hangs: bool = False) -> None:
        self.posted: list[tuple[str, bytes]] = []
        self.let_go = threading.Event()
        sink = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                sink.posted.append((self.path, body))
                if hangs:
                    sink.let_go.wait()
                    return
                self.send_response(status)
                self.end_headers()

            def log_message(self, *arguments: Any) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]

    @contextmanager
    def serving(self) -> Iterator[HttpSink]:
        """Serve for as long as this lasts."""
        thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield self
        finally:
            self.let_go.set()
            self._server.shutdown()
            self._server.server_close()
            thread.join()


class MailSink:
    """A mail server as far as one letter needs it (RFC 5321: EHLO, MAIL, RCPT, DATA, QUIT); keeps each letter."""

    def __init__(self) -> None:
        self.letters: list[bytes] = []
        sink = self

        class Handler(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                self._say("220 loopback")
                while line := self.rfile.readline():
                    word = line[:4].upper()
                    if word == b"DATA":
                        self._say("354 go on")
                        sink.letters.append(b"".join(iter(self.rfile.readline, b".\r\n")))
                    self._say("221 bye" if word == b"QUIT" else "250 loopback")
                    if word == b"QUIT":
                        return

            def _say(self, text: str) -> None:
                self.wfile.write(f"{text}\r\n".encode())

        self._server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]

    @contextmanager
    def serving(self) -> Iterator[MailSink]:
        """Serve for as long as this lasts."""
        thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield self
        finally:
            self._server.shutdown()
            self._server.server_close()
            thread.join()
