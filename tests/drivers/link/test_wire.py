"""The bytes of one session: what only the socket itself can tell."""

from __future__ import annotations

import contextlib
import select
import socket

import pytest

from drivers.link.wire import Silent, Wire, _Poll, _Select

WATCHERS = [
    _Select,
    pytest.param(_Poll, marks=pytest.mark.skipif(not hasattr(select, "poll"), reason="no poll")),
]


@pytest.mark.parametrize("watcher", WATCHERS)
def test_both_ways_of_watching_a_socket_tell_the_same(watcher: type[_Poll] | type[_Select]) -> None:
    """Idle, full, readable and closed look alike through poll (most systems) and select (Windows)."""
    near, far = socket.socketpair()
    with near, far:
        near.settimeout(0.0)
        watch = watcher(near)
        assert watch.wait_to_send(0.0) == (False, True)
        assert watch.wait_to_receive(0.01) is False
        far.sendall(b"1\n")
        assert watch.wait_to_receive(1.0) is True
        assert watch.wait_to_send(0.0) == (True, True)
        assert near.recv(10) == b"1\n"
        with contextlib.suppress(BlockingIOError):
            while near.send(b"x" * 65536):
                pass
        assert watch.wait_to_send(0.01) == (False, False)
        far.shutdown(socket.SHUT_RDWR)
        assert watch.wait_to_receive(1.0) is True


class HalfWriter:
    """A VISA library that takes half of what it is given, and returns its errors instead of raising them."""

    status = 0

    def write(self, _session: int, content: bytes) -> tuple[int, int]:
        """Take half."""
        return len(content) // 2, self.status

    def read(self, _session: int, _count: int) -> tuple[bytes, int]:
        """Have nothing."""
        return b"", self.status

    def handle_return_value(self, _session: int, status: int) -> int:
        """Raise for a negative status, as pyvisa does."""
        raise OSError(status)


def test_half_a_message_is_not_sent_and_a_returned_error_is_raised() -> None:
    """A write that took too little is a fault; so is a negative status, which pyvisa-sim returns
    [measured].
    """
    library = HalfWriter()
    wire = Wire(library, 1)
    with pytest.raises(Silent, match="took 3 of 6 bytes"):
        wire.send(b"READ?\n", 1.0)
    assert not wire.sent
    library.status = -1073807346
    with pytest.raises(OSError, match="-1073807346"):
        wire.send(b"READ?\n", 1.0)
    with pytest.raises(OSError, match="-1073807346"):
        wire.read_line(100, 1.0)
