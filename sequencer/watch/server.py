"""The server of the pages: one process, ended by Ctrl-C or SIGTERM without waiting for the pages that are open."""

from __future__ import annotations

import contextlib
import signal
import socket
import threading
from collections.abc import Callable, Generator
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp
from typing_extensions import override

ENDS_S = 2
"""How long the end waits for pages that are being made."""


class WatchServer(uvicorn.Server):
    """A server that ends its open streams first: each would be waited for."""

    def __init__(self, config: uvicorn.Config, *, end_streams: Callable[[], None]) -> None:
        super().__init__(config)
        self._end_streams = end_streams

    @override
    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._end_streams()
        await super().shutdown(sockets)

    @override
    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        # Not the library's own: it would raise the signal again at the end, and to be asked to stop is no error here
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = {one: signal.signal(one, self.handle_exit) for one in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for one, handler in before.items():
                signal.signal(one, handler)


def make_server(
    app: ASGIApp,
    *,
    end_streams: Callable[[], None],
    certificate: Path | None = None,
    key: Path | None = None,
) -> WatchServer:
    """Return the server; it is given its socket when it runs. Raises OSError or ssl.SSLError for a certificate that cannot be used."""
    config = uvicorn.Config(
        app,
        http="h11",
        ws="none",
        loop="asyncio",
        lifespan="off",
        access_log=False,
        log_config=None,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=ENDS_S,
        timeout_keep_alive=20,
        h11_max_incomplete_event_size=16_384,
        ssl_certfile=None if certificate is None else str(certificate),
        ssl_keyfile=None if key is None else str(key),
    )
    config.load()
    return WatchServer(config, end_streams=end_streams)


def bound_socket(address: str, port: int) -> socket.socket:
    """Return a socket that listens; OSError where it cannot."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((address, port))
        bound.listen(512)
    except BaseException:
        bound.close()
        raise
    return bound
