"""A server that says which PostgreSQL it is and answers nothing else: start-up and ready, by the protocol's manual (chapter 55)."""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def server_of_version(version: str) -> Iterator[int]:
    """Give the port at which such a server answers each that calls."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        threading.Thread(target=_answer_all, args=(listening, version), daemon=True).start()
        yield listening.getsockname()[1]
        listening.shutdown(socket.SHUT_RDWR)


def _answer_all(listening: socket.socket, version: str) -> None:
    while True:
        try:
            caller, _ = listening.accept()
        except OSError:
            return
        with caller:
            _answer(caller, version)


def _answer(caller: socket.socket, version: str) -> None:
    while True:
        size, code = struct.unpack("!II", caller.recv(8, socket.MSG_WAITALL))
        caller.recv(size - 8, socket.MSG_WAITALL)
        if code == 196608:  # protocol 3.0: the start-up itself
            break
        caller.sendall(b"N")  # neither TLS nor GSSAPI
    told = {"server_version": version, "server_encoding": "UTF8", "client_encoding": "UTF8"}
    caller.sendall(_message(b"R", struct.pack("!I", 0)))
    for name, value in told.items():
        caller.sendall(_message(b"S", f"{name}\0{value}\0".encode("ascii")))
    caller.sendall(_message(b"Z", b"I"))
    while caller.recv(4096):
        pass


def _message(kind: bytes, content: bytes) -> bytes:
    return kind + struct.pack("!I", len(content) + 4) + content
