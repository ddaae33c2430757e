"""The job over real sockets: `simulate` as a process of its own, a run against it through pyvisa-py, and the same run in virtual time.

The served bench runs at a bench's pace. A faster one would not be honest: a client waits by its own clock, so that each second it
keeps the unit keyed would be many seconds for the bench. Hence a short sequence of the test's own, with all six checks.

Outside the project: processes, signals and sockets are the operating system's; pyvisa-py is the client.
"""

from __future__ import annotations

import csv
import json
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from sequencer.analysis.batches.units import read_batch_units
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store

SERIAL = "M40-0007"
ROOT = Path(__file__).parents[2]
SEQUENCE = """\
sequence: Six checks, short
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
rated_power: 4.5 W
prepare:
  - confirm: RF gain fully up, squelch open
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {min: 3 W, max: 4 W}}
  - {check: frequency_error, channel: 24, limit: {within: 600 Hz}}
  # the unit deviates 1.81 kHz up and 1.78 kHz down: one side passes this limit, the other fails it
  - {check: peak_deviation, channel: 20, tone: 1 kHz, drive: 100 mV, limit: {min: 1.4 kHz, max: 1.795 kHz}}
  - {check: sensitivity, channel: 20, target: 12 dB SINAD, accuracy: 1 dB, limit: {max: -113 dBm}}
  - {check: s9_point, channel: 20, target: 2.25 V, attack: 250 ms, decay: 500 ms, accuracy: 2 dB,
     limit: {nominal: -73 dBm, within: 6 dB}}
"""


class Simulate:
    """`sequencer simulate` as a process of its own; leaving it ends it, if the test has not."""

    def __init__(self, *words: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "sequencer", "simulate", "--bench", "sim/bench.yaml", *words],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.addresses: dict[str, str] = {}

    def __enter__(self) -> Simulate:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate(timeout=10)

    def wait_until_served(self) -> None:
        """Read what it prints until it says that it serves."""
        assert self.process.stdout is not None
        while line := self.process.stdout.readline():
            if match := re.match(r"  (\w+): (TCPIP0::.*)", line):
                self.addresses[match[1]] = match[2]
            if "Ctrl-C" in line:
                return
        raise AssertionError(self.process.communicate(timeout=10)[1])

    def end(self, number: int) -> tuple[int, str]:
        """Send a signal; returns exit status and standard error."""
        self.process.send_signal(number)
        _, errors = self.process.communicate(timeout=10)
        return self.process.returncode, errors


def _begin(bench: str, sequence: Path, folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [
            *(sys.executable, "-m", "sequencer", "run", str(sequence), "--bench", bench, "--serial", SERIAL),
            *("--confirmed", "--json", "--folder", str(folder), *more),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=90,
        check=False,
    )


def _run(bench: str, sequence: Path, folder: Path) -> dict[str, Any]:
    outcome = _begin(bench, sequence, folder)
    assert outcome.returncode == 1, outcome.stderr  # one limit is meant to fail
    assert "The bench is safe" in outcome.stderr
    return dict(json.loads(outcome.stdout))


@pytest.fixture(scope="module")
def runs(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[dict[str, Any], dict[str, Any], int, str]:
    """The short sequence over sockets and in virtual time, and how the served bench ended."""
    folder = tmp_path_factory.mktemp("sockets")
    sequence, bench = folder / "short.yaml", folder / "served.yaml"
    sequence.write_text(SEQUENCE, encoding="utf-8")
    with Simulate("--serial", SERIAL, "--write-bench", str(bench)) as served:
        served.wait_until_served()
        said = bench.read_text(encoding="utf-8")
        assert "simulated: true\n" in said
        bench.write_text(said.replace("simulated: true\n", ""), encoding="utf-8")
        over_sockets = _run(str(bench), sequence, folder / "over-sockets")
        in_batch = _begin(str(bench), sequence, folder / "in-batch", "--batch", "B")
        (folder / "in-batch.txt").write_text(f"{in_batch.returncode} {in_batch.stderr}", encoding="utf-8")
        status, errors = served.end(signal.SIGTERM)
    over_sockets["in_batch"] = folder
    return over_sockets, _run("sim/bench.yaml", sequence, folder / "in-process"), status, errors


@pytest.mark.slow
def test_the_decisions_are_those_of_the_virtual_run(runs: tuple[Any, ...]) -> None:
    """Over real sockets every check comes to the same decision as in virtual time, passes and a fail among them."""
    over_sockets, virtual, _, _ = runs
    told = [
        [(row["check"], row["channel"], row["quantity"], row["decision"]) for row in each["results"]]
        for each in (over_sockets, virtual)
    ]
    assert told[0] == told[1]
    assert {row["check"] for row in over_sockets["results"]} == {
        "confirm",
        "carrier_power",
        "frequency_error",
        "peak_deviation",
        "sensitivity",
        "s9_point",
    }
    assert [row["decision"] for row in over_sockets["results"]].count("fail") == 1


@pytest.mark.slow
def test_the_values_agree_within_their_uncertainties(runs: tuple[Any, ...]) -> None:
    """Each value over sockets lies from the virtual run's by no more than both expanded uncertainties together (GUM, root sum square)."""
    over_sockets, virtual, _, _ = runs
    compared = 0
    for one, other in zip(over_sockets["results"], virtual["results"], strict=True):
        if one["uncertainty"] is None:
            continue
        allowed = (one["uncertainty"] ** 2 + other["uncertainty"] ** 2) ** 0.5
        assert abs(one["value"] - other["value"]) <= allowed, one["quantity"]
        compared += 1
    assert compared == 6


@pytest.mark.slow
def test_the_simulation_is_named_on_both(runs: tuple[Any, ...]) -> None:
    """A run over sockets learns from the instruments that they are simulated, although its bench file does not say so: run and rows do."""
    over_sockets, virtual, _, _ = runs
    assert over_sockets["bench"].endswith("over sockets (simulated)")
    assert over_sockets["bench_safe"] is True
    for told in (over_sockets, virtual):
        assert told["simulated"] is True
        assert {row["simulated"] for row in told["results"]} == {True}
        assert {row["bench"] for row in told["results"]} == {told["bench"]}
    table = Path(over_sockets["table"])
    with table.open(encoding="utf-8", newline="") as file:
        assert {row["simulated"] for row in csv.DictReader(file)} == {"True"}
    with Store.open_to_read(StorePlace(path=table.with_name("results.sqlite"))) as store:
        (run,) = store.read_runs()
    assert (bool(run.simulated), run.bench) == (True, over_sockets["bench"])


@pytest.mark.slow
def test_a_bench_that_turns_out_simulated_tests_no_unit_for_a_real_batch(runs: tuple[Any, ...]) -> None:
    """The run ends once the instruments have answered, measures nothing, and says what to write; its batch is a simulated one then."""
    folder: Path = runs[0]["in_batch"]
    said = (folder / "in-batch.txt").read_text(encoding="utf-8")
    assert said.startswith("3 ")
    assert "took it for a real one" in said
    assert "Write 'simulated: true' into the bench file" in said
    with Store.open_to_read(folder / "in-batch" / "results.sqlite") as store:
        batch = store.read_batch("B")
        assert batch is not None
        units = read_batch_units(store, batch)
    assert batch.simulated
    assert units.left_out == ()
    assert units.judged == ()


@pytest.mark.slow
def test_the_served_bench_saw_no_hazard(runs: tuple[Any, ...]) -> None:
    """After a whole run over sockets the served bench ends with status 0, and its witness has nothing to say."""
    _, _, status, errors = runs
    assert (status, errors) == (0, "")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_plain_socket_client_is_served_until_the_signal(number: int) -> None:
    """A client without any VISA asks, sets and provokes a hazard; Ctrl-C and SIGTERM end it with status 0 and the hazard told."""
    with Simulate("--serial", SERIAL) as served:
        served.wait_until_served()
        assert len(served.addresses) == 8
        assert _talk(
            served.addresses["signal_generator"], "*IDN?\n", "FREQ 27.205 MHZ;FREQ?\n", "SYST:ERR?\n"
        ) == [
            "Hollinbrook,SG-2,2201,1.4 (simulated)",
            "2.720500000E+07",
            '0,"No error"',
        ]
        assert _talk(served.addresses["voltmeter"], "NONSENSE\n", "SYST:ERR?\r\n") == [
            '-113,"Undefined header;NONSENSE"'
        ]
        assert _talk(served.addresses["supply"], "CURR 6;VOLT 13.2;OUTP 1;OUTP?\n") == ["1"]
        assert _talk(served.addresses["radio"], "CONT:KEY:STAT 1;STAT?\n", "CONT:KEY:STAT 0;STAT?\n") == [
            "1",
            "0",
        ]
        status, errors = served.end(number)
    assert status == 0
    assert re.fullmatch(r"witness: \S+ s: PTT pressed with the antenna connector open: \S+ dBm\n", errors)


def test_a_signal_ends_it_although_clients_hang_on() -> None:
    """A client that stays connected, in the middle of a message or of a long reading, does not keep the bench alive."""
    with Simulate("--serial", SERIAL) as served:
        served.wait_until_served()
        with (
            _connected(served.addresses["voltmeter"]) as half,
            _connected(served.addresses["power_meter"]) as busy,
        ):
            half.sendall(b"READ")
            busy.sendall(b"CAL:ZERO:AUTO ONCE;*OPC?\n")
            status, errors = served.end(signal.SIGTERM)
            assert half.recv(100) == b""
    assert (status, errors) == (0, "")


def test_a_taken_port_is_a_clear_error() -> None:
    """Where a port is taken, the words say which, and the status is 2: the input is wrong."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with Simulate("--serial", SERIAL, "--port", str(port)) as refused:
            said, errors = refused.process.communicate(timeout=30)
    assert refused.process.returncode == 2
    assert said == ""
    assert f"{port}" in errors
    assert "--port" in errors
    assert "Traceback" not in errors


def _connected(address: str) -> socket.socket:
    _, host, port, _ = address.split("::")
    return socket.create_connection((host, int(port)), timeout=5)


def _talk(address: str, *messages: str) -> list[str]:
    """Send messages over a plain socket, and return the lines that come back for those that ask."""
    with _connected(address) as peer, peer.makefile("rb") as lines:
        answers = []
        for message in messages:
            peer.sendall(message.encode())
            if "?" in message:
                answers.append(lines.readline().decode().rstrip("\n"))
        return answers
