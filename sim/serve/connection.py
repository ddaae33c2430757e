"""One client's connection to one simulated instrument: the bench's lock, the waits, and the raw SOCKET protocol.

A subclass of `Connection` speaks another protocol; `sim.serve.network.serve` is handed it.
"""

from __future__ import annotations

import logging
import math
import select
import socket
import socketserver
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Any, ClassVar

from typing_extensions import override

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
        """Act on the instrument under the lock.

        A defect in its simulation is logged, and is -310 to the controller.
        """
        with self.lock:
            try:
                return action(*arguments, **keywords)
            except Exception:
                _log.exception("%s: the simulated instrument failed", self.name)
                self.device.report(-310)
                return None

    def take(self, link: Link) -> tuple[list[bytes], float]:
        """Take what a link answers now, and the wall seconds after which to look again.

        Infinite seconds: when asked.
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


class Connection(socketserver.BaseRequestHandler, ABC):
    """One connection; a subclass speaks the protocol in `talk`, and says how its address is written."""

    ADDRESS: ClassVar[str]  # a VISA resource name with {host} and {port}

    server: Server
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

    @abstractmethod
    def talk(self) -> None:
        """Speak the protocol; OSError and EOFError end the connection."""

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


class Server(socketserver.ThreadingTCPServer):
    """The server of one instrument: it hands each connection to its kind of `Connection`."""

    allow_reuse_address = True
    daemon_threads = True
    block_on_close = False
    request_queue_size = 64  # with the default of 5, fast reopening meets SYN retries of 1 s

    def __init__(self, address: tuple[str, int], handler: type[Connection], gate: Gate) -> None:
        self.gate = gate
        self.connections: set[socket.socket] = set()
        self.shared: dict[Any, Any] = {}  # what the connections of one instrument know of each other
        super().__init__(address, handler)

    @override
    def handle_error(self, request: Any, client_address: Any) -> None:
        _log.exception("%s: a connection from %s failed", self.gate.name, client_address)


class SocketConnection(Connection):
    """Raw SCPI over TCP: NL frames, no END."""

    ADDRESS = "TCPIP0::{host}::{port}::SOCKET"

    @override
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

    @override
    def finish_talk(self) -> None:
        if hasattr(self, "link"):
            self.gate.do(self.link.close)
