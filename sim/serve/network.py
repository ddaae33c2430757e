"""The same simulated instruments over TCP on this computer: one server for each, raw SOCKET unless told otherwise.

One lock guards the bench, and is never held while a connection waits. The bench must run on a clock that goes
on by itself (`sim.clock.WallClock` or ``ScaledClock``): a client that waits on its own would otherwise wait
for nothing.

Does not model: discovery (mDNS, the portmapper, VXI-11 broadcast), telnet ports, slow or lossy networks,
limits on the number of connections. There is no authentication: serve to 127.0.0.1 unless the network is
yours alone.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Mapping
from types import TracebackType
from typing import Any

from sim.clock import VirtualClock
from sim.scpi.device import ScpiDevice
from sim.serve.connection import Connection, Gate, Server, SocketConnection


class Served:
    """Instruments that are being served; a context manager that ends it."""

    def __init__(self, servers: Mapping[str, Server], addresses: Mapping[str, str]) -> None:
        self.addresses = dict(addresses)
        self._servers = dict(servers)
        self._threads = [
            threading.Thread(target=server.serve_forever, args=(0.02,), name=f"sim {name}", daemon=True)
            for name, server in self._servers.items()
        ]
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Close every port and every connection; may be called twice."""
        for server in self._servers.values():
            server.shutdown()
            server.server_close()
            for connection in list(server.connections):
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(2)
        self._servers = {}

    def __enter__(self) -> dict[str, str]:
        return self.addresses

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def serve(
    devices: Mapping[str, ScpiDevice],
    host: str = "127.0.0.1",
    *,
    ports: Mapping[str, int] | None = None,
    connection: type[Connection] = SocketConnection,
    lock: Any = None,
) -> Served:
    """Serve instruments over TCP until the result is closed; as a context manager it gives their addresses by name.

    ``ports`` names a port for some of them; the others, and 0, get a free one. ``connection`` is the kind of
    connection, which speaks the protocol. ``lock`` is the bench's lock, where others reach the same instruments
    too. Raises ValueError for a virtual clock or an unknown name, and OSError for a port that is taken.
    """
    wanted = dict(ports or {})
    for name in wanted:
        if name not in devices:
            raise ValueError(f"a port is stated for {name!r}; the bench has {', '.join(devices)}")
    for name, device in devices.items():
        if isinstance(device.clock, VirtualClock):
            raise ValueError(  # noqa: TRY004 - the clock is of a proper type, only not for this
                f"{name}: a bench on a virtual clock cannot be served: its time stands still for a client; "
                "build it on WallClock or ScaledClock"
            )
    bench_lock = lock if lock is not None else threading.RLock()
    servers: dict[str, Server] = {}
    try:
        for name, device in devices.items():
            address = (host, wanted.get(name, 0))
            servers[name] = Server(address, connection, Gate(name, device, bench_lock))
    except OSError:
        for server in servers.values():
            server.server_close()
        raise
    addresses = {
        name: connection.ADDRESS.format(host=host, port=server.server_address[1])
        for name, server in servers.items()
    }
    return Served(servers, addresses)
