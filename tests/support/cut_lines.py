"""Ports on the loopback that hand on to others, and whose connections can be cut, as those of a computer that sleeps are."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress


class CutLines:
    """Each of ``ports`` handed on; ``at`` says under which port."""

    def __init__(self, ports: list[int]) -> None:
        self.at: dict[int, int] = {}
        self._open: list[socket.socket] = []
        self._listening: list[socket.socket] = []
        for port in ports:
            listening = socket.create_server(("127.0.0.1", 0))
            self._listening.append(listening)
            self.at[port] = listening.getsockname()[1]
            threading.Thread(target=self._take, args=(listening, port), daemon=True).start()

    def cut(self) -> int:
        """Close all that are open, from both ends; return how many were."""
        cut, self._open = self._open, []
        for one in cut:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        return len(cut) // 2

    def close(self) -> None:
        """Hand on nothing any more."""
        for one in self._listening:
            one.close()
        self.cut()

    def _take(self, listening: socket.socket, port: int) -> None:
        with suppress(OSError):
            while True:
                near, _ = listening.accept()
                far = socket.create_connection(("127.0.0.1", port))
                for one in (near, far):
                    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._open += [near, far]
                for ends in ((near, far), (far, near)):
                    threading.Thread(target=_hand_on, args=ends, daemon=True).start()


def _hand_on(source: socket.socket, sink: socket.socket) -> None:
    with suppress(OSError):
        while more := source.recv(65536):
            sink.sendall(more)
    for one in (source, sink):
        with suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)
