"""The shipped bench with two generators: who answers, what is served over TCP, and a ratio measured over those sockets.

Outside the project: sockets and processes are the operating system's; ``*IDN?`` is IEEE 488.2's (from memory).
"""

from __future__ import annotations

import json
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from sequencer.cli.main import main

BENCH = "two-signal-bench"
GENERATORS = ["Hollinbrook,SG-2,2201,1.4 (simulated)", "Hollinbrook,SG-2,2202,1.4 (simulated)"]
ROOT = Path(__file__).parents[2]
SEQUENCE = """\
sequence: One ratio
channels: cept-40
mode: FM
supply: 13.2 V
prepare: [{confirm: RF gain up}]
checks:
  - {check: selectivity, channel: 20, wanted: -113 dBm, offsets: [10 kHz], accuracy: 2 dB, limit: {min: 50 dB}}
"""


def _identity(address: str) -> str:
    _, host, port, _ = address.split("::")
    with socket.create_connection((host, int(port)), timeout=5) as peer, peer.makefile("rwb") as stream:
        stream.write(b"*IDN?\n")
        stream.flush()
        return stream.readline().decode().rstrip("\n")


def test_both_generators_identify_themselves() -> None:
    """`identify` lists both, each with its own serial and every harmless command answered."""
    asked = CliRunner().invoke(main, ["identify", "--bench", BENCH, "--json"])
    assert asked.exit_code == 0, asked.output
    found = {one["name"]: one for one in json.loads(asked.stdout)["instruments"]}
    assert [found[name]["identity"] for name in ("signal_generator", "interferer")] == [
        "Hollinbrook SG-2, serial 2201, firmware 1.4 (simulated)",
        "Hollinbrook SG-2, serial 2202, firmware 1.4 (simulated)",
    ]
    assert found["interferer"]["role"] == "signal_generator"
    assert found["interferer"]["answers"]["output"] == "0"
    assert all(one["problems"] == [] for one in found.values())


def _over_sockets(tmp_path: Path, serial: str, *serve: str) -> tuple[Result, dict[str, Any]]:
    """Run the sequence on a bench that a process serves on ports of its own; returns how the command ended, and what it found.

    No hazard may be left behind, and both generators must be those of the bench file.
    """
    served, sequence = tmp_path / "served.yaml", tmp_path / "ratio.yaml"
    sequence.write_text(SEQUENCE, encoding="utf-8")
    words = [sys.executable, "-m", *serve, "--bench", BENCH, "--serial", serial]
    server = subprocess.Popen(
        [*words, "--write-bench", str(served)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert server.stdout is not None
        addresses: dict[str, str] = {}
        while "Ctrl-C" not in (line := server.stdout.readline()):
            assert line, server.communicate()[1]
            if match := re.match(r"  (\w+): (TCPIP0::.*)", line):
                addresses[match[1]] = match[2]
        assert [_identity(addresses[name]) for name in ("signal_generator", "interferer")] == GENERATORS
        command = ["run", str(sequence), "--bench", str(served), "--serial", serial, "--confirmed", "--json"]
        ran = CliRunner().invoke(main, [*command, "--folder", str(tmp_path / "results")])
        assert ran.stdout, ran.output
        found = json.loads(ran.stdout)
        assert found["bench_safe"] is True
    finally:
        server.send_signal(signal.SIGTERM)
        _, said = server.communicate(timeout=10)
    assert server.returncode == 0
    assert "witness" not in said
    return ran, found


def _ratios(found: dict[str, Any]) -> list[dict[str, Any]]:
    return [one for one in found["results"] if one["check"] == "selectivity"]


@pytest.mark.parametrize(("serial", "decision"), [("M40-0007", "pass"), ("M40-0020", "fail")])
def test_a_ratio_is_measured_through_sockets(tmp_path: Path, serial: str, decision: str) -> None:
    """A sound unit passes and one with a wide filter fails; nothing speaks against a second generator that obeys."""
    ran, found = _over_sockets(tmp_path, serial, "sequencer", "simulate")
    (one,) = _ratios(found)
    assert one["decision"] == decision, one
    assert "second generator" not in one["note"]
    assert ran.exit_code == (0 if decision == "pass" else 1), ran.output


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("goes 12 MHz off", "is not heard where it was set, +10 kHz from the channel"),
        ("goes twice as far", "is not heard where it was set, +10 kHz from the channel"),
        ("stays on its first frequency", "is heard on the channel although it was set 10 kHz beside it"),
        ("12 dB low below -100 dBm", "is fainter than it says"),
    ],
)
def test_a_second_generator_that_disobeys_is_found_out_through_sockets(
    tmp_path: Path, kind: str, said: str
) -> None:
    """Each of them would pass a bad unit or fail a sound one; over TCP in real time nothing is decided either, and it is named."""
    ran, found = _over_sockets(tmp_path, "M40-0020", "tests.support.serve_disobedient", "interferer", kind)
    (one,) = _ratios(found)
    assert one["decision"] == "not measured", one
    assert f"the second generator {said}" in one["note"]
    assert one["note"].startswith("interferer (TCPIP0::127.0.0.1::")
    assert ran.exit_code == 3, ran.output
