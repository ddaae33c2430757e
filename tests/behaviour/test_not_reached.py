"""What is said of instruments that cannot be reached: which, why, and what to do; never to write what the bench file has already.

Outside the project: refusing a connection, and a host that nobody knows, are the operating system's; pyvisa-py is the client.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main

BENCH = """\
bench: Workshop bench 2
{visa}instruments:
  signal_generator: {{address: "TCPIP0::no-such-host.invalid::5025::SOCKET", timeout: 100 ms, level: {{min: -127 dBm, max: 7 dBm}}}}
  power_meter: {{address: "TCPIP0::127.0.0.1::inst9::INSTR", timeout: 100 ms, max_power: 100 mW}}
  audio_analyser: {{address: "GPIB0::7::INSTR", timeout: 100 ms}}
  modulation_analyser: {{address: "USB0::0x1234::0x5678::X1::INSTR", timeout: 100 ms}}
  supply: {{address: "TCPIP0::127.0.0.1::{silent}::SOCKET", timeout: 100 ms}}
  switch: {{address: "TCPIP0::127.0.0.1::inst8::INSTR", timeout: 100 ms}}
  radio: {{address: "TCPIP0::127.0.0.1::{closed}::SOCKET", timeout: 100 ms}}
paths:
  receive: {{loss: {{27 MHz: 0.42 dB}}}}
  transmit: {{loss: {{27 MHz: 30.1 dB}}, rating: 50 W}}
"""
SEQUENCE = "{sequence: Power, channels: plans/cept-40.yaml, supply: 13.2 V, checks: [{check: carrier_power, channel: 20}]}"
TO_WRITE = ("add ", "write ", "name it ", "state ", "is missing", "has no radio", "has no supply")
"""What is said of a bench file that leaves something out."""


@pytest.fixture
def ports() -> Iterator[tuple[int, int]]:
    """A port at which nobody listens, and one at which somebody listens and never answers."""
    with socket.socket() as closed, socket.socket() as silent:
        closed.bind(("127.0.0.1", 0))  # bound and not listening: refused, and nobody else gets it meanwhile
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        yield closed.getsockname()[1], silent.getsockname()[1]


def _bench(folder: Path, ports: tuple[int, int], visa: str = "") -> str:
    path = folder / "bench.yaml"
    path.write_text(BENCH.format(visa=visa, closed=ports[0], silent=ports[1]), encoding="utf-8")
    return str(path)


def test_each_instrument_that_cannot_be_reached_says_why_and_what_to_do(
    tmp_path: Path, ports: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unknown host, refused, a kind of address that the library cannot use, no answer, no address at all: each in its own words."""
    monkeypatch.setenv("SEQUENCER_STATE", str(tmp_path))
    result = CliRunner().invoke(main, ["identify", "--bench", _bench(tmp_path, ports)])
    assert result.exit_code == 3, result.output
    said = {
        line.split(" (")[0].removeprefix("    problem: "): line
        for line in result.stdout.splitlines()
        if line.startswith("    problem: ")
    }
    look = "Check that it is on and allows remote control, and check its address in the bench file."
    install = "install what the VISA library lacks for this kind, or name another under 'visa'."
    for name, why, to_do in (
        ("signal_generator", "could not connect", look),
        ("power_meter", "refused the connection", look),
        ("audio_analyser", "cannot use this address", install),
        ("modulation_analyser", "cannot use this address", install),
        ("supply", "no whole answer in time", "Check"),
        ("radio", "refused the connection", look),
    ):
        assert why in said[name], said[name]
        assert to_do in said[name], said[name]
        assert not [words for words in TO_WRITE if words in said[name].casefold()], said[name]
        assert "-1073807339" not in said[name]
    assert "PTT could not be confirmed released (radio is not open)" in result.stdout
    assert "says why" not in result.stdout  # this is the command that says it


def test_a_run_on_a_bench_that_does_not_answer_says_so_and_does_not_wait(
    tmp_path: Path, ports: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was not opened is not tried again on the way out; the last line says what to do at the unit."""
    monkeypatch.setenv("SEQUENCER_STATE", str(tmp_path))
    (tmp_path / "s.yaml").write_text(SEQUENCE, encoding="utf-8")
    words = ["run", str(tmp_path / "s.yaml"), "--bench", _bench(tmp_path, ports), "--serial", "M40-0007"]
    result = CliRunner().invoke(main, [*words, "--folder", str(tmp_path / "r"), "--json"])
    assert result.exit_code == 3, result.output
    assert "it refused the connection" in result.output
    assert not [words for words in TO_WRITE if words in result.stderr.casefold()], result.stderr
    last = result.stderr.splitlines()[-1]
    assert "Remove the supply from the unit now" in last
    assert (
        "(radio is not open); the generator could not be confirmed off (signal_generator is not open)" in last
    )


def test_a_visa_library_that_is_not_there_is_named_once(
    tmp_path: Path, ports: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In one line, with where it is named; nothing was sent, so that nothing is said of the bench's state."""
    monkeypatch.setenv("SEQUENCER_STATE", str(tmp_path))
    bench = _bench(tmp_path, ports, "visa: /nowhere/libvisa.so\n")
    result = CliRunner().invoke(main, ["identify", "--bench", bench])
    assert result.exit_code == 3, result.output
    (line,) = (line for line in result.stdout.splitlines() if "problem: " in line)
    assert "VISA (/nowhere/libvisa.so): the VISA library cannot be loaded" in line
    assert "Check 'visa' in the bench file, and that the VISA library it names is installed" in line
