"""Runs that stand still while PTT is pressed: the key-down watchdog takes the unit off the air, and the run says so and keys no more.

A simulated bench is served by one process, driven by another that is stopped, killed or hangs in C, and asked by a plain socket client
how it stands. What the served bench's witness says of it is read at its end. POSIX signals (IEEE Std 1003.1); pidfd_open(2) of Linux.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import yaml

from tests.support.served_bench import ROOT, SAFE, SEQUENCER, Client, Served, serve, start_run, wait_until

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not hasattr(os, "pidfd_open"), reason="processes and signals of POSIX; Linux for pidfd"
    ),
]

MAX_KEY_TIME_S = 6.0
LATE_S = 10.0
"""What a test may be late by on a machine that is busy; a quiet one is late by 0.5 s."""
SEQUENCE = """
sequence: Keyed for a while, and again
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, keyed_for: 2 s}
  - {check: carrier_power, channel: 21}
"""
DRIVER = '''
import ctypes
from drivers.profiled.power_meter import ProfiledPowerMeter


class HangingPowerMeter(ProfiledPowerMeter):
    """Hangs in C, holding the interpreter's lock, as soon as it sees the unit transmit."""

    def read_power_dbm(self):
        reading = super().read_power_dbm()
        if reading.number is not None and reading.number > -30.0:
            ctypes.PyDLL(None).sleep(600)
        return reading
'''


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A served bench for the whole module: its unit was keyed a little longer than it may be, and nothing else was wrong."""
    bench = serve(
        tmp_path_factory.mktemp("served"),
        timeout="0.3 s",
        max_key_time=f"{MAX_KEY_TIME_S} s",
        key_duty="90 %",  # short rests
    )
    yield bench
    said = [line for line in bench.end().splitlines() if "witness" in line]
    assert all("PTT pressed" in line for line in said), said
    held_s = [
        float(one)
        for line in said
        for one in re.findall(r"longer than allowed at a stretch: ([\d.]+) s", line)
    ]
    assert max(held_s, default=0.0) < MAX_KEY_TIME_S + LATE_S, (
        said
    )  # none, where other workers have the tests that hang


def _has_left_word() -> bool:
    """Say whether a watchdog has written into a mark what it did."""
    marks = Path(os.environ["SEQUENCER_STATE"]).glob("*.key.*")
    return any(b'"said"' in mark.read_bytes() for mark in marks)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[..., Client]]:
    """Start a run; whatever is left of it afterwards is killed."""
    started: list[Client] = []

    def start(bench: Path, **environment: str) -> Client:
        (tmp_path / "sequence.yaml").write_text(SEQUENCE, encoding="utf-8")
        started.append(start_run(tmp_path, bench, environment={**os.environ, **environment}))
        return started[-1]

    yield start
    for client in started:
        if client.process.poll() is None:
            client.process.kill()
            client.process.communicate()


def _stop_keyed(client: Client, served: Served) -> None:
    """Stop the process while the unit is keyed: in the moment between looking and stopping it may have been released."""

    def is_stopped_keyed() -> bool:
        assert client.process.poll() is None, client.process.communicate()
        if served.keyed:
            client.process.send_signal(signal.SIGSTOP)
            if served.keyed:
                return True
            client.process.send_signal(signal.SIGCONT)
        return False

    wait_until(is_stopped_keyed, "it is keyed")


def test_a_run_that_was_stopped_while_keyed_goes_on_without_keying(served, run):
    """SIGSTOP, then SIGCONT: the unit is released meanwhile; what was read across is not measured, says why, and nothing keys again."""
    client = run(served.bench)
    _stop_keyed(client, served)
    wait_until(lambda: not served.keyed, "the watchdog has released PTT", 30.0)
    wait_until(lambda: served.ask("supply", ":OUTPut:STATe?") == "0", "and switched the supply off")
    client.process.send_signal(signal.SIGCONT)
    status, said, last_line = client.end(60.0)
    assert (status, last_line) == (3, SAFE), said
    powers = client.rows()
    assert [row["decision"] for row in powers] == ["not measured", "not measured"]
    assert "the key-down watchdog acted" in powers[0]["note"]
    assert (
        "because PTT had not been read released in time; PTT was taken from it: PTT released by radio"
        in powers[0]["note"]
    )
    assert "PTT is not pressed any more in this run" in powers[1]["note"]
    (journal,) = client.folder.glob("*.journal")
    told = [line for line in journal.read_text(encoding="utf-8").splitlines() if '"watchdog"' in line]
    assert "answers a second connection" in told[0]
    assert "the key-down watchdog acted" in told[1]


def test_a_run_that_was_stopped_for_a_moment_while_keyed_measures_again(served, run):
    """SIGSTOP and SIGCONT within the time it may be keyed: what was read across counts for nothing, the check is made once more."""
    client = run(served.bench)
    _stop_keyed(client, served)
    client.process.send_signal(signal.SIGCONT)
    status, said, last_line = client.end(60.0)
    assert (status, last_line) == (0, SAFE), said
    first, second = client.rows()
    assert first["value"]
    assert second["value"]
    assert (
        "measured again, because this program was stopped, and went on, while this was measured"
        in first["note"]
    )


def test_a_run_whose_watchdog_was_killed_releases_ptt_and_keys_no_more(served, run):
    """Nothing would release PTT if it hung now: it releases PTT itself and says why at the end."""
    client = run(served.bench)
    wait_until(lambda: served.keyed, "it is keyed")
    os.kill(client.watchdog(), signal.SIGKILL)
    status, said, last_line = client.end(60.0)
    assert (status, last_line) == (3, SAFE), said
    assert "the process of the key-down watchdog has ended: PTT is not pressed any more in this run" in said


def test_a_driver_that_hangs_in_c_cannot_leave_the_unit_keyed(served, run, tmp_path):
    """A driver of another package that never returns and holds the interpreter: PTT is released, and the next command tells of it."""
    package = tmp_path / "package"
    (package / "hanging-1.0.dist-info").mkdir(parents=True)
    (package / "hanging.py").write_text(DRIVER, encoding="utf-8")
    (package / "hanging-1.0.dist-info" / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: hanging\nVersion: 1.0\n"
    )
    (package / "hanging-1.0.dist-info" / "entry_points.txt").write_text(
        "[sequencer.drivers]\nhanging = hanging:HangingPowerMeter\n"
    )
    content = yaml.safe_load(served.bench.read_text(encoding="utf-8"))
    content["instruments"]["power_meter"]["driver"] = "hanging"
    bench = tmp_path / "hanging.yaml"
    bench.write_text(yaml.safe_dump(content, sort_keys=False), encoding="utf-8")
    client = run(bench, PYTHONPATH=str(package))
    wait_until(lambda: served.keyed, "it is keyed")
    wait_until(served.is_safe, "the watchdog has released PTT and switched the supply off", 30.0)
    wait_until(_has_left_word, "the watchdog has left word for the next command")
    client.process.send_signal(signal.SIGINT)  # it cannot hear it
    assert client.process.poll() is None
    client.process.kill()
    client.process.communicate()
    command = [*SEQUENCER, "identify", "--bench", served.bench]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "The key-down watchdog took PTT of unit" in done.stderr
    assert (
        "because PTT had not been read released in time; later the program ended with PTT pressed: PTT released by radio, "
        "read back" in done.stderr
    )
