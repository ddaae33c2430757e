"""One host has one name, however it is written. Outside the project: the operating system's own names of this machine."""

import pytest

from sequencer.bench.aliases import names_of


@pytest.mark.parametrize("host", ["[::ffff:127.0.0.1]", "localhost.", "localhost"])
def test_another_way_of_writing_this_machine_is_this_machine(host: str) -> None:
    """An address mapped into IPv6, and a name with the root's dot, are the same host."""
    assert set(names_of(f"TCPIP0::{host}::5025::SOCKET")) & set(names_of("TCPIP0::127.0.0.1::5025::SOCKET"))
