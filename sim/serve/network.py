"""The same simulated instruments over TCP on this computer: one raw SOCKET server for each, HiSLIP or VXI-11
on request.

One lock guards the bench, and is never held while a connection waits. The bench must run on a clock that goes
on by itself (`sim.clock.WallClock` or ``ScaledClock``): a client that waits on its own would otherwise wait
for nothing.

Does not model: discovery (mDNS, the portmapper, VXI-11 broadcast), telnet ports, slow or lossy networks,
limits on the number of connections. There is no authentication: serve to 127.0.0.1 unless the network is
yours alone.
"""

from __future__ import annotations

import contextlib
import logging
import math
import select
import socket
import socketserver
import threading
import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Any

from sim.clock import VirtualClock
from sim.scpi.device import ScpiDevice
from sim.serve.session import Link

_log = logging.getLogger(__name__)
_MOST_WAITING = 10_000
_LONGEST_NAP_S = (
    0.05  # how soon a link sees that another link's command, which held it up, has been forgotten
)


class Gate:
    """One instrument as the connections see it: behind the bench's lock, with waits in wall time."""

    def __init__(self, name: str, device: ScpiDevice, lock: Any) -> None:
        self.name = name
        self.device = device
        self.lock = lock
        self._factor: float = getattr(device.clock, "factor", 1.0)

    def do(self, action: Callable[..., Any], *arguments: Any, **keywords: Any) -> Any:
        """Act on the instrument under the lock; a defect in its simulation is logged, and is -310 to the
        controller.
        """
        with self.lock:
            try:
                return action(*arguments, **keywords)
            except Exception:
                _log.exception("%s: the simulated instrument failed", self.name)
                self.device.report(-310)
                return None

    def take(self, link: Link) -> tuple[list[bytes], float]:
        """Take what a link answers now, and the wall seconds after which to look again (infinite: when
        asked).
        """
        with self.lock:
            self.do(link.poll)
            pieces = [piece.content for piece in link.outbox]
            link.outbox.clear()
            return pieces, self.nap_s(link)

    def nap_s(self, link: Link) -> float:
        """Return the wall seconds after which to look at a link again."""
        if not link.busy:
            return math.inf
        left_s: float = link.ready_at_s() - self.device.clock.now_s()
        return min(_LONGEST_NAP_S, max(0.0, left_s) / self._factor)


class Connection(socketserver.BaseRequestHandler):
    """One connection; a subclass speaks the protocol in `talk`."""

    server: _Server
    request: socket.socket

    def handle(self) -> None:
        """Serve the peer until it or the bench goes away."""
        self.gate = self.server.gate
        self.server.connections.add(self.request)
        self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            self.talk()
        except (OSError, EOFError):
            pass  # the peer vanished, or the bench is being closed: the link is given up below
        finally:
            self.server.connections.discard(self.request)
            self.finish_talk()

    def talk(self) -> None:
        """Speak the protocol; OSError and EOFError end the connection."""
        raise NotImplementedError

    def finish_talk(self) -> None:
        """Give up what the connection held."""

    def receive(self, count: int) -> bytes:
        """Return exactly ``count`` bytes; raises EOFError where the peer ends before."""
        got = bytearray()
        while len(got) < count:
            chunk = self.request.recv(min(count - len(got), 1 << 16))
            if not chunk:
                raise EOFError
            got += chunk
        return bytes(got)


class _SocketConnection(Connection):
    """Raw SCPI over TCP: NL frames, no END."""

    def talk(self) -> None:
        self.link = Link(self.gate.device, stream=True)
        link, gate, peer = self.link, self.gate, self.request
        ended = False
        while True:
            pieces, nap_s = gate.take(link)
            if pieces:
                peer.sendall(b"".join(pieces))
            if link.lost or (ended and (nap_s == math.inf or link.ready_at_s() == math.inf)):
                return
            if ended:
                # the peer has closed its half only, as `printf '*IDN?\n' | nc` does, and still reads
                time.sleep(nap_s)
                continue
            if nap_s < math.inf and not select.select([peer], [], [], nap_s)[0]:
                continue
            chunk = peer.recv(1 << 16)
            ended = not chunk
            gate.do(link.write, chunk)
            if link.waiting > _MOST_WAITING:
                gate.do(gate.device.report, -363)
                return

    def finish_talk(self) -> None:
        if hasattr(self, "link"):
            self.gate.do(self.link.close)


class _Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True
    block_on_close = False
    request_queue_size = 64  # with the default of 5, fast reopening meets SYN retries of 1 s

    def __init__(self, address: tuple[str, int], handler: type[Connection], gate: Gate) -> None:
        self.gate = gate
        self.connections: set[socket.socket] = set()
        self.shared: dict[Any, Any] = {}  # what the connections of one instrument know of each other
        super().__init__(address, handler)

    def handle_error(self, request: Any, client_address: Any) -> None:
        _log.exception("%s: a connection from %s failed", self.gate.name, client_address)


_FORMATS = {
    "socket": "TCPIP0::{host}::{port}::SOCKET",
    "hislip": "TCPIP0::{host}::hislip0,{port}::INSTR",
    "vxi11": "TCPIP0::{host},{port}::inst0::INSTR",
}


def _handler(protocol: str) -> type[Connection]:
    if protocol == "hislip":
        from sim.serve.hislip import HislipConnection

        return HislipConnection
    if protocol == "vxi11":
        from sim.serve.vxi11 import Vxi11Connection

        return Vxi11Connection
    return _SocketConnection


class Served:
    """Instruments that are being served; a context manager that ends it."""

    def __init__(self, servers: Mapping[str, _Server], addresses: Mapping[str, str]) -> None:
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
    protocol: str = "socket",
    lock: Any = None,
) -> Served:
    """Serve instruments over TCP until the result is closed; as a context manager it gives {name: resource
    string}.

    ``ports`` names a port for some of them; the others, and 0, get a free one. ``protocol`` is ``socket``,
    ``hislip`` or ``vxi11``. ``lock`` is the bench's lock, where others reach the same instruments too. Raises
    ValueError for a virtual clock, for an unknown protocol or name, and OSError for a port that is taken.
    """
    if protocol not in _FORMATS:
        raise ValueError(f"protocol {protocol!r} is unknown; {', '.join(_FORMATS)} are offered")
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
    servers: dict[str, _Server] = {}
    try:
        for name, device in devices.items():
            address = (host, wanted.get(name, 0))
            servers[name] = _Server(address, _handler(protocol), Gate(name, device, bench_lock))
    except OSError:
        for server in servers.values():
            server.server_close()
        raise
    addresses = {
        name: _FORMATS[protocol].format(host=host, port=server.server_address[1])
        for name, server in servers.items()
    }
    return Served(servers, addresses)
